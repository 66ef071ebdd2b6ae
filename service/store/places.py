"""Places: what a person said of them; and what lies where."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select

from service.store.tables import Item, Lot, Place

ITEM = Item.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
PLACE = Place.__table__  # type: ignore[attr-defined]


def set_apart(connection: Connection, workshop: int, place: str | None) -> bool:
    """Whether a place is one that production does not draw from."""
    if place is None:
        return False
    wanted = (PLACE.c.workshop_id == workshop) & (PLACE.c.place == place)
    return connection.execute(select(PLACE.c.production).where(wanted)).scalar() is False


def say(connection: Connection, workshop: int, place: str, production: bool) -> None:
    """Note whether production draws from a place."""
    connection.execute(delete(PLACE).where(PLACE.c.workshop_id == workshop, PLACE.c.place == place))
    connection.execute(insert(PLACE), {"workshop_id": workshop, "place": place, "production": production})


def names(connection: Connection, workshop: int, after: str | None, limit: int) -> list[str]:
    """Places that lots are in or that something was said of, by name."""
    of_lots = select(LOT.c.place.label("place")).where(LOT.c.workshop_id == workshop, LOT.c.place.is_not(None))
    both = of_lots.union(select(PLACE.c.place).where(PLACE.c.workshop_id == workshop)).subquery()
    statement = select(both.c.place).order_by(both.c.place).limit(limit)
    if after is not None:
        statement = statement.where(both.c.place > after)
    return [row.place for row in connection.execute(statement)]


def without_production(connection: Connection, workshop: int, places: Collection[str]) -> set[str]:
    """Those of these places that production does not draw from."""
    wanted = (PLACE.c.workshop_id == workshop) & PLACE.c.place.in_(sorted(places)) & PLACE.c.production.is_(False)
    return {row.place for row in connection.execute(select(PLACE.c.place).where(wanted))}


def apart(connection: Connection, workshop: int) -> frozenset[str]:
    """All places that production does not draw from."""
    wanted = (PLACE.c.workshop_id == workshop) & PLACE.c.production.is_(False)
    return frozenset(connection.execute(select(PLACE.c.place).where(wanted)).scalars())


def stock(connection: Connection, workshop: int, places: Collection[str]) -> list[Row[Any]]:
    """Lots with stock in these places, with their items."""
    statement: Any = (
        select(LOT, ITEM.c.code.label("item_code"), ITEM.c.unit)
        .join(ITEM, (ITEM.c.workshop_id == LOT.c.workshop_id) & (ITEM.c.id == LOT.c.item_id))
        .where(LOT.c.workshop_id == workshop, LOT.c.place.in_(sorted(places)), LOT.c.on_hand > 0)
        .order_by(ITEM.c.code, LOT.c.code)
    )
    return list(connection.execute(statement))
