"""Papers as they stand: documents by code and page, what they state, what names a lot, what reversed or corrected them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, func, or_, select

from service.store.prepared import Prepared, parts
from service.store.tables import Document, Line, Lot, Movement, NamedLot, Token

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
NAMED_LOT = NamedLot.__table__  # type: ignore[attr-defined]
TOKEN = Token.__table__  # type: ignore[attr-defined]


def by_code(connection: Connection, workshop: int, code: str, *kinds: str) -> Row[Any] | None:
    """A document by its code, of one of these kinds when any are given."""
    wanted = [DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.code == code]
    if kinds:
        wanted.append(DOCUMENT.c.kind.in_(kinds))
    return connection.execute(select(DOCUMENT).where(*wanted)).first()


_BY_IDS = Prepared(
    lambda ids: select(DOCUMENT).where(DOCUMENT.c.workshop_id == bindparam("workshop"), DOCUMENT.c.id.in_(ids)), "ids"
)


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Documents by id."""
    return {row.id: row for some in parts(ids) for row in _BY_IDS.rows(connection, {"workshop": workshop, "ids": some})}


def page(connection: Connection, workshop: int, kinds: Collection[str], after: int | None, limit: int) -> list[Row[Any]]:
    """Documents of these kinds, newest first; `after` is the last id seen."""
    wanted = [DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.kind.in_(sorted(kinds))]
    if after is not None:
        wanted.append(DOCUMENT.c.id < after)
    return list(connection.execute(select(DOCUMENT).where(*wanted).order_by(DOCUMENT.c.id.desc()).limit(limit)))


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which documents a list shows: those that state or move something of an item or a lot, and by what stands on them."""

    kind: str | None = None
    item: int | None = None
    lot: int | None = None
    token: str | None = None  # its code, or its name
    since: date | None = None  # the days on which they happened
    until: date | None = None


def all_of(connection: Connection, workshop: int, of: Wanted, after: int | None, limit: int) -> list[Row[Any]]:
    """Documents of every kind, newest first."""
    wanted = [DOCUMENT.c.workshop_id == workshop]
    if after is not None:
        wanted.append(DOCUMENT.c.id < after)
    if of.kind is not None:
        wanted.append(DOCUMENT.c.kind == of.kind)
    if of.token is not None:
        mine = select(TOKEN.c.id).where(TOKEN.c.workshop_id == workshop, TOKEN.c.code == of.token)
        wanted.append(or_(DOCUMENT.c.recorded_by == of.token, DOCUMENT.c.token_id.in_(mine)))
    if of.since is not None:
        wanted.append(DOCUMENT.c.happened_on >= of.since)
    if of.until is not None:
        wanted.append(DOCUMENT.c.happened_on <= of.until)
    wanted += _about(workshop, of)
    return list(connection.execute(select(DOCUMENT).where(*wanted).order_by(DOCUMENT.c.id.desc()).limit(limit)))


def _about(workshop: int, of: Wanted) -> list[Any]:
    """Documents that state, name or move something of the item and of the lot."""
    found: list[Any] = []
    if of.lot is not None:
        each = [
            select(table.c.document_id).where(table.c.workshop_id == workshop, table.c.lot_id == of.lot)
            for table in (LINE, NAMED_LOT, MOVEMENT)
        ]
        found.append(or_(*(DOCUMENT.c.id.in_(some) for some in each)))
    if of.item is not None:
        stated = select(LINE.c.document_id).where(LINE.c.workshop_id == workshop, LINE.c.item_id == of.item)
        moved = (
            select(MOVEMENT.c.document_id)
            .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
            .where(MOVEMENT.c.workshop_id == workshop, LOT.c.item_id == of.item)
        )
        found.append(or_(DOCUMENT.c.id.in_(stated), DOCUMENT.c.id.in_(moved)))
    return found


def reversal_of(connection: Connection, workshop: int, document: int) -> Row[Any] | None:
    """The reversal of a document, if it has one."""
    return connection.execute(
        select(DOCUMENT).where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.reverses_id == document)
    ).first()


def _standing(table: Any, workshop: int) -> Any:
    """A paper of this table's rows that is neither reversed nor stated anew."""
    reversal, again = DOCUMENT.alias("reversal"), DOCUMENT.alias("again")
    origin = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.id)
    return (
        select(DOCUMENT.c.id)
        .outerjoin(reversal, (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == origin))
        .outerjoin(
            again,
            (again.c.workshop_id == DOCUMENT.c.workshop_id) & (again.c.corrects_id == origin)
            & (again.c.id > DOCUMENT.c.id) & again.c.states.is_(True),
        )
        .where(
            DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.workshop_id == table.c.workshop_id,
            DOCUMENT.c.id == table.c.document_id, reversal.c.id.is_(None),
            again.c.id.is_(None),
        )
        .exists()
    )  # fmt: skip


def named_of(connection: Connection, workshop: int, lot: int) -> int:
    """What standing papers name of a lot: named draws with a quantity, disposals, splits (positive)."""
    gone = select(func.coalesce(func.sum(-LINE.c.quantity), 0)).where(
        LINE.c.workshop_id == workshop, LINE.c.lot_id == lot, LINE.c.quantity < 0, _standing(LINE, workshop)
    )
    drawn = select(func.coalesce(func.sum(NAMED_LOT.c.quantity), 0)).where(
        NAMED_LOT.c.workshop_id == workshop, NAMED_LOT.c.lot_id == lot, _standing(NAMED_LOT, workshop)
    )
    return int(connection.execute(gone).scalar_one()) + int(connection.execute(drawn).scalar_one())


def naming(connection: Connection, workshop: int, lots: Collection[int], but: int) -> list[Row[Any]]:
    """Standing papers that name these lots (`id`, `code`, `kind`, `happened_on` of the paper corrected or itself; `lot_id`),
    but one."""
    if not lots:
        return []
    paper = DOCUMENT.alias("paper")
    found: list[Row[Any]] = []
    for table in (LINE, NAMED_LOT):
        wanted = [
            table.c.workshop_id == workshop, table.c.lot_id.in_(sorted(lots)), _standing(table, workshop),
            paper.c.kind.in_(("run", "disposal", "split", "count", "shipment")), paper.c.id != but,
        ]  # fmt: skip
        named = select(paper.c.id, paper.c.code, paper.c.kind, paper.c.happened_on, table.c.lot_id).join(
            DOCUMENT, (DOCUMENT.c.workshop_id == table.c.workshop_id) & (DOCUMENT.c.id == table.c.document_id)
        )
        origin = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.id)
        joined = named.join(paper, (paper.c.workshop_id == DOCUMENT.c.workshop_id) & (paper.c.id == origin))
        found += list(connection.execute(joined.where(*wanted).order_by(paper.c.id)))
    return found


def restating(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The corrections that state each of these documents anew, in their order."""
    found: dict[int, list[Row[Any]]] = {}
    wanted = [DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.corrects_id.in_(sorted(documents)), DOCUMENT.c.states.is_(True)]
    for row in connection.execute(select(DOCUMENT).where(*wanted).order_by(DOCUMENT.c.id)) if documents else ():
        found.setdefault(row.corrects_id, []).append(row)
    return found


def reversed_among(connection: Connection, workshop: int, documents: Collection[int]) -> set[int]:
    """Which of these documents are reversed."""
    if not documents:
        return set()
    found = select(DOCUMENT.c.reverses_id).where(
        DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.reverses_id.in_(sorted(documents))
    )
    return {row.reverses_id for row in connection.execute(found)}


def lines_of_all(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, Row[Any]]:
    """The first line of each of these documents."""
    if not documents:
        return {}
    found = select(LINE).where(LINE.c.workshop_id == workshop, LINE.c.document_id.in_(sorted(documents)), LINE.c.n == 0)
    return {row.document_id: row for row in connection.execute(found)}


def lines_of(connection: Connection, workshop: int, document: int) -> list[Row[Any]]:
    """What a document states."""
    return list(
        connection.execute(select(LINE).where(LINE.c.workshop_id == workshop, LINE.c.document_id == document).order_by(LINE.c.n))
    )


def named_by(connection: Connection, workshop: int, document: int) -> dict[int, list[tuple[int, int | None]]]:
    """The lots that a document itself names, by line."""
    found: dict[int, list[tuple[int, int | None]]] = {}
    mine = NAMED_LOT.c.workshop_id == workshop, NAMED_LOT.c.document_id == document
    for row in connection.execute(select(NAMED_LOT).where(*mine).order_by(NAMED_LOT.c.n, NAMED_LOT.c.k)):
        found.setdefault(row.n, []).append((row.lot_id, row.quantity))
    return found


def movements_of(connection: Connection, workshop: int, documents: Collection[int]) -> list[Row[Any]]:
    """The movements of these documents, in the order they were entered."""
    return list(
        connection.execute(
            select(MOVEMENT, LOT.c.item_id, LOT.c.code.label("lot_code"))
            .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
            .where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.document_id.in_(sorted(documents)))
            .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
        )
    )


def item_movements(connection: Connection, workshop: int, item: int, after: tuple[int, int] | None, limit: int) -> list[Row[Any]]:
    """The ledger of one item, newest first, with its documents."""
    wanted = [
        MOVEMENT.c.workshop_id == workshop,
        LOT.c.item_id == item,
    ]
    if after is not None:
        document, n = after
        wanted.append(
            or_(
                MOVEMENT.c.document_id < document,
                (MOVEMENT.c.document_id == document) & (MOVEMENT.c.n > n),
            )
        )
    statement = (
        select(
            MOVEMENT,
            LOT.c.item_id,
            LOT.c.code.label("lot_code"),
            DOCUMENT.c.code.label("document_code"),
            DOCUMENT.c.kind,
            DOCUMENT.c.happened_on,
            DOCUMENT.c.happened_at,
            DOCUMENT.c.recorded_at,
            DOCUMENT.c.recorded_by,
            DOCUMENT.c.reverses_id,
            DOCUMENT.c.corrects_id,
            DOCUMENT.c.caused_by_id,
        )
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .join(
            DOCUMENT,
            (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id),
        )
        .where(*wanted)
        .order_by(MOVEMENT.c.document_id.desc(), MOVEMENT.c.n)
        .limit(limit)
    )
    return list(connection.execute(statement))
