"""What was ordered, day by day, and what the finished stock did: the columns a forecast starts from."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, func, select, true, tuple_

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


TRANSIT = case((ORDER.c.due_on.is_(None), 0), else_=func.coalesce(CUSTOMER.c.transit_days, 0))


def _asked(*only: Any, whole: bool = False) -> Any:
    """What each order asks for of each product, however many lines it was written in (or in all); with its channel and days.

    Orders that are cancelled or one-off are left out. Tables are joined before they are summed: what is summed has no index, and
    a planner that expects few rows of a workshop would go through all of it for each order.
    """
    item = func.count(LINE.c.item_id.distinct()).label("products") if whole else LINE.c.item_id
    its: Any = (  # of the order: the same on all of its lines
        func.max(ORDER.c.channel).label("channel"), func.max(WANTED).label("day"), func.max(TRANSIT).label("transit"),
    )  # fmt: skip
    return (
        select(LINE.c.order_id, item, func.sum(LINE.c.units).label("units"), *its)
        .join(ORDER, (ORDER.c.workshop_id == LINE.c.workshop_id) & (ORDER.c.id == LINE.c.order_id))
        .outerjoin(CUSTOMER, (CUSTOMER.c.workshop_id == ORDER.c.workshop_id) & (CUSTOMER.c.customer == ORDER.c.customer))
        .where(LINE.c.workshop_id == bindparam("workshop"), ORDER.c.state != "cancelled", ORDER.c.one_off.isnot(true()), *only)
        .group_by(LINE.c.order_id, *(() if whole else (LINE.c.item_id,)))
        .subquery("asked")
    )


_UNTIL: Any = bindparam("until")


def _daily() -> Any:
    asked = _asked(_UNTIL > WANTED)
    units, by = asked.c.units, (asked.c.item_id, asked.c.channel, asked.c.day, asked.c.transit)
    sums = (
        func.sum(units).label("units"), func.count().label("orders"), func.sum(units * units).label("squares"),
        func.max(units).label("largest"),
    )  # fmt: skip
    return select(*by, *sums).group_by(*by).order_by(*by)


def _largest_orders() -> Any:
    whole = _asked(_UNTIL > WANTED, whole=True)
    units, of_channel = whole.c.units, {"partition_by": whole.c.channel}
    ranked = select(
        whole,
        func.row_number().over(**of_channel, order_by=(units.desc(), whole.c.order_id)).label("place"),
        func.count().over(**of_channel).label("orders"),
        func.sum(units).over(**of_channel).label("total"),
        func.sum(units * units).over(**of_channel).label("squares"),
    ).subquery("ranked")
    return select(ranked).where(ranked.c.place <= 2).order_by(ranked.c.channel, ranked.c.place)


_DAILY, _LARGEST = Prepared(_daily()), Prepared(_largest_orders())


def daily(connection: Connection, workshop: int, until: date) -> list[Row[Any]]:
    """Units asked for of each product in each channel on each day before `until`, by product and channel.

    With the number of orders, the sum of their squares and the largest, from which huge ones are found. Goods left `transit`
    days before the day.
    """
    return _DAILY.rows(connection, {"workshop": workshop, "until": until})


def longest_transit(connection: Connection, workshop: int) -> int:
    """The most days that goods are on their way to any customer."""
    found = connection.execute(select(func.max(CUSTOMER.c.transit_days)).where(CUSTOMER.c.workshop_id == workshop)).scalar()
    return found or 0


def asked_on(connection: Connection, workshop: int, wanted: Collection[tuple[int, str, date]]) -> list[Row[Any]]:
    """What orders asked for of a product in a channel on a day, for each of these; the largest first."""
    if not wanted:
        return []
    asked = _asked(LINE.c.item_id.in_(sorted({item for item, _, _ in wanted})))
    mine = tuple_(asked.c.item_id, asked.c.channel, asked.c.day).in_(sorted(wanted))
    statement: Any = select(asked).where(mine).order_by(asked.c.units.desc(), asked.c.order_id)
    return list(connection.execute(statement, {"workshop": workshop}))


def largest_orders(connection: Connection, workshop: int, until: date) -> list[Row[Any]]:
    """The two orders of each channel that ask for most units in all, beside the number, sum and sum of squares of all of them."""
    return _LARGEST.rows(connection, {"workshop": workshop, "until": until})


def asked_by(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """What these orders ask for of each product."""
    if not orders:
        return []
    statement = select(_asked(LINE.c.order_id.in_(sorted(orders))))
    return list(connection.execute(statement, {"workshop": workshop}))


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
