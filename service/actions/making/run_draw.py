"""What a run takes from which lots, and what it costs: needs, what was really used, named lots, law 6 and 9."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.making.run_target import NamedLots, Need, Target
from service.actions.scope import Scope
from service.core.stock import costs, draw
from service.core.stock.movements import Entries
from service.core.units import half_even, largest_remainder, quantity_in, quantity_out
from service.errors import Invalid
from service.shapes.runs import Performed
from service.store import lots
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Taken:
    """What one need got from one lot (None: beyond the books, or not stocked)."""

    need: int
    lot: Row[Any] | None
    quantity: int
    cost: int | None
    chosen: str


@dataclass(slots=True)
class Drawn:
    """The outcome of all draws of a run."""

    needs: list[Need]
    taken: list[Taken] = field(default_factory=list)
    short: dict[int, int] = field(default_factory=dict)  # need -> quantity
    entries: Entries = field(default_factory=Entries)
    stock: list[Row[Any]] = field(default_factory=list)
    shelves: dict[int, draw.Shelf] = field(default_factory=dict)  # lots as they were before the draw
    estimated: bool = False

    def cost_of(self, *parts: str, output: int | None = None) -> int | None:
        """What the needs of these parts cost (of one output's packaging when given)."""
        return costs.total(
            [
                one.cost
                for one in self.taken
                if self.needs[one.need].part in parts and (output is None or self.needs[one.need].output == output)
            ]
        )


def really_used(scope: Scope, target: Target, run: Performed, items: Mapping[str, ItemRow]) -> list[Need]:
    """The needs, with the quantities that were stated: changed, substituted or added."""
    needs = list(target.needs)
    stated = {use.material for use in run.used}
    if len(stated) != len(run.used):
        raise Invalid.field("#/used", "names a material twice", None, "each material once")
    for n, use in enumerate(run.used):
        item = items[use.material]
        quantity = quantity_in(use.quantity, item.unit, f"#/used/{n}/quantity")
        mine = [at for at, need in enumerate(needs) if need.item_id == item.id]
        if mine and use.instead_of is not None:
            said = f"is for what is not on the sheet: tell the whole quantity of '{item.code}', and 0 of '{use.instead_of}'"
            raise Invalid.field(f"#/used/{n}/instead_of", said, use.instead_of)
        if mine:
            _restate(needs, mine, quantity)
        elif use.instead_of is not None:
            _substitute(needs, n, use, item, quantity, items, stated)
        else:
            _may_be_used(n, item, "addition")
            needs.append(Need(item.id, quantity, "addition"))
            target.warnings.append(
                {
                    "type": "not-on-the-sheet",
                    "sentence": f"{item.name} is not on the sheet: it was recorded as an addition.",
                    "material": item.code,
                }
            )
    return needs


def _may_be_used(n: int, item: ItemRow, part: str) -> None:
    """A product goes into a set alone."""
    if item.kind == "product" and part != "content":
        raise Invalid.field(f"#/used/{n}/material", "is a product: a run uses materials", item.code, "a material")


def _restate(needs: list[Need], mine: Sequence[int], quantity: int) -> None:
    """The whole quantity stands on the first need of the material, what is over two lines by share."""
    planned = [needs[at].quantity for at in mine]
    shares = largest_remainder(quantity, planned) if sum(planned) else [quantity] + [0] * (len(mine) - 1)
    for at, share in zip(mine, shares, strict=True):
        needs[at] = replace(needs[at], quantity=share)


def _substitute(
    needs: list[Need], n: int, use: Any, item: ItemRow, quantity: int, items: Mapping[str, ItemRow], stated: set[str]
) -> None:
    stood_in = items[use.instead_of]
    mine = [at for at, need in enumerate(needs) if need.item_id == stood_in.id]
    if not mine:
        raise Invalid.field(f"#/used/{n}/instead_of", "is not on the sheet", use.instead_of)
    part = needs[mine[0]]
    _may_be_used(n, item, part.part)
    needs.append(replace(part, item_id=item.id, quantity=quantity, instead_of=stood_in.id))
    if use.instead_of not in stated:
        for at in mine:
            needs[at] = replace(needs[at], quantity=0)


def draw_all(
    scope: Scope, needs: list[Need], named: Sequence[NamedLots], rows: dict[int, Row[Any]], day: date,
    items: Mapping[int, ItemRow], without: Collection[int] = (), least: date | None = None,
) -> Drawn:  # fmt: skip
    """Draw every need as of `day` from what the books hold now, but those of the items `without` (they come late).

    `named` are the lots named for each need, `rows` those lots. Items are locked by the caller. `least` is the least last
    usable day of what is sold, from any place (core/stock/draw.offered).
    """
    drawn = Drawn(needs)
    wanted = sorted({need.item_id for need in needs if items[need.item_id].stocked} - set(without))
    drawn.stock = lots.with_stock(scope.connection, scope.workshop.id, wanted)
    rows = rows | {row.id: row for row in drawn.stock}
    drawn.shelves = {row.id: draw.shelf_of(row) for row in rows.values() if row.id != row.item_id}
    left: dict[int, dict[int, draw.Shelf]] = {}  # by item
    for shelf in drawn.shelves.values():
        left.setdefault(rows[shelf.id].item_id, {})[shelf.id] = shelf
    for at, need in enumerate(needs):
        item = items[need.item_id]
        if item.id in without:
            continue
        if not item.stocked:
            drawn.taken.append(Taken(at, None, need.quantity, 0, "assumed"))
            continue
        there = left.get(item.id, {})
        got = _got(list(there.values()), need.quantity, day, named[at], least)
        for take in got.takes:
            if take.quantity:
                there[take.lot_id] = draw.taken_from(there[take.lot_id], take.quantity, day)
            _enter(drawn, at, rows[take.lot_id], take, day)
        if got.short:
            _unbooked(scope, drawn, at, item, got.short, day)
    return drawn


def _got(there: list[draw.Shelf], quantity: int, day: date, named: NamedLots, least: date | None) -> draw.Drawn:
    """What a draw takes; of what is sold lots are offered as `draw.offered` has it, and named ones all the same."""
    if least is None:
        return draw.draw(there, quantity, day, named)
    offered = {shelf.id: shelf for shelf in draw.offered(there, least)}
    kept_back = {shelf.id for shelf in there} - offered.keys()
    return draw.draw([offered.get(shelf.id, shelf) for shelf in there], quantity, day, named, kept_back)


def _enter(drawn: Drawn, at: int, row: Row[Any], take: draw.Take, day: date) -> None:
    """A take as a movement of its lot."""
    lot = drawn.entries.balances.get(row.id) or papers.balance(row)
    cost = drawn.entries.change(at, lot, -take.quantity) if take.quantity else 0
    drawn.estimated |= row.estimated and bool(take.quantity)
    drawn.taken.append(Taken(at, row, take.quantity, _negated(cost), take.chosen))
    papers.open_first(lot, row, take.quantity, day)


def _negated(cost: int | None) -> int | None:
    return None if cost is None else -cost


def _unbooked(scope: Scope, drawn: Drawn, at: int, item: ItemRow, short: int, day: date) -> None:
    """What the books do not hold goes to the unbooked lot, at the newest known cost (law 7, law 9)."""
    drawn.short[at] = short
    newest = lots.newest_cost(scope.connection, scope.workshop.id, item.id, day)
    cost = None if newest is None else half_even(newest.cost_micro * short, newest.quantity)
    drawn.estimated |= cost is not None
    balance = drawn.entries.balances.get(item.id)
    if balance is None:
        mine = [row for row in drawn.stock if row.id == item.id]
        row = mine[0] if mine else lots.by_ids(scope.connection, scope.workshop.id, [item.id])[item.id]
        balance = papers.balance(row)
    drawn.entries.change_unbooked(at, balance, -short, _negated(cost))
    drawn.taken.append(Taken(at, None, short, cost, "unbooked"))


def shortages(drawn: Drawn, items: Mapping[int, ItemRow], day: date) -> list[dict[str, Any]]:
    """What the books lacked, by material, and what unusable stock lies there."""
    short: dict[int, int] = {}
    needed: dict[int, int] = {}
    for at, quantity in drawn.short.items():
        short[drawn.needs[at].item_id] = short.get(drawn.needs[at].item_id, 0) + quantity
    for need in drawn.needs:
        needed[need.item_id] = needed.get(need.item_id, 0) + need.quantity
    return [
        {
            "material": items[item].code,
            "needed": quantity_out(needed[item], items[item].unit),
            "taken": quantity_out(needed[item] - quantity, items[item].unit),
            "short": quantity_out(quantity, items[item].unit),
            "unusable": _unusable(drawn, items[item], day),
        }
        for item, quantity in short.items()
    ]


def _unusable(drawn: Drawn, item: ItemRow, day: date) -> list[dict[str, Any]]:
    return [
        {
            "lot": row.code,
            "quantity": quantity_out(row.on_hand, item.unit),
            "why": draw.why_not(draw.shelf_of(row), day),
        }
        for row in drawn.stock
        if row.item_id == item.id and row.id != item.id and row.on_hand > 0 and draw.why_not(draw.shelf_of(row), day)
    ]


def bad_named(drawn: Drawn, day: date) -> list[tuple[Row[Any], str]]:
    """Named lots that were drawn though expired, quarantined or rejected, and why they should not be."""
    bad = []
    for one in drawn.taken:
        if one.chosen == "named" and one.lot is not None:
            state = draw.state(draw.shelf_of(one.lot), day)
            if state in ("expired", "quarantined", "rejected"):
                bad.append((one.lot, state))
    return bad
