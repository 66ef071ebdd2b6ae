"""Deliveries that are expected, as the calendar shows them."""

from dataclasses import dataclass
from datetime import date

from service.actions.scope import Scope


@dataclass(frozen=True, slots=True)
class Arriving:
    """A placed purchase order that has not come in full."""

    code: str
    supplier: str
    expected_on: date


def purchase_orders(scope: Scope) -> list[Arriving]:
    """Placed purchase orders with the day each is expected."""
    return []
