"""Customers: the terms that a person said of some of them; others are only named by orders."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select

from service.store.tables import Customer, Order

CUSTOMER = Customer.__table__  # type: ignore[attr-defined]
ORDER = Order.__table__  # type: ignore[attr-defined]


def terms(connection: Connection, workshop: int, names: Collection[str]) -> dict[str, Row[Any]]:
    """What was said of these customers."""
    if not names:
        return {}
    found = connection.execute(select(CUSTOMER).where(CUSTOMER.c.workshop_id == workshop, CUSTOMER.c.customer.in_(sorted(names))))
    return {row.customer: row for row in found}


def say(connection: Connection, workshop: int, customer: str, values: dict[str, Any]) -> None:
    """Note a customer's terms."""
    connection.execute(delete(CUSTOMER).where(CUSTOMER.c.workshop_id == workshop, CUSTOMER.c.customer == customer))
    connection.execute(insert(CUSTOMER), {"workshop_id": workshop, "customer": customer, **values})


def names(connection: Connection, workshop: int, after: str | None, limit: int) -> list[str]:
    """Customers that orders name or that something was said of, by name."""
    of_orders = select(ORDER.c.customer.label("customer")).where(ORDER.c.workshop_id == workshop, ORDER.c.customer.is_not(None))
    both = of_orders.union(select(CUSTOMER.c.customer).where(CUSTOMER.c.workshop_id == workshop)).subquery()
    statement = select(both.c.customer).order_by(both.c.customer).limit(limit)
    if after is not None:
        statement = statement.where(both.c.customer > after)
    return [row.customer for row in connection.execute(statement)]


def known(connection: Connection, workshop: int, customer: str) -> bool:
    """Whether an order names this customer."""
    wanted = (ORDER.c.workshop_id == workshop) & (ORDER.c.customer == customer)
    return connection.execute(select(ORDER.c.id).where(wanted).limit(1)).first() is not None


def open_orders(connection: Connection, workshop: int, customers: Collection[str]) -> dict[str, list[str]]:
    """The references of these customers' open orders."""
    wanted = [ORDER.c.workshop_id == workshop, ORDER.c.customer.in_(sorted(customers)),
              ORDER.c.state.in_(("open", "partly_shipped"))]  # fmt: skip
    found: dict[str, list[str]] = {customer: [] for customer in customers}
    for row in connection.execute(select(ORDER.c.customer, ORDER.c.reference).where(*wanted).order_by(ORDER.c.id)):
        found[row.customer].append(row.reference)
    return found
