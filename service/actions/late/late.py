"""A paper that comes late, and what it says it moved."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.actions import stock
from service.actions.late import answers, repricing
from service.actions.late.redraw import Redraw
from service.actions.scope import Scope
from service.core.stock.netted import netted
from service.core.units import said
from service.store import lots, replay, unbooked
from service.store import papers as paper_store
from service.store.items import Locked

ROUNDS = 50  # estimates that rest on each other settle in a few; a bug's limit


@dataclass(slots=True)
class Followed:
    """What a paper changed of others: `moved` as the contract shows it, and the books' words on counts."""

    moved: list[dict[str, Any]] = field(default_factory=list)
    counts: dict[int, tuple[int, int]] = field(default_factory=dict)
    sentence: str = ""
    warnings: list[dict[str, Any]] = field(default_factory=list)


def in_order(locked: Locked, rank: int) -> bool:
    """Whether a paper of this rank comes after all that its item has."""
    return rank >= locked.before


def moves_nothing(scope: Scope, item: int, locked: Locked, rank: int, day: date) -> bool:
    """Whether an arrival moves nothing: nothing waits for it, and it is in order or only arrivals came since.

    What a count of that day cleared is costed at what came by that day, too.
    """
    connection, workshop = scope.connection, scope.workshop.id
    counted = locked.counted_on is not None and locked.counted_on >= day
    if counted or lots.with_unbooked(connection, workshop, [item]):
        return False
    return in_order(locked, rank) or replay.only_came(connection, workshop, item, day)


def follow(scope: Scope, redraw: Redraw, touched: dict[int, date], recosted: set[int] | None = None) -> Followed:
    """Run the touched items again, each from its day on; then let the money follow."""
    items = stock.items_of(scope, touched)
    for item in sorted(touched):
        redraw.item(items[item], touched[item])
    return finish(scope, redraw, recosted or set())


def finish(scope: Scope, redraw: Redraw, recosted: set[int] | None = None) -> Followed:
    """Cost anew what changed, and unbooked draws of items whose lots got another cost, until nothing changes."""
    lots_changed, papers = set(recosted or ()), set(redraw.changed)
    for _ in range(ROUNDS):
        redraw.changed.clear()
        changed = repricing.settle(scope, redraw.books, papers, lots_changed)
        again = _guessed(scope, changed | lots_changed)
        items = stock.items_of(scope, again)
        for item in sorted(again):
            redraw.item(items[item], again[item])
        papers, lots_changed = set(redraw.changed), set()
        if not papers:
            break
    redraw.books.write()
    moved, sentence = answers.told(scope, redraw)
    followed = Followed(moved, redraw.counts, sentence)
    followed.warnings = less_explained(scope, followed, redraw.books.of)
    return followed


def _guessed(scope: Scope, changed: set[int]) -> dict[int, date]:
    """Items with unbooked draws that were costed at one of these lots' kind, and the day from which."""
    rows = lots.by_ids(scope.connection, scope.workshop.id, changed).values()
    guessed = unbooked.ever(scope.connection, scope.workshop.id, {row.item_id for row in rows})
    return {item: min(row.received_on for row in rows if row.item_id == item) for item in guessed}


def net_movements(scope: Scope, documents: list[int]) -> dict[int, list[dict[str, Any]]]:
    """What each of these papers moves of which lot now (null: unbooked): `lot`, `units` (smallest), `cost`."""
    nets = netted(replay.movements(scope.connection, scope.workshop.id, documents))
    known = lots.by_ids(scope.connection, scope.workshop.id, {lot for _, _, lot in nets})
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for (origin, _, lot), net in nets.items():
        if net.quantity:
            row = known[lot]
            cost = None if (cost := repricing.cost_of(net, row)) is None else -cost
            code = None if row.id == row.item_id else row.code
            found[origin].append({"lot": code, "units": net.quantity, "cost": cost})
    return found


def less_explained(scope: Scope, followed: Followed, own: int) -> list[dict[str, Any]]:
    """A warning for each count that a late paper left less explained than it was."""
    worse = {count: now for count, (was, now) in followed.counts.items() if count != own and abs(now) > abs(was)}
    papers = paper_store.by_ids(scope.connection, scope.workshop.id, worse)
    stated = paper_store.lines_of_all(scope.connection, scope.workshop.id, list(worse))
    items = stock.items_of(scope, {line.item_id for line in stated.values()})
    warnings = []
    for count, difference in worse.items():
        item = items[stated[count].item_id]
        amount = said(abs(difference), item.unit)
        sentence = (
            f"Count {papers[count].code} of {item.name} is less explained than before: {amount} "
            f"{'less' if difference < 0 else 'more'} than the books said. Is a quantity or a date wrong?"
        )
        warnings.append({"type": "count-less-explained", "sentence": sentence, "count": papers[count].code})
    return warnings
