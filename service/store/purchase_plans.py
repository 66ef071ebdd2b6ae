"""Purchase plans as they were answered."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

from service.store.tables import Document, Order, PurchaseOrder, PurchasePlan

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ORDER = Order.__table__  # type: ignore[attr-defined]
PLAN = PurchasePlan.__table__  # type: ignore[attr-defined]
PURCHASE = PurchaseOrder.__table__  # type: ignore[attr-defined]


def add(connection: Connection, workshop: int, values: dict[str, Any]) -> None:
    """A new plan; nothing is ordered by it yet."""
    connection.execute(insert(PLAN), {**values, "orders": "[]", "workshop_id": workshop})


def by_code(connection: Connection, workshop: int, code: str, lock: bool = False) -> Row[Any] | None:
    """A plan by its code; `lock` holds it until the end of the act."""
    statement = select(PLAN).where(PLAN.c.workshop_id == workshop, PLAN.c.code == code)
    return connection.execute(statement.with_for_update() if lock else statement).first()


def page(connection: Connection, workshop: int, after: int | None, limit: int) -> list[Row[Any]]:
    """Plans, newest first."""
    told = [PLAN.c.workshop_id == workshop]
    told += [PLAN.c.id < after] if after is not None else []
    return list(connection.execute(select(PLAN).where(*told).order_by(PLAN.c.id.desc()).limit(limit)))


def ordered(connection: Connection, workshop: int, plan: int, orders: Sequence[str]) -> None:
    """Note the purchase orders that were drafted from a plan."""
    connection.execute(
        update(PLAN).where(PLAN.c.workshop_id == workshop, PLAN.c.id == plan).values(orders=json.dumps(list(orders)))
    )


def newest(connection: Connection, workshop: int) -> tuple[int, int, int]:
    """The newest paper, order and purchase order: whether anything was recorded since."""
    parts = [
        select(func.coalesce(func.max(table.c.id), 0)).where(table.c.workshop_id == workshop).scalar_subquery()
        for table in (DOCUMENT, ORDER, PURCHASE)
    ]
    found = connection.execute(select(*parts)).one()
    return int(found[0]), int(found[1]), int(found[2])
