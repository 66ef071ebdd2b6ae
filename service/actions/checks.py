"""Is there enough? Reads the stock, asks the core, says it in one sentence. Changes nothing."""

from datetime import date
from typing import Any

from service.actions import claiming, papers, products, stock
from service.actions.scope import Scope
from service.actions.selling import orders
from service.core.making import check as core
from service.core.making.check import Finding, Question, Stock
from service.core.making.claims import Claims
from service.core.making.needs import Catalogue, Want
from service.core.stock import costs, draw
from service.core.units import money_out, quantity_in, quantity_out, said
from service.errors import Conflict, Invalid
from service.shapes.checks import CheckIn, WantIn
from service.store import catalogue, lots
from service.store.items import ItemRow


def check(scope: Scope, body: CheckIn) -> dict[str, Any]:
    """Answer a check; several wants share the same stock."""
    body, claimed, told = _of_order(scope, body)
    wanted = [_want(scope, n, want) for n, want in enumerate(body.wants)]
    reached = catalogue.reach(scope.connection, scope.workshop.id, {item.id for item, _ in wanted})
    items = _items(scope, reached, {item.id for item, _ in wanted})
    rows = lots.with_stock(scope.connection, scope.workshop.id, list(items))
    shelves: dict[int, list[draw.Shelf]] = {}
    for row in rows:
        if row.id != row.item_id:
            shelves.setdefault(row.item_id, []).append(draw.shelf_of(row))
    unstocked = frozenset(item.id for item in items.values() if not item.stocked)
    there = Stock(shelves, {item: some for item, some in claimed.of_production.items() if item not in unstocked}, unstocked)
    question = Question(tuple(Want(item.id, quantity) for item, quantity in wanted), scope.today, body.by, body.use_finished)
    finding = core.best_day(reached, there, question)
    money = {row.id: row for row in rows}
    answer = _answer(scope, body, wanted, reached, there, question, finding, items, money)
    units: dict[int, int] = {}
    for item, quantity in wanted:
        if item.kind == "product":
            units[item.id] = units.get(item.id, 0) + quantity
    answer["warnings"] = products.case_warnings(products.cases(scope, units), units) if told is None else told
    return answer


def _of_order(scope: Scope, body: CheckIn) -> tuple[CheckIn, Claims, list[dict[str, Any]] | None]:
    """Of an order: what is open of it, by the day it must leave, beside what others claim; and what it warns of as a whole."""
    if body.order is None:
        return body, claiming.all_(scope), None
    shown = orders.show(scope, body.order, "#/order")
    more: dict[str, Any] = {"by": body.by or shown["ship_by"]}
    if not body.wants:
        open_ = [line for line in shown["lines"] if line["open"]]
        if not open_:
            raise Conflict(f"nothing of order {body.order} is open", state=shown["state"])
        more["wants"] = [WantIn(product=line["product"], units=line["open"]) for line in open_]
    told = None if body.wants else shown["warnings"]
    return body.model_copy(update=more), claiming.but_order(scope, orders.order_of(scope, body.order).id), told


def _want(scope: Scope, n: int, want: Any) -> tuple[ItemRow, int]:
    if want.product is not None:
        return papers.item_of(scope, want.product, f"#/wants/{n}/product", "product"), want.units
    item = papers.item_of(scope, want.formula, f"#/wants/{n}/formula", "bulk")
    quantity = quantity_in(want.batch_g, "g", f"#/wants/{n}/batch_g")
    if not quantity:
        raise Invalid.field(f"#/wants/{n}/batch_g", "must be more than 0", str(want.batch_g), "more than 0")
    return item, quantity


def _items(scope: Scope, reached: Catalogue, wanted: set[int]) -> dict[int, ItemRow]:
    ids = set(wanted) | set(reached.products) | set(reached.recipes)
    ids |= {item for made in reached.products.values() for item, _ in made.packaging}
    ids |= {item for recipe in reached.recipes.values() for item, _ in recipe.lines}
    return stock.items_of(scope, ids)


def _answer(
    scope: Scope, body: CheckIn, wanted: list[tuple[ItemRow, int]], reached: Catalogue, there: Stock,
    question: Question, finding: Finding, items: dict[int, ItemRow], rows: dict[int, Any],
) -> dict[str, Any]:  # fmt: skip
    in_time = body.by is None or (finding.ready_on is not None and finding.ready_on <= body.by)
    needs = [_need(finding, there, items, item, rows) for item in _in_order(finding, items)]
    limit = core.limiting(finding, there.unstocked)
    makeable = {
        item.code: core.most_units(reached, there, question, item.id, finding.day) for item, _ in wanted if item.kind == "product"
    }
    enough = finding.enough and in_time
    return {
        "enough": enough,
        "sentence": _sentence(scope, body, wanted, finding, items, limit, makeable, enough),
        "wants": [_want_out(finding, reached, item, quantity) for item, quantity in wanted],
        "needs": [need for need, _ in needs],
        "limiting_material": items[limit].code if limit is not None else None,
        "make_first": [
            {"formula": items[formula].code, "batch_g": quantity_out(finding.needs.batches[formula], "g")}
            for formula in finding.needs.first
        ],
        "makeable_units": makeable,
        "making_day": finding.day,
        "ready_on": finding.ready_on,
        "by": body.by,
        "order": body.order,
        "warnings": [],
        "cost": money_out(costs.total([cost for _, cost in needs])) if finding.enough else None,
    }


def _in_order(finding: Finding, items: dict[int, ItemRow]) -> list[int]:
    return sorted(finding.needs.materials, key=lambda item: (item not in finding.short, items[item].code))


def _need(
    finding: Finding, there: Stock, items: dict[int, ItemRow], item: int, rows: dict[int, Any]
) -> tuple[dict[str, Any], int | None]:
    """One material's line, and what the lots that would be used cost (None: unknown)."""
    unit, needed = items[item].unit, finding.needs.materials[item]
    unstocked = item in there.unstocked
    drawn = draw.draw(there.lots.get(item, ()), 0 if unstocked else needed, finding.day)
    cost = costs.total([_cost(rows[take.lot_id], take.quantity) for take in drawn.takes])
    shown = {
        "material": items[item].code,
        "needed": quantity_out(needed, unit),
        "available": quantity_out(needed if unstocked else finding.available[item], unit),
        "claimed": quantity_out(there.claimed.get(item, 0), unit),
        "short": quantity_out(finding.short.get(item, 0), unit),
        "lots": [{"lot": rows[take.lot_id].code, "quantity": quantity_out(take.quantity, unit)} for take in drawn.takes],
    }
    return shown, 0 if unstocked else cost


def _cost(row: Any, quantity: int) -> int | None:
    left = costs.worth(row.cost_micro, row.on_hand - quantity, row.quantity)
    return None if left is None else row.cost_left_micro - left


def _want_out(finding: Finding, reached: Catalogue, item: ItemRow, quantity: int) -> dict[str, Any]:
    product = item.kind == "product"
    formula = reached.products[item.id].formula if product else item.id
    from_bulk = finding.needs.from_bulk[formula] if formula is not None else 0
    return {
        "product": item.code if product else None,
        "formula": None if product else item.code,
        "units": quantity if product else None,
        "batch_g": None if product else quantity_out(quantity, "g"),
        "from_finished": min(quantity, finding.needs.from_finished[item.id]) if product else 0,
        "from_bulk": quantity_out(from_bulk, "g"),
        "to_make": max(0, quantity - finding.needs.from_finished[item.id]) if product else quantity_out(quantity, "g"),
        "making_day": finding.day,
        "ready_on": finding.ready_on,
    }


def _sentence(
    scope: Scope, body: CheckIn, wanted: list[tuple[ItemRow, int]], finding: Finding, items: dict[int, ItemRow],
    limit: int | None, makeable: dict[str, int], enough: bool,
) -> str:  # fmt: skip
    what = " and ".join(
        f"{quantity} of {item.name}" if item.kind == "product" else f"{said(quantity, 'g')} of {item.name}"
        for item, quantity in wanted[:3]
    )
    what += f" and {len(wanted) - 3} more" if len(wanted) > 3 else ""
    if enough:
        return f"Yes, there is enough for {what}{_when(scope, body, finding)}."
    if finding.short:
        worst = limit if limit is not None and limit in finding.short else next(iter(finding.short))
        lacking = f"{said(finding.short[worst], items[worst].unit)} of {items[worst].name.lower()}"
        more = f" and {len(finding.short) - 1} more" if len(finding.short) > 1 else ""
        most = f"; {makeable[wanted[0][0].code]} can be made" if len(wanted) == 1 and wanted[0][0].code in makeable else ""
        return f"No, for {what} the workshop is short of {lacking}{more}{most}."
    return f"There is enough for {what}, but it would be ready on {_said(finding.ready_on)}, after {_said(body.by)}."


def _when(scope: Scope, body: CheckIn, finding: Finding) -> str:
    if not finding.needs.batches and not finding.needs.to_make:
        return ": it is on the shelf"
    if body.by is None:
        rests = finding.ready_on is not None and finding.ready_on > scope.today
        return f", ready on {_said(finding.ready_on)}" if rests else ""
    if finding.day == scope.today:
        return ""
    return f", if made by {_said(finding.day)}"


def _said(day: date | None) -> str:
    return "" if day is None else f"{day.day} {day.strftime('%B %Y')}"
