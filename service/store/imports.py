"""Imported orders: which are there already, and many new rows at once (tuples straight to the driver)."""

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, Table, bindparam, select

from service.store.prepared import Prepared
from service.store.tables import Item, Order, OrderLine

ORDER = Order.__table__  # type: ignore[attr-defined]
LINE = OrderLine.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
ORDER_COLUMNS = ("workshop_id", "id", "reference", "channel", "customer", "placed_on", "due_on", "state", "recorded_at",
                 "recorded_by", "facts")  # fmt: skip
LINE_COLUMNS = ("workshop_id", "order_id", "n", "item_id", "units", "unit_price_micro", "imported")

_KNOWN = Prepared(
    lambda references: select(ORDER.c.id, ORDER.c.reference, ORDER.c.state).where(
        ORDER.c.workshop_id == bindparam("workshop"), ORDER.c.reference.in_(references)
    ),
    "references",
)
_LINES = Prepared(
    lambda orders: select(LINE.c.order_id, LINE.c.n, LINE.c.item_id, LINE.c.imported).where(
        LINE.c.workshop_id == bindparam("workshop"), LINE.c.order_id.in_(orders)
    ),
    "orders",
)


def known(connection: Connection, workshop: int, references: Collection[str]) -> dict[str, Row[Any]]:
    """Orders by reference: id and state."""
    if not references:
        return {}
    return {row.reference: row for row in _KNOWN.rows(connection, {"workshop": workshop, "references": sorted(references)})}


def lines_of(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """The lines of these orders: order, number, product, whether imported."""
    if not orders:
        return []
    return _LINES.rows(connection, {"workshop": workshop, "orders": sorted(orders)})


def add(connection: Connection, orders: Sequence[tuple[Any, ...]], lines: Sequence[tuple[Any, ...]]) -> None:
    """New orders and lines, each a tuple in the order of `ORDER_COLUMNS` and `LINE_COLUMNS`."""
    if orders:
        connection.exec_driver_sql(_insert(connection, ORDER, ORDER_COLUMNS), list(orders))
    if lines:
        connection.exec_driver_sql(_insert(connection, LINE, LINE_COLUMNS), list(lines))


def many_added(connection: Connection) -> None:
    """Let PostgreSQL count anew what was added: with the figures of before, its plans take a workshop for empty.

    Populating a Database, PostgreSQL documentation, 14.4.8: run ANALYZE afterwards. SQLite plans without counts here.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f'ANALYZE (SKIP_LOCKED) "{ORDER.name}", "{LINE.name}"')


def _insert(connection: Connection, table: Table, columns: Sequence[str]) -> str:
    place = "?" if connection.dialect.name == "sqlite" else "%s"
    return f'INSERT INTO "{table.name}" ({", ".join(columns)}) VALUES ({", ".join([place] * len(columns))})'


def stored_day(connection: Connection, value: date) -> Any:
    """A day as the driver takes it."""
    return value.isoformat() if connection.dialect.name == "sqlite" else value


def stored_moment(connection: Connection, value: datetime) -> Any:
    """A time (UTC) as the driver takes it."""
    return value.strftime("%Y-%m-%d %H:%M:%S.%f") if connection.dialect.name == "sqlite" else value


def product_names(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every product's id, code and name."""
    wanted = (ITEM.c.workshop_id == workshop) & (ITEM.c.kind == "product")
    return list(connection.execute(select(ITEM.c.id, ITEM.c.code, ITEM.c.name).where(wanted).order_by(ITEM.c.code)))
