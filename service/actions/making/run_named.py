"""The lots that the bench named for a run: checked, and shared out over its needs."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.making.run_draw import Drawn
from service.actions.making.run_target import NamedLots, Need, Target
from service.actions.scope import Scope
from service.core.units import quantity_in
from service.errors import Invalid
from service.shapes.runs import Performed
from service.store import lots
from service.store.items import ItemRow


def named_lots(
    scope: Scope, target: Target, needs: Sequence[Need], run: Performed, day: date, items: Mapping[int, ItemRow]
) -> tuple[list[NamedLots], dict[int, Row[Any]]]:
    """The lots the bench named, shared out over the needs in their order, checked; and their rows."""
    asked: dict[int, list[tuple[int, int | None]]] = {}
    rows: dict[int, Row[Any]] = {}
    if target.bulk_lot is not None:
        asked[target.bulk_lot.item_id] = [(target.bulk_lot.id, None)]
        rows[target.bulk_lot.id] = target.bulk_lot
        papers.must_be_there(scope, target.bulk_lot, day)
    by_code = {items[need.item_id].code: items[need.item_id] for need in needs}
    found = lots.by_codes(scope.connection, scope.workshop.id, {one.lot for one in run.lots})
    for n, one in enumerate(run.lots):
        item = by_code.get(one.material)
        lot = found.get(one.lot) or papers.lot_of(scope, one.lot, f"#/lots/{n}/lot")
        if item is None:
            raise Invalid.field(f"#/lots/{n}/material", "is not taken by this run", one.material)
        if lot.item_id != item.id:
            raise Invalid.field(f"#/lots/{n}/lot", f"is not a lot of '{item.code}'", one.lot)
        papers.must_be_there(scope, lot, day)
        most = None if one.quantity is None else quantity_in(one.quantity, item.unit, f"#/lots/{n}/quantity")
        asked.setdefault(item.id, []).append((lot.id, most))
        rows[lot.id] = lot
    return shared_out(needs, asked), rows


def shared_out(needs: Sequence[Need], asked: dict[int, list[tuple[int, int | None]]]) -> list[NamedLots]:
    """Named quantities go to the first need of their item, what is over to the next."""
    left = {item: list(some) for item, some in asked.items()}
    named: list[NamedLots] = []
    for need in needs:
        mine: list[tuple[int, int | None]] = []
        wanted = need.quantity
        for n, (lot, most) in enumerate(left.get(need.item_id, [])):
            given = most if most is None else min(most, wanted)
            if given != 0:
                mine.append((lot, given))
            if most is not None and given is not None:
                left[need.item_id][n] = (lot, most - given)
                wanted -= given
        named.append(tuple(mine))
    return named


def too_small(drawn: Drawn, named: Sequence[NamedLots]) -> set[int]:
    """Items of which a named lot holds less than was named: what others assumed of it moves."""
    got = {(one.need, one.lot.id): one.quantity for one in drawn.taken if one.chosen == "named" and one.lot is not None}
    found = set()
    for at, lots_named in enumerate(named):
        for lot, most in lots_named:
            wanted = most if most is not None else drawn.needs[at].quantity if len(lots_named) == 1 else 0
            if got.get((at, lot), wanted) < min(wanted, drawn.needs[at].quantity):
                found.add(drawn.needs[at].item_id)
    return found
