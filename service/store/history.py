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


def _asked(*only: Any) -> Any:
    """What each order asks for of each product, however many lines it was written in."""
    return (
        select(LINE.c.workshop_id, LINE.c.order_id, LINE.c.item_id, func.sum(LINE.c.units).label("units"))
        .where(LINE.c.workshop_id == bindparam("workshop"), *only)
        .group_by(LINE.c.workshop_id, LINE.c.order_id, LINE.c.item_id)
        .subquery("asked")
    )


def _its_order(asked: Any) -> Any:
    return (ORDER.c.workshop_id == asked.c.workshop_id) & (ORDER.c.id == asked.c.order_id)


_TERMS = (CUSTOMER.c.workshop_id == ORDER.c.workshop_id) & (CUSTOMER.c.customer == ORDER.c.customer)
_LEARNT = (ORDER.c.state != "cancelled") & ORDER.c.one_off.isnot(true())
_UNTIL: Any = bindparam("until")
TRANSIT = case((ORDER.c.due_on.is_(None), 0), else_=func.coalesce(CUSTOMER.c.transit_days, 0)).label("transit")


def _daily() -> Any:
    asked = _asked()
    units = asked.c.units
    sums = (
        func.sum(units).label("units"), func.count().label("orders"), func.sum(units * units).label("squares"),
        func.max(units).label("largest"),
    )  # fmt: skip
    return (
        select(asked.c.item_id, ORDER.c.channel, WANTED, TRANSIT, *sums)
        .join(ORDER, _its_order(asked))
        .outerjoin(CUSTOMER, _TERMS)
        .where(ORDER.c.workshop_id == bindparam("workshop"), _LEARNT, _UNTIL > WANTED)
        .group_by(asked.c.item_id, ORDER.c.channel, WANTED, TRANSIT)
        .order_by(asked.c.item_id, ORDER.c.channel, WANTED, TRANSIT)
    )


_DAILY = Prepared(_daily())


def daily(connection: Connection, workshop: int, until: date) -> list[Row[Any]]:
    """Units asked for of each product in each channel on each day before `until`, by product and channel.

    Orders that are cancelled or one-off are left out. With the number of orders, the sum of their squares and the largest, from
    which huge ones are found. Goods left `transit` days before the day.
    """
    return _DAILY.rows(connection, {"workshop": workshop, "until": until})


def longest_transit(connection: Connection, workshop: int) -> int:
    """The most days that goods are on their way to any customer."""
    found = connection.execute(select(func.max(CUSTOMER.c.transit_days)).where(CUSTOMER.c.workshop_id == workshop)).scalar()
    return found or 0


_NAMED = (ORDER.c.id, ORDER.c.reference, ORDER.c.channel, ORDER.c.one_off, WANTED, TRANSIT)


def asked_on(connection: Connection, workshop: int, wanted: Collection[tuple[int, str, date]]) -> list[Row[Any]]:
    """What orders asked for of a product in a channel on a day, for each of these; the largest first."""
    if not wanted:
        return []
    asked = _asked(LINE.c.item_id.in_(sorted({item for item, _, _ in wanted})))
    statement: Any = (
        select(asked.c.item_id, asked.c.units, *_NAMED)
        .join(ORDER, _its_order(asked))
        .outerjoin(CUSTOMER, _TERMS)
        .where(ORDER.c.workshop_id == workshop, _LEARNT, tuple_(asked.c.item_id, ORDER.c.channel, WANTED).in_(sorted(wanted)))
        .order_by(asked.c.units.desc(), ORDER.c.id)
    )
    return list(connection.execute(statement, {"workshop": workshop}))


def _largest_orders() -> Any:
    whole = (
        select(
            LINE.c.workshop_id,
            LINE.c.order_id,
            func.sum(LINE.c.units).label("units"),
            func.count(LINE.c.item_id.distinct()).label("products"),
        )
        .where(LINE.c.workshop_id == bindparam("workshop"))
        .group_by(LINE.c.workshop_id, LINE.c.order_id)
        .subquery("whole")
    )
    units = whole.c.units
    of_channel: Any = {"partition_by": ORDER.c.channel}
    ranked = (
        select(
            *_NAMED, units, whole.c.products,
            func.row_number().over(**of_channel, order_by=(units.desc(), ORDER.c.id)).label("place"),
            func.count().over(**of_channel).label("orders"),
            func.sum(units).over(**of_channel).label("total"),
            func.sum(units * units).over(**of_channel).label("squares"),
        )
        .join(ORDER, _its_order(whole))
        .outerjoin(CUSTOMER, _TERMS)
        .where(ORDER.c.workshop_id == bindparam("workshop"), _LEARNT, _UNTIL > WANTED)
        .subquery("ranked")
    )  # fmt: skip
    return select(ranked).where(ranked.c.place <= 2).order_by(ranked.c.channel, ranked.c.place)


_LARGEST_ORDERS = Prepared(_largest_orders())


def largest_orders(connection: Connection, workshop: int, until: date) -> list[Row[Any]]:
    """The two orders of each channel that ask for most units in all, beside the number, sum and sum of squares of all of them."""
    return _LARGEST_ORDERS.rows(connection, {"workshop": workshop, "until": until})


def asked_by(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """What these orders ask for of each product: order, product, units."""
    if not orders:
        return []
    asked = _asked(LINE.c.order_id.in_(sorted(orders)))
    statement = select(asked.c.order_id, asked.c.item_id, asked.c.units)
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


def channels(connection: Connection, workshop: int, orders: Collection[int]) -> dict[int, str]:
    """The channel of each of these orders."""
    if not orders:
        return {}
    wanted = (ORDER.c.workshop_id == workshop) & ORDER.c.id.in_(sorted(orders))
    return {row.id: row.channel for row in connection.execute(select(ORDER.c.id, ORDER.c.channel).where(wanted))}
