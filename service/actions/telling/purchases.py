"""Purchase orders that are awaited, as alerts and the calendar see them."""

from service.actions.buying import awaited
from service.actions.scope import Scope
from service.core.alerts.facts import Purchase


def placed_orders(scope: Scope) -> list[Purchase]:
    """The placed purchase orders that have not come in full."""
    return [Purchase(one.code, one.supplier_name, one.expected_on) for one in awaited.placed(scope)]
