"""Queries that add the books up again, for `verify`. Sums are SQL's; products are computed in Python."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Row, case, func, select

from service.store.tables import Document, FormulaLine, FormulaVersion, Item, Lot, Movement, Workshop

LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
VERSION = FormulaVersion.__table__  # type: ignore[attr-defined]
FORMULA_LINE = FormulaLine.__table__  # type: ignore[attr-defined]
WORKSHOP = Workshop.__table__  # type: ignore[attr-defined]


def workshops(connection: Connection) -> list[Row[Any]]:
    """Every workshop."""
    return list(connection.execute(select(WORKSHOP).order_by(WORKSHOP.c.id)))


def lot_sums(connection: Connection, workshop: int) -> Iterator[Any]:
    """Each lot beside the sums of its movements, streamed in the order of their ids."""
    sums = (
        select(
            MOVEMENT.c.lot_id,
            func.sum(MOVEMENT.c.quantity).label("moved"),
            func.sum(MOVEMENT.c.cost_micro).label("money"),
            func.sum(case((MOVEMENT.c.cost_micro.is_(None), 1), else_=0)).label("unknown"),
        )
        .where(MOVEMENT.c.workshop_id == workshop)
        .group_by(MOVEMENT.c.lot_id)
        .subquery()
    )
    statement = (
        select(LOT, ITEM.c.code.label("item_code"), sums.c.moved, sums.c.money, sums.c.unknown)
        .join(ITEM, (ITEM.c.workshop_id == LOT.c.workshop_id) & (ITEM.c.id == LOT.c.item_id))
        .outerjoin(sums, sums.c.lot_id == LOT.c.id)
        .where(LOT.c.workshop_id == workshop)
        .order_by(LOT.c.id)
    )
    yield from connection.execution_options(yield_per=1000).execute(statement)


def open_formulas(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Versions whose lines do not sum to 1,000,000 ppm."""
    return list(
        connection.execute(
            select(ITEM.c.code, VERSION.c.version, func.sum(FORMULA_LINE.c.share_ppm).label("total"))
            .join(ITEM, (ITEM.c.workshop_id == VERSION.c.workshop_id) & (ITEM.c.id == VERSION.c.formula_id))
            .join(
                FORMULA_LINE,
                (FORMULA_LINE.c.workshop_id == VERSION.c.workshop_id) & (FORMULA_LINE.c.version_id == VERSION.c.id),
            )
            .where(VERSION.c.workshop_id == workshop)
            .group_by(ITEM.c.code, VERSION.c.version)
            .having(func.sum(FORMULA_LINE.c.share_ppm) != 1_000_000)
        )
    )


def run_money(connection: Connection, workshop: int) -> Iterator[Any]:
    """Each standing run with the money it took and put into its own lots, corrections included, and what is unknown of it.

    A reversed run is left out: what it gave back is worth what the lots grew by, which may differ by a rounding.
    """
    reversal = DOCUMENT.alias("reversal")
    origin = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id)
    paper = DOCUMENT.alias("paper")
    unknown = case((LOT.c.id == LOT.c.item_id, MOVEMENT.c.cost_micro.is_(None)), else_=LOT.c.cost_micro.is_(None))
    statement = (
        select(
            paper.c.code,
            func.sum(MOVEMENT.c.cost_micro).label("money"),
            func.sum(case((unknown, 1), else_=0)).label("unknown"),
            func.sum(case((LOT.c.document_id == paper.c.id, 1), else_=0)).label("made"),
        )
        .select_from(MOVEMENT)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id))
        .join(paper, (paper.c.workshop_id == DOCUMENT.c.workshop_id) & (paper.c.id == origin))
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .outerjoin(reversal, (reversal.c.workshop_id == paper.c.workshop_id) & (reversal.c.reverses_id == paper.c.id))
        .where(MOVEMENT.c.workshop_id == workshop, paper.c.kind == "run", reversal.c.id.is_(None))
        .group_by(paper.c.id, paper.c.code)
    )
    yield from connection.execution_options(yield_per=1000).execute(statement)


def items(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every stocked item."""
    wanted = (ITEM.c.workshop_id == workshop) & ITEM.c.stocked.is_(True)
    return list(connection.execute(select(ITEM.c.id, ITEM.c.code).where(wanted).order_by(ITEM.c.code)))


def orphans(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Lots that no document accounts for (the unbooked lots apart)."""
    return list(
        connection.execute(
            select(LOT.c.code)
            .outerjoin(
                DOCUMENT,
                (DOCUMENT.c.workshop_id == LOT.c.workshop_id) & (DOCUMENT.c.id == LOT.c.document_id),
            )
            .where(LOT.c.workshop_id == workshop, LOT.c.id != LOT.c.item_id, DOCUMENT.c.id.is_(None))
            .limit(10)
        )
    )
