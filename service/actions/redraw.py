"""Law 13 on the books: an item's papers are run again from a day on, and what differs is appended as corrections.

One way for every late paper: `Redraw.item` for each item it touches, `repricing.settle` for the money that follows.
"""

import json
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.corrections import Corrections
from service.actions.scope import Scope
from service.core import costs, happening, lateness
from service.core.lateness import BEYOND, Act, Assumed, Came, Counted, Divided, Edited, Gone, Lot, Named, Open, Shelves
from service.core.netted import Net, netted
from service.store import ledger, replay
from service.store.items import ItemRow
from service.store.ledger import Paper

LOT_FACTS = {"status", "expires_on", "retest_on", "ready_on", "opened_on", "opened_by_hand", "place", "set_apart"}
DATES = ("expires_on", "retest_on", "ready_on", "opened_on", "received_on")


@dataclass(frozen=True, slots=True)
class Moved:
    """Grams of one line that moved between lots (BEYOND: unbooked)."""

    document: int
    line: int
    item: int
    lot: int
    quantity: int
    cost: int | None


@dataclass(slots=True)
class Redraw:
    """What one late paper changes, item by item; `finish` writes it."""

    scope: Scope
    books: Corrections
    moved: list[Moved] = field(default_factory=list)
    counts: dict[int, tuple[int, int]] = field(default_factory=dict)  # count -> its difference before and now
    changed: set[int] = field(default_factory=set)  # papers whose draws moved
    founders: dict[int, int] = field(default_factory=dict)  # a lot that a count found -> the count

    @classmethod
    def begin(cls, scope: Scope, cause: Paper, of: int | None = None) -> "Redraw":
        """A redraw caused by a paper that is posted; `of` is the paper it reverses or corrects."""
        return cls(scope, Corrections(scope, cause, of or cause.id))

    def step(self, item: ItemRow, paper: lateness.Paper) -> Shelves:
        """Run only the last step, of a paper in order, on the lots as they are."""
        rows = {row.id: row for row in replay.lots(self.scope.connection, self.scope.workshop.id, item.id)}
        shelves = _now(self.scope, item, rows, paper.document)
        since = min((one.day for one in shelves.open), default=paper.day)
        shelves.run([paper])
        self._founders(shelves, [paper])
        self._enter(item, rows, shelves, shelves.effects)
        self._beyond(item, rows, shelves, shelves.effects, since, whole=False)
        return shelves

    def item(self, item: ItemRow, since: date) -> Shelves:
        """Run an item's papers again from the start of a day; enter what differs from the books."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        rows = {row.id: row for row in replay.lots(connection, workshop, item.id)}
        lines = replay.papers(connection, workshop, item.id, since)
        shelves = _as_of(self.scope, item, rows, since)
        acts = _acts(self.scope, item, rows, lines, since)
        shelves.run(acts)
        self._founders(shelves, acts)
        said = replay.booked(connection, workshop, item.id, since)
        booked = {(row.origin, row.line, BEYOND if row.lot_id == item.id else row.lot_id): int(row.quantity) for row in said}
        differs = {
            key: shelves.effects.get(key, 0) - booked.get(key, 0)
            for key in booked.keys() | shelves.effects.keys()
            if shelves.effects.get(key, 0) != booked.get(key, 0)
        }
        self._enter(item, rows, shelves, differs)
        self._beyond(item, rows, shelves, differs, since)
        self._opened(rows, shelves)
        for count in shelves.books:
            was, now = _difference(booked, count), _difference(shelves.effects, count)
            self.counts[count] = (self.counts.get(count, (was, now))[0], now)
        return shelves

    def differs(self, item: ItemRow) -> dict[lateness.Key, int]:
        """What the books would have to change of an item had every paper been recorded in its order: nothing, by law 13."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        rows = {row.id: row for row in replay.lots(connection, workshop, item.id)}
        shelves = Shelves()
        shelves.run(_acts(self.scope, item, rows, replay.papers(connection, workshop, item.id, date.min), date.min))
        for row in replay.booked(connection, workshop, item.id, date.min):
            shelves.effects[(row.origin, row.line, BEYOND if row.lot_id == item.id else row.lot_id)] -= int(row.quantity)
        return {key: quantity for key, quantity in shelves.effects.items() if quantity}

    def _founders(self, shelves: Shelves, acts: list[lateness.Paper]) -> None:
        """Give the lots that counts found an id of their own."""
        for paper in acts:
            own = paper.act.own if isinstance(paper.act, Counted) else None
            if own is not None and own.id < 0 and own.id in shelves.lots:
                lot = shelves.lots[self.scope.new_id()] = shelves.lots.pop(own.id)
                new = next(key for key, value in shelves.lots.items() if value is lot)
                for key in [key for key in shelves.effects if key[2] == own.id]:
                    shelves.effects[(key[0], key[1], new)] = shelves.effects.pop(key)
                lot.id = new
                self.founders[new] = paper.document

    def _enter(self, item: ItemRow, rows: dict[int, Row[Any]], shelves: Shelves, differs: dict[lateness.Key, int]) -> None:
        """The changes of real lots, what comes back before what goes: each costs what the lot's worth changes by."""
        for (origin, line, lot), quantity in sorted(differs.items(), key=lambda pair: (pair[0][2], pair[1] < 0, pair[0])):
            if lot == BEYOND:
                continue
            balance = self.books.balance(rows[lot] if lot in rows else self._own(shelves.lots[lot], item))
            worth = costs.worth(balance.cost, balance.on_hand + quantity, balance.received)
            cost = None if worth is None else worth - (balance.worth or 0)
            self.books.change(origin, line, balance, quantity, cost)
            self.moved.append(Moved(origin, line, item.id, lot, quantity, cost))
            self.changed.add(origin)

    def _own(self, lot: Lot, item: ItemRow) -> Any:
        """The lot that a count found and the books never saw."""
        code = papers.code_for(self.scope, "L")
        new = papers.new_lot(
            self.scope, item, self.books.cause, code=code, quantity=0, received_on=lot.received_on, id=lot.id,
            document_id=self.founders[lot.id],
        )  # fmt: skip
        ledger.add_lots(self.scope.connection, self.scope.workshop.id, [new])
        return papers.record_of(new)

    def _beyond(
        self, item: ItemRow, rows: dict[int, Row[Any]], shelves: Shelves, differs: dict[lateness.Key, int], since: date,
        whole: bool = True,
    ) -> None:  # fmt: skip
        """The unbooked lot: grams, and what each unbooked draw is costed at now (law 9)."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        net = netted(replay.beyond(connection, workshop, item.id, since))
        wanted = {key[:2] for key in differs if key[2] == BEYOND}
        if whole:
            wanted |= {key[:2] for key in net if net[key].quantity}
        if not wanted:
            return
        balance = self.books.balance(rows[item.id])
        days = _days(self.scope, {origin for origin, _ in wanted})
        left = {key: net.get((*key, item.id), Net()).quantity + differs.get((*key, BEYOND), 0) for key in wanted}
        target = {key: _estimate(rows, item, days[key[0]], -left[key]) for key in wanted}
        for key in [key for key in wanted if left[key] > 0]:
            target[key] = _cleared(shelves, key[0], target, net, item.id)
        for key in sorted(wanted):
            quantity = differs.get((*key, BEYOND), 0)
            self._recost(item, balance, key, quantity, net.get((*key, item.id), Net()), target[key])

    def _recost(self, item: ItemRow, balance: Any, key: tuple[int, int], quantity: int, now: Net, target: int | None) -> None:
        origin, line = key
        was = now.cost if now.known else 0
        wanted = None if target is None else -target
        if wanted is None and now.known and now.cost:  # known no more: the money goes back first
            self.books.change(origin, line, balance, 0, -now.cost)
        elif not quantity and (wanted is None or (now.known and wanted == was)):
            return
        cost = None if wanted is None else wanted - was
        self.books.change(origin, line, balance, quantity, cost)
        self.changed.add(origin)
        if quantity:
            self.moved.append(Moved(origin, line, item.id, BEYOND, quantity, cost))

    def _opened(self, rows: dict[int, Row[Any]], shelves: Shelves) -> None:
        """A lot's opening moves with its first draw."""
        for lot in shelves.lots.values():
            row = rows.get(lot.id)
            if row is None or (row.opened_on == lot.opened_on and row.use_by == lot.use_by):
                continue
            balance = self.books.balance(row)
            balance.opened_on, balance.use_by, balance.touched = lot.opened_on, lot.use_by, True


def _difference(moved: dict[lateness.Key, int], count: int) -> int:
    """What a count's own movements sum to: counted less what the books said."""
    return sum(quantity for (document, _, _), quantity in moved.items() if document == count)


def _days(scope: Scope, origins: set[int]) -> dict[int, date]:
    return {key: row.happened_on for key, row in ledger.by_ids(scope.connection, scope.workshop.id, origins).items()}


def _estimate(rows: dict[int, Row[Any]], item: ItemRow, day: date, quantity: int) -> int | None:
    """Unbooked stock is costed at the newest lot of known cost received by then; None if there is none."""
    if quantity <= 0:
        return 0
    known = [
        row
        for row in rows.values()
        if row.id != item.id and row.cost_micro is not None and row.quantity > 0 and row.received_on <= day
    ]
    if not known:
        return None
    newest = max(known, key=lambda row: (row.received_on, row.code))
    return costs.half_even(newest.cost_micro * quantity, newest.quantity)


def _cleared(
    shelves: Shelves, count: int, target: dict[tuple[int, int], int | None], net: dict[Any, Net], item: int
) -> int | None:
    """What a count wrote off of unbooked draws is worth what those draws were costed at (as money that comes back)."""
    worth: list[int | None] = []
    for key, by in shelves.cleared.items():
        if by == count:
            known = net.get((*key, item), Net())
            worth.append(target.get(key, -known.cost if known.known else None))
    whole = costs.total(worth)
    return None if whole is None else -whole


def _now(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], but: int) -> Shelves:
    """The item's shelves as the books have them now."""
    shelves = Shelves()
    for row in rows.values():
        if row.id != item.id:
            lot = shelves.lots[row.id] = current(row)
            lot.quantity = row.on_hand
    shelves.open = _outstanding(scope, item, date.max, but) if rows[item.id].on_hand else []
    return shelves


def current(row: Row[Any]) -> Lot:
    """A lot as it is now."""
    return Lot(
        row.id, row.code, row.received_on, 0, row.status, row.expires_on, row.retest_on, row.ready_on, row.opened_on,
        row.opened_by_hand, row.opened_life_days, row.set_apart, row.place,
    )  # fmt: skip


def _outstanding(scope: Scope, item: ItemRow, before: date, but: int = 0) -> list[Open]:
    """Unbooked draws of earlier days that no count of the item cleared, oldest first."""
    connection, workshop = scope.connection, scope.workshop.id
    count = replay.last_count_before(connection, workshop, item.id, before, but)
    after = happening.rank(count.happened_on, count.happened_at, count=happening.OF_ITEM) if count is not None else 0
    found: list[Open] = []
    for row in replay.unbooked_before(connection, workshop, item.id, before):
        rank = happening.rank(row.happened_on, row.happened_at, happening.ASSUMED)
        if not row.is_count and rank > after:
            found.append(Open(row.origin, row.line, -int(row.quantity), row.happened_on, rank))
    return sorted(found, key=lambda one: one.rank)


def _as_of(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], since: date) -> Shelves:
    """The item's shelves at the start of a day: what the books hold now, less what moved since."""
    connection, workshop = scope.connection, scope.workshop.id
    left: dict[int, int] = {row.id: row.on_hand for row in rows.values()}
    for moved in replay.booked(connection, workshop, item.id, since):
        left[moved.lot_id] -= int(moved.quantity)
    shelves = Shelves()
    early = [row for row in rows.values() if row.id != item.id and row.received_on < since]
    edits = _edits_by_lot(scope, early)
    for row in early:
        lot = arrived(row)
        lot.quantity = left[row.id]
        for edit in edits[row.id]:
            if edit.happened_on < since:
                _set(lot, json.loads(edit.facts))
        if not lot.opened_by_hand and row.opened_on is not None and row.opened_on < since and not row.opened_by_hand:
            lot.opened_on = row.opened_on
        shelves.lots[row.id] = lot
    shelves.open = _outstanding(scope, item, since)
    return shelves


def arrived(row: Row[Any]) -> Lot:
    """A lot as it came, before any edit or draw."""
    lot = Lot(row.id, row.code, row.received_on, 0, row.status, row.expires_on, row.retest_on, row.ready_on)
    lot.opened_life_days, lot.place, lot.set_apart = row.opened_life_days, row.place, row.set_apart
    if row.arrived is not None:
        _set(lot, json.loads(row.arrived))
    elif row.opened_by_hand:
        lot.opened_on, lot.opened_by_hand = row.opened_on, True
    return lot


def _set(lot: Lot, facts: dict[str, Any]) -> None:
    for name, value in facts.items():
        if name in LOT_FACTS:
            setattr(lot, name, date.fromisoformat(value) if name in DATES and value else value)


def _edits_by_lot(scope: Scope, rows: list[Row[Any]]) -> dict[int, list[Row[Any]]]:
    found: dict[int, list[Row[Any]]] = defaultdict(list)
    edited = [row.id for row in rows if row.arrived is not None]
    for edit in replay.edits(scope.connection, scope.workshop.id, edited):
        found[edit.lot_id].append(edit)
    for some in found.values():
        some.sort(key=lambda one: (happening.rank(one.happened_on, one.happened_at), one.document_id))
    return found


def _acts(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], lines: list[Row[Any]], since: date) -> list[lateness.Paper]:
    """The item's lines from a day on as acts of the core."""
    named = replay.named(scope.connection, scope.workshop.id, item.id, since)
    edits = {
        (edit.document_id, edit.lot_id): edit
        for edit in replay.edits(scope.connection, scope.workshop.id, [row.id for row in rows.values() if row.arrived])
    }
    mine: dict[int, frozenset[int]] = {}
    children: dict[int, Row[Any]] = {}
    for row in rows.values():
        if row.document_id is not None:
            mine[row.document_id] = mine.get(row.document_id, frozenset()) | {row.id}
            children[row.document_id] = row
    found: list[lateness.Paper] = []
    for line in lines:
        for act, place, count in _of_line(line, rows, named, edits, mine, children):
            rank = happening.rank(line.happened_on, line.happened_at, place, count)
            origin = line.corrects_id or line.id
            found.append(lateness.Paper(rank, line.paper, origin, line.n, line.happened_on, act))
    return found


def _of_line(
    line: Any, rows: dict[int, Row[Any]], named: dict[tuple[int, int], Any], edits: dict[tuple[int, int], Any],
    mine: dict[int, frozenset[int]], children: dict[int, Row[Any]],
) -> list[tuple[Act, int, int]]:  # fmt: skip
    """The acts of one line, each with its place in a day without a time and what it counts."""
    if line.kind == "count":
        return [_count_of(line, rows, children)]
    if line.kind == "edit":
        edit = edits.get((line.id, line.lot_id))
        facts = _dated(json.loads(edit.facts)) if edit is not None else {}
        return [(Edited(line.lot_id, facts), happening.CAME, 0)]
    if line.kind == "split":
        child = children[line.id]
        return [(Divided(line.lot_id, arrived(child), -line.quantity), happening.SPLIT, 0)]
    if line.kind == "disposal":
        return [(Gone(line.lot_id, -line.quantity), happening.GONE, 0)]
    if line.quantity > 0 or line.lot_id is not None:
        return [(Came(arrived(rows[line.lot_id]), line.quantity), happening.CAME, 0)]
    own = mine.get(line.corrects_id or line.id, frozenset())
    acts: list[tuple[Act, int, int]] = [(Assumed(-line.quantity, own), happening.ASSUMED, 0)]
    by_name = named.get((line.id, line.n))
    if by_name:
        acts.insert(0, (Named(-line.quantity, tuple(by_name)), happening.NAMED, 0))
    return acts


def _count_of(line: Any, rows: dict[int, Row[Any]], children: dict[int, Row[Any]]) -> tuple[Act, int, int]:
    place = json.loads(line.facts).get("place")
    if line.lot_id is not None:
        return Counted(line.quantity, frozenset((line.lot_id,))), 0, happening.OF_LOTS
    own = children.get(line.id)
    found = arrived(own) if own is not None else found_lot(line)
    if place is not None:
        there = frozenset(row.id for row in rows.values() if row.place == place and row.id != row.item_id)
        return Counted(line.quantity, there, found, explains=False), 0, happening.OF_LOTS
    return Counted(line.quantity, None, found), 0, happening.OF_ITEM


def found_lot(line: Any) -> Lot:
    """The lot that a count's gain gets when there is no other; it exists once something falls on it."""
    return Lot(-line.id, f"{line.code}", line.happened_on)


def _dated(facts: dict[str, Any]) -> dict[str, Any]:
    return {
        name: date.fromisoformat(value) if name in DATES and value else value
        for name, value in facts.items()
        if name in LOT_FACTS
    }
