"""Queries that add the books up again, for `verify`. Sums are SQL's; products are computed in Python."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import BigInteger, Connection, Row, and_, bindparam, case, exists, func, or_, select

from service.store.tables import Document, FormulaLine, FormulaVersion, Item, Lot, Movement, Workshop

LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
VERSION = FormulaVersion.__table__  # type: ignore[attr-defined]
FORMULA_LINE = FormulaLine.__table__  # type: ignore[attr-defined]
WORKSHOP = Workshop.__table__  # type: ignore[attr-defined]
OF = bindparam("workshop", type_=BigInteger())


def workshops(connection: Connection, code: str | None = None) -> list[Row[Any]]:
    """Every workshop, or the one of this code."""
    wanted = select(WORKSHOP).order_by(WORKSHOP.c.id)
    return list(connection.execute(wanted if code is None else wanted.where(WORKSHOP.c.code == code)))


def _streamed(connection: Connection, statement: Any, workshop: int) -> Iterator[Any]:
    yield from connection.execution_options(yield_per=1000).execute(statement, {"workshop": workshop})


def _lot_sums() -> Any:
    sums = (
        select(
            MOVEMENT.c.lot_id,
            func.sum(MOVEMENT.c.quantity).label("moved"),
            func.sum(MOVEMENT.c.cost_micro).label("money"),
            func.sum(case((MOVEMENT.c.cost_micro.is_(None), 1), else_=0)).label("unknown"),
        )
        .where(MOVEMENT.c.workshop_id == OF)
        .group_by(MOVEMENT.c.lot_id)
        .subquery()
    )
    return (
        select(LOT, ITEM.c.code.label("item_code"), sums.c.moved, sums.c.money, sums.c.unknown)
        .join(ITEM, (ITEM.c.workshop_id == LOT.c.workshop_id) & (ITEM.c.id == LOT.c.item_id))
        .outerjoin(sums, sums.c.lot_id == LOT.c.id)
        .where(LOT.c.workshop_id == OF)
        .order_by(LOT.c.id)
    )


_LOT_SUMS = _lot_sums()


def lot_sums(connection: Connection, workshop: int) -> Iterator[Any]:
    """Each lot beside the sums of its movements, streamed in the order of their ids."""
    return _streamed(connection, _LOT_SUMS, workshop)


_OPEN_FORMULAS = (
    select(ITEM.c.code, VERSION.c.version, func.sum(FORMULA_LINE.c.share_ppm).label("total"))
    .join(ITEM, (ITEM.c.workshop_id == VERSION.c.workshop_id) & (ITEM.c.id == VERSION.c.formula_id))
    .join(
        FORMULA_LINE,
        (FORMULA_LINE.c.workshop_id == VERSION.c.workshop_id) & (FORMULA_LINE.c.version_id == VERSION.c.id),
    )
    .where(VERSION.c.workshop_id == OF)
    .group_by(ITEM.c.code, VERSION.c.version)
    .having(func.sum(FORMULA_LINE.c.share_ppm) != 1_000_000)
)


def open_formulas(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Versions whose lines do not sum to 1,000,000 ppm."""
    return list(connection.execute(_OPEN_FORMULAS, {"workshop": workshop}))


def _run_money() -> Any:
    """Movements are summed by document first, in the order of their key: few rows are left to be joined."""
    reversal, paper = DOCUMENT.alias("reversal"), DOCUMENT.alias("paper")
    money = (
        select(MOVEMENT.c.document_id, func.sum(MOVEMENT.c.cost_micro).label("money"))
        .where(MOVEMENT.c.workshop_id == OF)
        .group_by(MOVEMENT.c.document_id)
        .subquery("of_document")
    )
    unknown = or_(
        and_(LOT.c.id == LOT.c.item_id, MOVEMENT.c.cost_micro.is_(None)),
        and_(LOT.c.id != LOT.c.item_id, LOT.c.cost_micro.is_(None)),
    )
    guessed = (
        select(MOVEMENT.c.document_id)
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .where(LOT.c.workshop_id == OF, or_(LOT.c.id == LOT.c.item_id, LOT.c.cost_micro.is_(None)), unknown)
        .distinct()
        .subquery("of_unknown_cost")
    )
    made = exists().where(LOT.c.workshop_id == paper.c.workshop_id, LOT.c.document_id == paper.c.id)
    origin = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id)
    return (
        select(
            paper.c.code, func.sum(money.c.money).label("money"), func.count(guessed.c.document_id).label("unknown"),
            made.label("made"),
        )
        .select_from(money)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == OF) & (DOCUMENT.c.id == money.c.document_id))
        .join(paper, (paper.c.workshop_id == OF) & (paper.c.id == origin))
        .outerjoin(guessed, guessed.c.document_id == money.c.document_id)
        .outerjoin(reversal, (reversal.c.workshop_id == paper.c.workshop_id) & (reversal.c.reverses_id == paper.c.id))
        .where(paper.c.kind == "run", reversal.c.id.is_(None))
        .group_by(paper.c.workshop_id, paper.c.id, paper.c.code)
    )  # fmt: skip


_RUN_MONEY = _run_money()


def run_money(connection: Connection, workshop: int) -> Iterator[Any]:
    """Each standing run with the money it took and put into its own lots, corrections included, and what is unknown of it.

    A reversed run is left out: what it gave back is worth what the lots grew by, which may differ by a rounding.
    """
    return _streamed(connection, _RUN_MONEY, workshop)


_ITEMS = select(ITEM.c.id, ITEM.c.code).where(ITEM.c.workshop_id == OF, ITEM.c.stocked.is_(True)).order_by(ITEM.c.code)


def items(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every stocked item."""
    return list(connection.execute(_ITEMS, {"workshop": workshop}))


_ORPHANS = (
    select(LOT.c.code)
    .outerjoin(DOCUMENT, (DOCUMENT.c.workshop_id == LOT.c.workshop_id) & (DOCUMENT.c.id == LOT.c.document_id))
    .where(LOT.c.workshop_id == OF, LOT.c.id != LOT.c.item_id, DOCUMENT.c.id.is_(None))
    .limit(10)
)


def orphans(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Lots that no document accounts for (the unbooked lots apart)."""
    return list(connection.execute(_ORPHANS, {"workshop": workshop}))
