"""What was used beyond the books: the movements of an item's unbooked lot, which has the item's id."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, func, select

from service.store.prepared import Prepared
from service.store.replay import DOCUMENT, ITEM, LINE, MOVEMENT, OF_LINE, OF_MOVEMENT, ORIGIN, REVERSAL, SINCE, WORKSHOP
from service.store.tables import Item

ITEMS = Item.__table__  # type: ignore[attr-defined]

_BEFORE = Prepared(
    select(
        ORIGIN, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
        func.min(DOCUMENT.c.happened_on).label("happened_on"), func.min(DOCUMENT.c.happened_at).label("happened_at"),
        func.max(case((DOCUMENT.c.kind == "count", 1), else_=0)).label("is_count"),
    )
    .join(DOCUMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM, DOCUMENT.c.happened_on < SINCE)
    .group_by(ORIGIN, MOVEMENT.c.line)
    .having(func.sum(MOVEMENT.c.quantity) < 0)
    .order_by(func.min(DOCUMENT.c.happened_on), ORIGIN)
)  # fmt: skip


def before(connection: Connection, workshop: int, item: int, day: date) -> list[Row[Any]]:
    """Draws of earlier days that are unbooked in the books, oldest first."""
    return _BEFORE.rows(connection, {"workshop": workshop, "item": item, "since": day})


_LAST_COUNT = Prepared(
    select(DOCUMENT.c.happened_on, DOCUMENT.c.happened_at)
    .join(LINE, OF_LINE)
    .outerjoin(REVERSAL, (REVERSAL.c.workshop_id == DOCUMENT.c.workshop_id) & (REVERSAL.c.reverses_id == DOCUMENT.c.id))
    .where(
        DOCUMENT.c.workshop_id == WORKSHOP, DOCUMENT.c.kind == "count", LINE.c.item_id == ITEM, LINE.c.lot_id.is_(None),
        LINE.c.place.is_(None),
        DOCUMENT.c.happened_on < SINCE, REVERSAL.c.id.is_(None), DOCUMENT.c.id != bindparam("but"),
    )
    .order_by(DOCUMENT.c.happened_on.desc(), DOCUMENT.c.happened_at.is_(None).desc(), DOCUMENT.c.happened_at.desc())
    .limit(1)
)  # fmt: skip


def last_count_before(connection: Connection, workshop: int, item: int, day: date, but: int) -> Row[Any] | None:
    """The last standing count of the whole item before a day, other than one."""
    return _LAST_COUNT.first(connection, {"workshop": workshop, "item": item, "since": day, "but": but})


_FROM = Prepared(
    select(
        ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro, MOVEMENT.c.document_id,
    )
    .join(DOCUMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM, DOCUMENT.c.happened_on >= SINCE)
    .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
)  # fmt: skip


def since(connection: Connection, workshop: int, item: int, day: date) -> list[Row[Any]]:
    """Every movement of an item's unbooked lot from a day on, in the order of recording."""
    return _FROM.rows(connection, {"workshop": workshop, "item": item, "since": day})


_FIRST = Prepared(
    select(DOCUMENT.c.happened_on)
    .join(MOVEMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM)
    .order_by(DOCUMENT.c.happened_on)
    .limit(1)
)
_EVER = Prepared(
    lambda ids: select(MOVEMENT.c.lot_id).distinct().where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id.in_(ids)),
    "ids",
)


_NOTED = Prepared(select(ITEMS.c.unbooked_since.label("happened_on")).where(ITEMS.c.workshop_id == WORKSHOP, ITEMS.c.id == ITEM))


def first_day(connection: Connection, workshop: int, item: int) -> date | None:
    """The day of the first draw of an item that ever waited for a lot: as the books moved it, or as a redraw noted it."""
    found = [one.first(connection, {"workshop": workshop, "item": item}) for one in (_FIRST, _NOTED)]
    return min((row.happened_on for row in found if row is not None and row.happened_on is not None), default=None)


def ever(connection: Connection, workshop: int, items: Collection[int]) -> set[int]:
    """Those of these items of which anything was ever unbooked."""
    if not items:
        return set()
    return {row.lot_id for row in _EVER.rows(connection, {"workshop": workshop, "ids": sorted(items)})}
