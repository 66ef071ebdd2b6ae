"""What a run answers: its lots, what it used, warnings, and the sentence a phone reads aloud."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from service.actions import claiming
from service.actions.making.run_draw import Drawn, Taken
from service.actions.making.run_target import Target
from service.actions.papers import local
from service.actions.scope import Scope
from service.core.making import claims
from service.core.said import listed
from service.core.stock import draw
from service.core.units import money_out, quantity_out, said, said_out
from service.store import runs
from service.store.items import ItemRow


def used(drawn: Drawn, items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """What was taken from each lot."""
    return [_used(drawn, one, items) for one in drawn.taken if one.quantity or one.chosen == "named"]


def _used(drawn: Drawn, one: Taken, items: Mapping[int, ItemRow]) -> dict[str, Any]:
    need = drawn.needs[one.need]
    item = items[need.item_id]
    return {
        "material": item.code,
        "lot": one.lot.code if one.lot is not None else None,
        "quantity": quantity_out(one.quantity, item.unit),
        "cost": money_out(one.cost),
        "chosen": one.chosen,
        "instead_of": items[need.instead_of].code if need.instead_of else None,
    }


def batch_lots(new_lots: Sequence[dict[str, Any]], items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """The lots a run made, with their cost and the cost of one gram or piece."""
    return [
        {
            "lot": lot["code"],
            "item": items[lot["item_id"]].code,
            "quantity": quantity_out(lot["quantity"], items[lot["item_id"]].unit),
            "cost": money_out(lot["cost_micro"]),
            "unit_cost": unit_cost(lot["cost_micro"], lot["quantity"], items[lot["item_id"]].unit),
        }
        for lot in new_lots
    ]


def unit_cost(cost: int | None, quantity: int, unit: str) -> int | float | None:
    """Cost of one gram or piece, to the millionth."""
    if cost is None or not quantity:
        return None
    return money_out(round(cost * (1000 if unit == "g" else 1) / quantity))


def yield_percent(target: Target, scrapped: bool) -> float | int | None:
    """Grams that became stock over the batch; of a set, units made over planned."""
    if scrapped:
        return 0
    if target.is_set:
        return _percent(target.outputs[0].quantity, target.units or 0)
    return _percent(sum(output.grams for output in target.outputs), target.batch_mg or 0)


def _percent(part: int, whole: int) -> float | int | None:
    if not whole:
        return None
    percent = round(100 * part / whole, 2)
    return int(percent) if percent == int(percent) else percent


def lot_warnings(drawn: Drawn, bad: Sequence[tuple[Any, str]], best_before: date | None) -> list[dict[str, Any]]:
    """Named lots that should not be in a batch, named lots too small, ingredients that expire before it."""
    warnings = [
        {
            "type": f"lot-{state}",
            "sentence": f"Lot {lot.code} is {state}: the batch is left in quarantine.",
            "lot": lot.code,
        }
        for lot, state in bad
    ]
    for lot in {one.lot.code: one.lot for one in drawn.taken if one.lot is not None and one.quantity}.values():
        if best_before is not None and lot.use_by < best_before and lot.expires_on is not None:
            warnings.append(
                {
                    "type": "lot-expires-before-batch",
                    "sentence": f"Lot {lot.code} expires on {lot.use_by}, before the batch ({best_before}).",
                    "lot": lot.code,
                    "expires_on": str(lot.use_by),
                }
            )
    return warnings


def named_warnings(drawn: Drawn, named: Sequence[Any], items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """Named lots that held less than was named of them: the rest was drawn like any other."""
    warnings = []
    for one in drawn.taken:
        if one.chosen != "named" or one.lot is None:
            continue
        need = drawn.needs[one.need]
        asked = dict(named[one.need]).get(one.lot.id)
        wanted = asked if asked is not None else need.quantity if len(named[one.need]) == 1 else one.quantity
        if one.quantity < min(wanted, need.quantity):
            unit = items[need.item_id].unit
            sentence = (
                f"Lot {one.lot.code} gave {said(one.quantity, unit)} of {said(wanted, unit)}: the rest was drawn like any other."
            )
            warnings.append({"type": "named-lot-too-small", "sentence": sentence, "lot": one.lot.code})
    return warnings


def short_warnings(shortages: Sequence[dict[str, Any]], items: Mapping[str, ItemRow]) -> list[dict[str, Any]]:
    """One warning a material that the books lacked, saying what unusable stock lies there."""
    warnings = []
    for short in shortages:
        item = items[short["material"]]
        missing = f"The books hold too little {item.name.lower()}: {said_out(short['short'], item.unit)} unbooked, please count."
        lying = "; ".join(
            f"{said_out(lot['quantity'], item.unit)} of lot {lot['lot']} lies there ({lot['why']}): was it used?"
            for lot in short["unusable"]
        )
        warnings.append(
            {
                "type": "count-wanted",
                "sentence": f"{missing} {lying}".strip(),
                "material": item.code,
                "short": short["short"],
            }
        )
    return warnings


def plan_warnings(scope: Scope, drawn: Drawn, without: int | None, day: date) -> list[dict[str, Any]]:
    """Which open plans are short now that this run took what it used."""
    plans = [plan for plan in runs.open_plans(scope.connection, scope.workshop.id) if plan.run_id != without]
    if not plans:
        return []
    left = left_by_item(drawn, day)
    return [
        {
            "type": "plan-short",
            "sentence": f"Planned batch {plan.code} is now short of materials.",
            "batch": plan.code,
        }
        for plan in claims.now_short(plans, left)
    ]


def order_warnings(scope: Scope, drawn: Drawn, items: Mapping[int, ItemRow], without: int | None) -> list[dict[str, Any]]:
    """Which open orders are short of what this run took, now that it is in the books."""
    taken = {one.item_id for one in drawn.needs}
    only = None if any(items[item].kind in ("bulk", "product") for item in taken) else taken
    return [
        {
            "type": "order-short",
            "sentence": f"Order {order.reference} is now short of materials.",
            "order": order.reference,
        }
        for order in claiming.orders_short(scope, only, without)
    ]


def left_by_item(drawn: Drawn, day: date) -> dict[int, int]:
    """What is usable of each drawn item after the run."""
    left: dict[int, int] = {}
    for row in drawn.stock:
        if row.id == row.item_id:
            continue
        balance = drawn.entries.balances.get(row.id)
        now = row.on_hand if balance is None else balance.on_hand
        usable = now if draw.drawable(drawn.shelves.get(row.id) or draw.shelf_of(row), day) else 0
        left[row.item_id] = left.get(row.item_id, 0) + usable
    return left


def sentence(
    target: Target, drawn: Drawn, code: str, scrapped: bool, shortages: Sequence[dict[str, Any]],
    items: Mapping[int, ItemRow], day: date,
) -> str:  # fmt: skip
    """One line fit to be read aloud."""
    made = "; ".join(
        f"{said(output.quantity, items[output.item_id].unit)} of {items[output.item_id].name}"
        if items[output.item_id].unit == "g"
        else f"{output.quantity} of {items[output.item_id].name}"
        for output in target.outputs
    )
    name = target.product or target.formula
    start = f"{name.name if name else 'Batch'} scrapped as batch {code}" if scrapped else f"{made} recorded as batch {code}"
    if shortages:
        by_code = {item.code: item for item in items.values()}
        return f"{start}; the books lack {lacking(shortages, by_code)}, please count."
    scarce = _scarcest(drawn, items, day)
    return f"{start}; {scarce}." if scarce else f"{start}."


def lacking(shortages: Sequence[dict[str, Any]], items: Mapping[str, ItemRow]) -> str:
    """How much of what is short, the first three of them."""
    short = [(one, items[one["material"]]) for one in shortages]
    parts = [f"{said_out(one['short'], item.unit)} of {item.name.lower()}" for one, item in short[:3]]
    return listed([*parts, f"{len(short) - 3} more"] if len(short) > 3 else parts)


def _scarcest(drawn: Drawn, items: Mapping[int, ItemRow], day: date) -> str | None:
    """What is left of the material that would run out first if the run were repeated."""
    left = left_by_item(drawn, day)
    needed: dict[int, int] = {}
    for need in drawn.needs:
        if items[need.item_id].stocked and need.quantity:
            needed[need.item_id] = needed.get(need.item_id, 0) + need.quantity
    if not needed:
        return None
    scarce = min(needed, key=lambda item: (left.get(item, 0) / needed[item], items[item].code))
    item = items[scarce]
    return f"{said(left.get(scarce, 0), item.unit)} of {item.name.lower()} left"


def recorded(scope: Scope) -> dict[str, Any]:
    """By whom and when."""
    return {"recorded_at": local(scope, scope.now), "recorded_by": scope.actor.name}
