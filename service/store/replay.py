"""What a redraw reads: an item's papers from a day on, and its lots as they came (what the books say of them: entries)."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, func, or_, select

from service.store.prepared import Prepared
from service.store.tables import Document, Item, Line, Lot, LotEdit, Movement, NamedLot

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
LOT_EDIT = LotEdit.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
NAMED = NamedLot.__table__  # type: ignore[attr-defined]

WORKSHOP: Any = bindparam("workshop")
ITEM_ID: Any = bindparam("item")
SINCE: Any = bindparam("since")
ORIGIN = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id)
_REVERSAL, _SOURCE = DOCUMENT.alias("reversal"), DOCUMENT.alias("source")
OF_MOVEMENT = (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id)
_OF_LINE = (DOCUMENT.c.workshop_id == LINE.c.workshop_id) & (DOCUMENT.c.id == LINE.c.document_id)
_REVERSES = (_REVERSAL.c.workshop_id == DOCUMENT.c.workshop_id) & (_REVERSAL.c.reverses_id == DOCUMENT.c.id)

_STANDING = _REVERSAL.c.reverses_id == func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.id)
_PAPERS = Prepared(
    select(
        LINE, DOCUMENT.c.kind, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.corrects_id, DOCUMENT.c.id,
        DOCUMENT.c.code, DOCUMENT.c.facts,
    )
    .join(DOCUMENT, _OF_LINE)
    .outerjoin(_REVERSAL, (_REVERSAL.c.workshop_id == DOCUMENT.c.workshop_id) & _STANDING)
    .where(
        LINE.c.workshop_id == WORKSHOP, LINE.c.item_id == ITEM_ID, DOCUMENT.c.happened_on >= SINCE, _REVERSAL.c.id.is_(None)
    )
    .order_by(DOCUMENT.c.id, LINE.c.n)
)  # fmt: skip


def of(workshop: int, item: int, since: date | None = None) -> dict[str, Any]:
    """The values of a query about an item, from a day on."""
    return {"workshop": workshop, "item": item} | ({} if since is None else {"since": since})


def papers(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """The standing lines of an item from a day on (reversed papers and restated lines left out), with their papers."""
    found = _PAPERS.rows(connection, of(workshop, item, since))
    last = restated(connection, workshop, {row.corrects_id or row.id for row in found})
    return [row for row in found if last.get(row.corrects_id or row.id, row.id) == row.id]


_OTHER = Prepared(
    select(LINE.c.document_id)
    .join(DOCUMENT, _OF_LINE)
    .where(LINE.c.workshop_id == WORKSHOP, LINE.c.item_id == ITEM_ID, DOCUMENT.c.happened_on >= SINCE)
    .where(or_(LINE.c.quantity <= 0, DOCUMENT.c.kind == "count"))
    .limit(1)
)


def only_came(connection: Connection, workshop: int, item: int, since: date) -> bool:
    """Whether nothing but arrivals of an item happened from a day on: then a late arrival moves nothing."""
    return not _OTHER.rows(connection, of(workshop, item, since))


_RESTATED = Prepared(
    lambda origins: (
        select(DOCUMENT.c.corrects_id, func.max(DOCUMENT.c.id).label("last"))
        .where(DOCUMENT.c.workshop_id == WORKSHOP, DOCUMENT.c.kind == "correction", DOCUMENT.c.states.is_(True))
        .where(DOCUMENT.c.corrects_id.in_(origins))
        .group_by(DOCUMENT.c.corrects_id)
    ),
    "origins",
)


def restated(connection: Connection, workshop: int, origins: Collection[int]) -> dict[int, int]:
    """The last correction that states the lines of these papers anew, by the paper it corrects."""
    if not origins:
        return {}
    return {row.corrects_id: row.last for row in _RESTATED.rows(connection, {"workshop": workshop, "origins": sorted(origins)})}


_BY_NAME = Prepared(
    select(NAMED)
    .join(LOT, (LOT.c.workshop_id == NAMED.c.workshop_id) & (LOT.c.id == NAMED.c.lot_id))
    .join(DOCUMENT, (DOCUMENT.c.workshop_id == NAMED.c.workshop_id) & (DOCUMENT.c.id == NAMED.c.document_id))
    .where(NAMED.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM_ID, DOCUMENT.c.happened_on >= SINCE)
    .order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)
)
_BY_NAME_IN = Prepared(
    lambda documents: (
        select(NAMED)
        .where(NAMED.c.workshop_id == WORKSHOP, NAMED.c.document_id.in_(documents))
        .order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)
    ),
    "documents",
)


def named(connection: Connection, workshop: int, item: int, since: date) -> dict[tuple[int, int], list[tuple[int, int | None]]]:
    """The lots the bench named for lines of an item from a day on: (document, line) -> (lot, quantity) in their order."""
    found: dict[tuple[int, int], list[tuple[int, int | None]]] = {}
    for row in _BY_NAME.rows(connection, of(workshop, item, since)):
        found.setdefault((row.document_id, row.n), []).append((row.lot_id, row.quantity))
    return found


def named_by_all(
    connection: Connection, workshop: int, documents: Collection[int]
) -> dict[int, dict[int, list[tuple[int, int | None]]]]:
    """The lots that these papers name now, by paper and line."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    found: dict[int, dict[int, list[tuple[int, int | None]]]] = {}
    for row in _BY_NAME_IN.rows(connection, {"workshop": workshop, "documents": sorted(source)}) if source else []:
        found.setdefault(source[row.document_id], {}).setdefault(row.n, []).append((row.lot_id, row.quantity))
    return found


_LAST_COUNT = Prepared(
    select(DOCUMENT.c.happened_on, DOCUMENT.c.happened_at)
    .join(LINE, _OF_LINE)
    .outerjoin(_REVERSAL, _REVERSES)
    .where(DOCUMENT.c.workshop_id == WORKSHOP, DOCUMENT.c.kind == "count", DOCUMENT.c.id != bindparam("but"))
    .where(LINE.c.item_id == ITEM_ID, LINE.c.lot_id.is_(None), LINE.c.place.is_(None))
    .where(DOCUMENT.c.happened_on < SINCE, _REVERSAL.c.id.is_(None))
    .order_by(DOCUMENT.c.happened_on.desc(), DOCUMENT.c.happened_at.is_(None).desc(), DOCUMENT.c.happened_at.desc())
    .limit(1)
)


def last_count_before(connection: Connection, workshop: int, item: int, day: date, but: int) -> Row[Any] | None:
    """The last standing count of the whole item before a day, other than one."""
    return _LAST_COUNT.first(connection, {"workshop": workshop, "item": item, "since": day, "but": but})


_FOUND = (
    select(func.coalesce(func.sum(MOVEMENT.c.quantity), 0))
    .join(DOCUMENT, OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.workshop_id == LOT.c.workshop_id)
    .where(MOVEMENT.c.lot_id == LOT.c.id, LOT.c.document_id == ORIGIN)
    .correlate(LOT)
    .scalar_subquery()
)
_LOTS = Prepared(
    select(
        LOT,
        or_(_REVERSAL.c.id.is_not(None), case((_SOURCE.c.kind == "count", _FOUND == 0), else_=False)).label("gone"),
        case((or_(_SOURCE.c.kind == "split", _SOURCE.c.kind == "return"), _SOURCE.c.happened_on), else_=LOT.c.received_on).label(
            "since"
        ),
    )
    .outerjoin(_REVERSAL, (_REVERSAL.c.workshop_id == LOT.c.workshop_id) & (_REVERSAL.c.reverses_id == LOT.c.document_id))
    .outerjoin(_SOURCE, (_SOURCE.c.workshop_id == LOT.c.workshop_id) & (_SOURCE.c.id == LOT.c.document_id))
    .where(LOT.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM_ID)
)


def lots(connection: Connection, workshop: int, item: int) -> list[Row[Any]]:
    """Every lot of an item, the unbooked one too; `gone`: what brought it is reversed, or its count finds it no more;
    `since`: the day from which it is there (a part is as old as its parent, but there from its split on)."""
    return _LOTS.rows(connection, of(workshop, item))


_EDITS = Prepared(
    lambda lots: (
        select(LOT_EDIT, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.id)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == LOT_EDIT.c.workshop_id) & (DOCUMENT.c.id == LOT_EDIT.c.document_id))
        .where(LOT_EDIT.c.workshop_id == WORKSHOP, LOT_EDIT.c.lot_id.in_(lots))
        .order_by(DOCUMENT.c.id)
    ),
    "lots",
)


def edits(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """The edits of these lots, with their papers."""
    return _EDITS.rows(connection, {"workshop": workshop, "lots": sorted(lots)}) if lots else []


_LINES = Prepared(
    lambda documents: (
        select(LINE)
        .where(LINE.c.workshop_id == WORKSHOP, LINE.c.document_id.in_(documents))
        .order_by(LINE.c.document_id, LINE.c.n)
    ),
    "documents",
)


def lines(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """What these papers state now: their own lines, or those of the last correction that states them anew."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    found: dict[int, list[Row[Any]]] = {document: [] for document in documents}
    for row in _LINES.rows(connection, {"workshop": workshop, "documents": sorted(source)}) if source else []:
        found[source[row.document_id]].append(row)
    return found
