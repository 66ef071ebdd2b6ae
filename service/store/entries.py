"""What the books say of each draw: movements by the paper they belong to, over its corrections and reversals."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, case, func, or_, select

from service.store.prepared import Prepared
from service.store.replay import DOCUMENT, ITEM, ITEM_ID, LOT, MOVEMENT, OF_MOVEMENT, ORIGIN, SINCE, WORKSHOP, of

_ORIGIN = ORIGIN.label("origin")
_LOT_OF_MOVEMENT = (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id)

_BOOKED = Prepared(
    select(_ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, func.sum(MOVEMENT.c.quantity).label("quantity"))
    .join(DOCUMENT, OF_MOVEMENT)
    .join(LOT, _LOT_OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM_ID, DOCUMENT.c.happened_on >= SINCE)
    .group_by(_ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id)
)


def booked(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """What the books say from a day on: `origin`, `line`, `lot_id`, `quantity`, netted over corrections and reversals."""
    return _BOOKED.rows(connection, of(workshop, item, since))


_UNBOOKED = Prepared(
    select(
        _ORIGIN, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
        func.min(DOCUMENT.c.happened_on).label("happened_on"), func.min(DOCUMENT.c.happened_at).label("happened_at"),
        func.max(case((DOCUMENT.c.kind == "count", 1), else_=0)).label("is_count"),
    )
    .join(DOCUMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM_ID, DOCUMENT.c.happened_on < SINCE)
    .group_by(_ORIGIN, MOVEMENT.c.line)
    .having(func.sum(MOVEMENT.c.quantity) < 0)
    .order_by(func.min(DOCUMENT.c.happened_on), _ORIGIN)
)  # fmt: skip


def unbooked_before(connection: Connection, workshop: int, item: int, day: date) -> list[Row[Any]]:
    """Draws of earlier days that are unbooked in the books, oldest first."""
    return _UNBOOKED.rows(connection, of(workshop, item, day))


_DRAWS = Prepared(
    lambda lots: (
        select(
            MOVEMENT.c.lot_id, _ORIGIN, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
            func.sum(MOVEMENT.c.cost_micro).label("cost"), func.min(MOVEMENT.c.document_id).label("first"),
        )
        .join(DOCUMENT, OF_MOVEMENT)
        .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id.in_(lots))
        .group_by(MOVEMENT.c.lot_id, _ORIGIN, MOVEMENT.c.line)
        .order_by(func.min(MOVEMENT.c.document_id), MOVEMENT.c.line)
    ),
    "lots",
)  # fmt: skip


def draws_of(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """All movements of these lots by origin and line, in the order of their first recording: grams and money."""
    return _DRAWS.rows(connection, {"workshop": workshop, "lots": sorted(lots)}) if lots else []


_MOVEMENTS = Prepared(
    lambda documents: (
        select(
            _ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro,
            MOVEMENT.c.document_id, DOCUMENT.c.caused_by_id, LOT.c.item_id,
        )
        .join(DOCUMENT, OF_MOVEMENT)
        .join(LOT, _LOT_OF_MOVEMENT)
        .where(MOVEMENT.c.workshop_id == WORKSHOP)
        .where(or_(DOCUMENT.c.id.in_(documents), DOCUMENT.c.corrects_id.in_(documents), DOCUMENT.c.reverses_id.in_(documents)))
        .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
    ),
    "documents",
)  # fmt: skip


def movements(connection: Connection, workshop: int, documents: Collection[int]) -> list[Row[Any]]:
    """Every movement of these papers, of their corrections and reversals, in the order of recording."""
    return _MOVEMENTS.rows(connection, {"workshop": workshop, "documents": sorted(documents)}) if documents else []


_OF_BEYOND = _ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro, MOVEMENT.c.document_id
_BEYOND = Prepared(
    select(*_OF_BEYOND)
    .join(DOCUMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM_ID, DOCUMENT.c.happened_on >= SINCE)
    .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
)
_FIRST_BEYOND = Prepared(
    select(DOCUMENT.c.happened_on)
    .join(MOVEMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id == ITEM_ID)
    .order_by(DOCUMENT.c.happened_on)
    .limit(1)
)
_NOTED = Prepared(select(ITEM.c.unbooked_since.label("happened_on")).where(ITEM.c.workshop_id == WORKSHOP, ITEM.c.id == ITEM_ID))


def beyond(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """Every movement of an item's unbooked lot from a day on, in the order of recording."""
    return _BEYOND.rows(connection, of(workshop, item, since))


def first_beyond(connection: Connection, workshop: int, item: int) -> list[date]:
    """Days by which a draw of an item was ever unbooked: as the books moved it, and as a redraw found it."""
    found = [one.first(connection, of(workshop, item)) for one in (_FIRST_BEYOND, _NOTED)]
    return [row.happened_on for row in found if row is not None and row.happened_on is not None]


def any_beyond(connection: Connection, workshop: int, item: int) -> bool:
    """Whether anything of an item was ever unbooked."""
    return bool(_FIRST_BEYOND.rows(connection, of(workshop, item)))
