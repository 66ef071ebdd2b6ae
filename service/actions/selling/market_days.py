"""A market day without a list of orders: one total a product, shipped at once; it is demand of the channel `market`."""

from datetime import date
from typing import Any

from service.actions import papers
from service.actions.scope import Scope
from service.actions.selling import orders as order_acts
from service.actions.selling import shipments
from service.shapes.orders import MarketDayIn
from service.store import orders


def record(scope: Scope, body: MarketDayIn) -> dict[str, Any]:
    """Take the day's totals out of finished stock, and keep them as an order of that day."""
    when = papers.happened(scope, body.day, "#/day")
    lines = order_acts.order_lines(scope, body.lines)
    reference = _reference(scope, when[0])
    facts = {"note": body.note, "market_day": True}
    order_acts.add(scope, reference, "market", None, when[0], when[0], lines, facts)
    order = order_acts.order_of(scope, reference, lock=True)
    wanted = [(n, line["item_id"], line["units"]) for n, line in enumerate(lines, 1)]
    return shipments.ship(scope, order, wanted, body.lots, when, when[0], [], body.note)


def _reference(scope: Scope, day: date) -> str:
    """`market-2027-05-08`; a second market of the day gets a number behind it."""
    first = reference = f"market-{day}"
    number = 1
    while orders.by_reference(scope.connection, scope.workshop.id, reference) is not None:
        number += 1
        reference = f"{first}-{number}"
    return reference
