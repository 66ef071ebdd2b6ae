"""What stock was: each lot of an item at a moment, as known at another."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, func, or_, select

from service.store.tables import Document, Lot, Movement

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]

_OF_MOVEMENT = (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id)
_LOT_OF_MOVEMENT = (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id)


def held(
    connection: Connection, workshop: int, item: int, day: date, at: datetime | None, known_at: datetime | None
) -> list[Row[Any]]:
    """What each lot of an item held at a moment (of a day without a time: its end), as known at another (None: now)."""
    wanted = [MOVEMENT.c.workshop_id == workshop, LOT.c.item_id == item]
    if at is None:
        wanted.append(DOCUMENT.c.happened_on <= day)
    else:
        within = or_(DOCUMENT.c.happened_at.is_(None), DOCUMENT.c.happened_at <= at)
        wanted.append(or_(DOCUMENT.c.happened_on < day, (DOCUMENT.c.happened_on == day) & within))
    if known_at is not None:
        wanted.append(DOCUMENT.c.recorded_at <= known_at)
    return list(
        connection.execute(
            select(
                MOVEMENT.c.lot_id, LOT.c.cost_micro, LOT.c.estimated, func.sum(MOVEMENT.c.quantity).label("quantity"),
                func.sum(MOVEMENT.c.cost_micro).label("cost"), func.count(MOVEMENT.c.cost_micro).label("entries"),
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .join(LOT, _LOT_OF_MOVEMENT)
            .where(*wanted)
            .group_by(MOVEMENT.c.lot_id, LOT.c.cost_micro, LOT.c.estimated)
        )
    )  # fmt: skip
