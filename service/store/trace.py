"""Genealogy (law 8): which lots went into a lot, and which it went into, as known now."""

from collections import defaultdict
from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, func, select, union_all

from service.store.tables import Document, Lot, Movement

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
ORIGIN = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id)


def sources(connection: Connection, workshop: int, lots: Collection[int]) -> dict[int, set[int]]:
    """The lots that the papers which made these lots took from, as known now; the unbooked ones left out."""
    if not lots:
        return {}
    made = LOT.alias("made")
    found: dict[int, set[int]] = defaultdict(set)
    statement: Any = (
        select(made.c.id.label("lot"), MOVEMENT.c.lot_id.label("source"))
        .select_from(made)
        .join(
            DOCUMENT,
            (DOCUMENT.c.workshop_id == made.c.workshop_id)
            & ((DOCUMENT.c.id == made.c.document_id) | (DOCUMENT.c.corrects_id == made.c.document_id)),
        )
        .join(MOVEMENT, (MOVEMENT.c.workshop_id == DOCUMENT.c.workshop_id) & (MOVEMENT.c.document_id == DOCUMENT.c.id))
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .where(made.c.workshop_id == workshop, made.c.id.in_(sorted(lots)), LOT.c.id != LOT.c.item_id, LOT.c.id != made.c.id)
        .group_by(made.c.id, MOVEMENT.c.lot_id)
        .having(func.sum(MOVEMENT.c.quantity) < 0)
    )
    came_back: Any = select(LOT.c.id, LOT.c.parent_id).where(  # from the lot that left, without a movement
        LOT.c.workshop_id == workshop, LOT.c.id.in_(sorted(lots)), LOT.c.parent_id.is_not(None)
    )
    for row in connection.execute(union_all(statement, came_back)):
        found[row.lot].add(row.source)
    return found
