"""Receipts: a delivery becomes a lot."""

from typing import Any

from sqlalchemy import Row

from service.actions import papers, receiving
from service.actions.buying import ordered, purchase_orders
from service.actions.paging import onward
from service.actions.receiving import Arrival
from service.actions.scope import Scope
from service.core.units import money_in, said_out
from service.errors import NotFound
from service.shapes.papers import ReceiptIn
from service.store import items, purchases
from service.store import papers as paper_store


def record(scope: Scope, body: ReceiptIn) -> dict[str, Any]:
    """Book a delivery of one lot, for a line of a purchase order where it names one."""
    against = None if body.purchase_order is None else ordered.against(scope, body.purchase_order, "#/purchase_order")
    item = papers.item_of(scope, body.material, "#/material", "ingredient", "packaging")
    unit = body.unit or item.unit
    quantity = receiving.quantity_of(item, body.quantity, unit, "#/quantity")
    when = papers.happened(scope, body.received_on, "#/received_on")
    cost = money_in(body.cost, "#/cost") if body.cost is not None else None
    came = Arrival(item, quantity, receiving.given(body.quantity, unit), cost, when, body, body.supplier)
    if against is None:
        return receiving.book(scope, came)[0]
    against.must_be_placed(when[0], "#/received_on")
    line = against.line_of(item, body.line, "#/line")
    answer, paper = receiving.book(scope, ordered.of_line(scope, against, line, came, body.close))
    purchases.link(scope.connection, scope.workshop.id, paper, against.order.id, line.n, None, body.close)
    purchase_orders.follow(scope, against.order)
    return answer


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A receipt as it stands: as recorded, or as its last correction says."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "receipt")
    if row is None:
        raise NotFound(f"there is no receipt '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Receipts, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["receipt"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    """What was told, with what corrections changed; the first statement is kept in `first`."""
    gone = papers.reversed_codes(scope, rows)
    again = paper_store.restating(scope.connection, scope.workshop.id, [row.id for row in rows])
    found = []
    for row in rows:
        told, codes = papers.facts_of(row), []
        first = dict(told)
        for correction in again.get(row.id, []):
            told |= papers.facts_of(correction)["set"]
            codes.append(correction.code)
        told = papers.UNLINKED | receiving.UNBOUGHT | told
        told.setdefault("lots", [told["lot"]])  # of older books
        told |= {"reversed": row.code in gone, "corrections": codes, "moved": []}
        changed = {name: value for name, value in first.items() if told[name] != value} if codes else None
        found.append(told | {"first": changed})
    return _said_now(scope, found)


def _said_now(scope: Scope, shown: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A corrected quantity is the one that is said."""
    other = [one for one in shown if one["first"] and "quantity" in one["first"]]
    known = items.by_codes(scope.connection, scope.workshop.id, {one["material"] for one in other})
    for one in other:
        item = known[one["material"]]
        one["first"]["sentence"] = one["sentence"]
        one["sentence"] = receiving.sentence(item, said_out(one["quantity"], item.unit), one["lots"])
    return shown
