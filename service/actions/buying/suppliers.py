"""Suppliers: whom the workshop buys from, on which terms, and how long they take."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying import taught
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.buying.offers import Terms
from service.core.units import NANO, exchanged, money_in, money_out, rate_in, rate_out
from service.errors import CodeTaken, Conflict, FieldError, Invalid, NotFound
from service.shapes.buying import SupplierIn, SupplierPatch
from service.store import suppliers

MONEY = {"delivery_charge": "delivery_micro", "free_delivery_from": "free_from_micro", "smallest_order": "smallest_micro"}
PLAIN = ("name", "currency", "lead_time_days", "review_days", "notes", "active")
OPTIONAL = ("rate", "free_delivery_from", "lead_time_days", "notes")


def create(scope: Scope, body: SupplierIn) -> dict[str, Any]:
    """A new supplier; its currency is the workshop's where none is given."""
    if suppliers.by_code(scope.connection, scope.workshop.id, body.code) is not None:
        error = FieldError("is taken", "#/code", given=body.code)
        raise CodeTaken(f"there is a supplier '{body.code}' already", errors=[error])
    values = _columns({name: getattr(body, name) for name in type(body).model_fields if name != "code"})
    values["currency"] = body.currency or scope.workshop.currency
    _check_rate(scope, values["currency"], values["rate_nano"])
    suppliers.add(scope.connection, scope.workshop.id, {"id": scope.new_id(), "code": body.code, **values})
    return show(scope, body.code)


def _columns(told: dict[str, Any]) -> dict[str, Any]:
    values = {name: told[name] for name in PLAIN if name in told}
    for name, column in MONEY.items():
        if name in told:
            values[column] = None if told[name] is None else money_in(told[name], f"#/{name}")
    if "rate" in told:
        values["rate_nano"] = None if told["rate"] is None else rate_in(told["rate"], "#/rate")
    return values


def _check_rate(scope: Scope, currency: str, rate: int | None) -> None:
    if currency == scope.workshop.currency and rate not in (None, NANO):
        raise Invalid.field("#/rate", "is 1 in the workshop's own currency", str(rate_out(rate)), "1, or null")


def edit(scope: Scope, code: str, patch: SupplierPatch) -> dict[str, Any]:
    """Change what was sent; the currency only while nothing is priced in it."""
    row = supplier_of(scope, code)
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name, value in sent.items():
        if value is None and name not in OPTIONAL:
            raise Invalid.field(f"#/{name}", "must not be null")
    currency = sent.get("currency", row.currency)
    if currency != row.currency and suppliers.has_dealings(scope.connection, scope.workshop.id, row.id):
        raise Conflict(
            f"the currency of {row.name} is fixed: there are offers or orders in {row.currency}", currency=row.currency
        )
    values = _columns(sent)
    _check_rate(scope, currency, values.get("rate_nano", row.rate_nano))
    if values:
        suppliers.change(scope.connection, scope.workshop.id, row.id, values)
    return show(scope, code)


def supplier_of(scope: Scope, code: str, pointer: str | None = None) -> Row[Any]:
    """A supplier by its code; 404 names the field it stood in."""
    row = suppliers.by_code(scope.connection, scope.workshop.id, code)
    if row is None:
        errors = [papers.not_there(pointer, code)] if pointer else []
        raise NotFound(f"there is no supplier '{code}'", errors=errors)
    return row


def terms(row: Row[Any], rate_nano: int = NANO, code: str | None = None) -> Terms:
    """A supplier's conditions at a rate; of an offer's row, which has them too, with the supplier's `code`."""
    free = None if row.free_from_micro is None else exchanged(row.free_from_micro, rate_nano)
    charge, smallest = exchanged(row.delivery_micro, rate_nano), exchanged(row.smallest_micro, rate_nano)
    return Terms(code or row.code, charge, free, smallest)


def rate_of(scope: Scope, row: Row[Any]) -> int | None:
    """Billionths of the workshop's currency for one of the supplier's; None: not known."""
    rate: int | None = NANO if row.currency == scope.workshop.currency else row.rate_nano
    return rate


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A supplier and its lead times."""
    return _shown(scope, [supplier_of(scope, code)])[0]


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Suppliers by code."""
    rows = suppliers.page(scope.connection, scope.workshop.id, after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit, "code")


def _shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    leads = taught.lead_times(scope, rows)
    return [
        {
            "code": row.code,
            **{name: getattr(row, name) for name in PLAIN},
            "rate": rate_out(rate_of(scope, row)),
            **{name: money_out(getattr(row, column)) for name, column in MONEY.items()},
            "lead_times": taught.shown(leads[row.id]),
        }
        for row in rows
    ]
