"""What was ordered, and what the finished stock did: the columns a forecast starts from."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, Text, bindparam, case, cast, func, literal_column, select, true

from service.core.demand.entries import Lines, Orders
from service.store.prepared import Prepared
from service.store.tables import Customer, Document, Item, Lot, Movement, Order, OrderLine

ORDER = Order.__table__  # type: ignore[attr-defined]
LINE = OrderLine.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
CUSTOMER = Customer.__table__  # type: ignore[attr-defined]

WANTED = func.coalesce(ORDER.c.due_on, ORDER.c.placed_on).label("day")  # the day demand is for
TRANSIT = case((ORDER.c.due_on.is_(None), 0), else_=func.coalesce(CUSTOMER.c.transit_days, 0)).label("transit")
_WORKSHOP: Any = bindparam("workshop")
_UNTIL: Any = bindparam("until")


def _orders(joined: Any) -> Any:
    """The orders of each channel, day and transit."""
    by = (ORDER.c.channel, WANTED, TRANSIT)
    customers = (CUSTOMER.c.workshop_id == ORDER.c.workshop_id) & (CUSTOMER.c.customer == ORDER.c.customer)
    counted = (ORDER.c.state != "cancelled") & ORDER.c.one_off.isnot(true()) & (_UNTIL > WANTED)
    told: Any = select(*by, ORDER.c.id).outerjoin(CUSTOMER, customers).where(ORDER.c.workshop_id == _WORKSHOP, counted)
    some = told.order_by(*by, ORDER.c.id).subquery("told")
    groups = (some.c.channel, some.c.day, some.c.transit)
    return select(*groups, _text(joined, some.c.id)).group_by(*groups).order_by(*groups)


def _lines(joined: Any) -> Any:
    """Every line of a workshop, as one text a column."""
    kept = (LINE.c.order_id, LINE.c.item_id, LINE.c.units)
    told = select(*kept).where(LINE.c.workshop_id == _WORKSHOP).order_by(LINE.c.order_id, LINE.c.n).subquery("told")
    return select(*(_text(joined, column) for column in told.c))


def _text(joined: Any, column: Any) -> Any:
    """Many numbers as one text: to fetch each as a value of its own takes twice as long."""
    return joined(cast(column, Text), literal_column("','")).label(column.key)


_JOINED = {"sqlite": func.group_concat, "postgresql": func.string_agg}
_ORDERS = {name: Prepared(_orders(joined)) for name, joined in _JOINED.items()}
_LINES = {name: Prepared(_lines(joined)) for name, joined in _JOINED.items()}


def orders(connection: Connection, workshop: int, until: date) -> list[Orders]:
    """Orders wanted before `until` that are neither cancelled nor one-off."""
    rows = _ORDERS[connection.dialect.name].rows(connection, {"workshop": workshop, "until": until})
    return [Orders(row.channel, row.day, row.transit, row.id) for row in rows]


def lines(connection: Connection, workshop: int) -> Lines:
    """What all orders of the workshop ask for."""
    [told] = _LINES[connection.dialect.name].rows(connection, {"workshop": workshop})
    return Lines(*(text or "" for text in told))


def longest_transit(connection: Connection, workshop: int) -> int:
    """The most days that goods are on their way to any customer."""
    found = connection.execute(select(func.max(CUSTOMER.c.transit_days)).where(CUSTOMER.c.workshop_id == workshop)).scalar()
    return found or 0


def finished_moves(connection: Connection, workshop: int) -> list[Row[Any]]:
    """What the stock of finished products changed by on each day, unbooked stock left out; by product and day."""
    statement: Any = (
        select(LOT.c.item_id, DOCUMENT.c.happened_on, func.sum(MOVEMENT.c.quantity).label("quantity"))
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id))
        .join(ITEM, (ITEM.c.workshop_id == LOT.c.workshop_id) & (ITEM.c.id == LOT.c.item_id))
        .where(MOVEMENT.c.workshop_id == workshop, ITEM.c.kind == "product", LOT.c.id != LOT.c.item_id)
        .group_by(LOT.c.item_id, DOCUMENT.c.happened_on)
        .order_by(LOT.c.item_id, DOCUMENT.c.happened_on)
    )
    return list(connection.execute(statement))


def products(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every product, in the order they were made: id, code, name, active, facts."""
    columns = (ITEM.c.id, ITEM.c.code, ITEM.c.name, ITEM.c.active, ITEM.c.facts)
    wanted = (ITEM.c.workshop_id == workshop) & (ITEM.c.kind == "product")
    return list(connection.execute(select(*columns).where(wanted).order_by(ITEM.c.id)))


def kinds(connection: Connection, workshop: int, orders: Collection[int]) -> dict[int, Row[Any]]:
    """The channel of each of these orders, and whether it is one-off."""
    if not orders:
        return {}
    wanted = (ORDER.c.workshop_id == workshop) & ORDER.c.id.in_(sorted(orders))
    return {row.id: row for row in connection.execute(select(ORDER.c.id, ORDER.c.channel, ORDER.c.one_off).where(wanted))}
