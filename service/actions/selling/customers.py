"""Customers: the terms on which shops take what they ordered."""

from typing import Any

from service.actions.scope import Scope
from service.core.units import money_in, money_out
from service.errors import Invalid, NotFound
from service.shapes.orders import CustomerPatch
from service.store import customers

TERMS: dict[str, Any] = {"transit_days": 0, "min_life_days": 0, "smallest_order_micro": None}  # of whom nothing was said


def terms_of(scope: Scope, customer: str | None) -> dict[str, Any]:
    """A customer's terms; those of whom nothing was said are none."""
    return all_terms(scope, {customer} if customer is not None else set()).get(customer, TERMS)


def all_terms(scope: Scope, names: set[str]) -> dict[str | None, dict[str, Any]]:
    """The terms of these customers."""
    said = customers.terms(scope.connection, scope.workshop.id, names)
    return {name: {key: getattr(said[name], key) for key in TERMS} if name in said else TERMS for name in names}


def show(scope: Scope, customer: str) -> dict[str, Any]:
    """A customer that an order names, or of whom something was said."""
    said = customers.terms(scope.connection, scope.workshop.id, [customer])
    if not said and not customers.known(scope.connection, scope.workshop.id, customer):
        raise NotFound(f"there is no customer '{customer}'")
    return _shown(scope, [customer])[0]


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Customers by name."""
    names = customers.names(scope.connection, scope.workshop.id, after, limit + 1)
    return _shown(scope, names[:limit]), names[limit - 1] if len(names) > limit else None


def _shown(scope: Scope, names: list[str]) -> list[dict[str, Any]]:
    terms = all_terms(scope, set(names))
    open_ = customers.open_orders(scope.connection, scope.workshop.id, names)
    return [
        {
            "customer": name,
            "transit_days": terms[name]["transit_days"],
            "min_life_days": terms[name]["min_life_days"],
            "smallest_order": money_out(terms[name]["smallest_order_micro"]),
            "open_orders": open_[name],
        }
        for name in names
    ]


def edit(scope: Scope, customer: str, patch: CustomerPatch) -> dict[str, Any]:
    """Say a customer's terms; only what is sent changes, also of one that no order names yet."""
    values = dict(terms_of(scope, customer))
    for name in ("transit_days", "min_life_days"):
        if name in patch.model_fields_set:
            if getattr(patch, name) is None:
                raise Invalid.field(f"#/{name}", "must not be null")
            values[name] = getattr(patch, name)
    if "smallest_order" in patch.model_fields_set:
        worth = patch.smallest_order
        values["smallest_order_micro"] = None if worth is None else money_in(worth, "#/smallest_order")
    customers.say(scope.connection, scope.workshop.id, customer, values)
    return _shown(scope, [customer])[0]
