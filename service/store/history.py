"""What was ordered, day by day, and what the finished stock did: the columns a forecast starts from."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, func, select

from service.store.tables import CalendarMark, Document, Item, Lot, Movement, Order, OrderLine

ORDER = Order.__table__  # type: ignore[attr-defined]
LINE = OrderLine.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
MARK = CalendarMark.__table__  # type: ignore[attr-defined]

WANTED = func.coalesce(ORDER.c.due_on, ORDER.c.placed_on).label("day")  # the day demand is for
_OF_ORDER = (ORDER.c.workshop_id == LINE.c.workshop_id) & (ORDER.c.id == LINE.c.order_id)


def daily(connection: Connection, workshop: int, until: date) -> list[Row[Any]]:
    """Units ordered of each product in each channel on each day before `until`, cancelled orders left out; by product.

    With the number of lines, the sum of their squares and the largest, from which huge orders are found.
    """
    sums = (
        func.sum(LINE.c.units).label("units"), func.count().label("lines"),
        func.sum(LINE.c.units * LINE.c.units).label("squares"), func.max(LINE.c.units).label("largest"),
    )  # fmt: skip
    statement: Any = (
        select(LINE.c.item_id, ORDER.c.channel, WANTED, *sums)
        .join(ORDER, _OF_ORDER)
        .where(LINE.c.workshop_id == workshop, ORDER.c.state != "cancelled", until > WANTED)
        .group_by(LINE.c.item_id, ORDER.c.channel, WANTED)
        .order_by(LINE.c.item_id, ORDER.c.channel, WANTED)
    )
    return list(connection.execute(statement))


def lines_on(connection: Connection, workshop: int, item: int, days: Collection[date]) -> list[Row[Any]]:
    """The order lines of a product on some days: reference, channel, day, units."""
    if not days:
        return []
    statement: Any = (
        select(ORDER.c.reference, ORDER.c.channel, WANTED, LINE.c.units)
        .join(ORDER, _OF_ORDER)
        .where(LINE.c.workshop_id == workshop, LINE.c.item_id == item, ORDER.c.state != "cancelled", WANTED.in_(sorted(days)))
        .order_by(LINE.c.order_id, LINE.c.n)
    )
    return list(connection.execute(statement))


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


def channels(connection: Connection, workshop: int, orders: Collection[int]) -> dict[int, str]:
    """The channel of each of these orders."""
    if not orders:
        return {}
    wanted = (ORDER.c.workshop_id == workshop) & ORDER.c.id.in_(sorted(orders))
    return {row.id: row.channel for row in connection.execute(select(ORDER.c.id, ORDER.c.channel).where(wanted))}


def marks(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every mark on the calendar, by its first day."""
    return list(connection.execute(select(MARK).where(MARK.c.workshop_id == workshop).order_by(MARK.c.from_on, MARK.c.id)))
