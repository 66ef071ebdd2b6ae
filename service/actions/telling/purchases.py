"""What is on order, as the alerts see it."""

from service.actions.buying import awaited
from service.actions.scope import Scope
from service.core.alerts.facts import Purchase
from service.store import items, purchases


def placed_orders(scope: Scope) -> list[Purchase]:
    """The placed purchase orders that have not come in full, each with the materials still to come of it."""
    lines = purchases.awaited_lines(scope.connection, scope.workshop.id)
    codes = {
        item.id: item.code for item in items.by_ids(scope.connection, scope.workshop.id, {row.item_id for row in lines}).values()
    }
    still: dict[str, dict[str, None]] = {}
    for row in lines:
        still.setdefault(row.code, {})[codes[row.item_id]] = None
    return [
        Purchase(one.code, one.supplier_name, one.expected_on, tuple(still.get(one.code, ()))) for one in awaited.placed(scope)
    ]
