"""What a redraw reads: an item's papers from a day on, its lots as they came, and what the books say of each draw."""

from collections.abc import Collection, Iterator
from datetime import date
from typing import Any

from sqlalchemy import BigInteger, Connection, Date, Row, bindparam, case, func, or_, select

from service.store.prepared import Prepared, parts
from service.store.tables import Document, Line, Lot, LotEdit, Movement, NamedLot

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
LOT_EDIT = LotEdit.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
NAMED = NamedLot.__table__  # type: ignore[attr-defined]

ORIGIN = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id).label("origin")
_AS_STATED = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.id)
OF_LINE = (DOCUMENT.c.workshop_id == LINE.c.workshop_id) & (DOCUMENT.c.id == LINE.c.document_id)
OF_MOVEMENT = (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id)
_LOT_OF_MOVEMENT = (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id)
REVERSAL, _AGAIN = DOCUMENT.alias("reversal"), DOCUMENT.alias("again")
WORKSHOP, ITEM, SINCE = (
    bindparam(name, type_=type_) for name, type_ in (("workshop", BigInteger()), ("item", BigInteger()), ("since", Date()))
)
SOME = 200  # papers asked for at once


_FACTS = case((or_(DOCUMENT.c.kind == "shipment", DOCUMENT.c.kind == "split"), DOCUMENT.c.facts)).label("facts")  # else NULL
_TOLD = DOCUMENT.c.id, DOCUMENT.c.kind, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.corrects_id, _FACTS
_STANDS = (
    DOCUMENT.outerjoin(REVERSAL, (REVERSAL.c.workshop_id == DOCUMENT.c.workshop_id) & (REVERSAL.c.reverses_id == _AS_STATED))
    .outerjoin(
        _AGAIN,
        (_AGAIN.c.workshop_id == DOCUMENT.c.workshop_id) & (_AGAIN.c.corrects_id == _AS_STATED)
        & (_AGAIN.c.id > DOCUMENT.c.id) & _AGAIN.c.states.is_(True),
    )
)  # fmt: skip
_STATED_NOW = REVERSAL.c.id.is_(None), _AGAIN.c.id.is_(None)
_OF_ITEM = LINE.c.n, LINE.c.paper, LINE.c.quantity, LINE.c.lot_id, LINE.c.place
_PAPERS = Prepared(
    select(*_OF_ITEM, *_TOLD)
    .select_from(LINE.join(_STANDS, OF_LINE))
    .where(LINE.c.workshop_id == WORKSHOP, LINE.c.item_id == ITEM, DOCUMENT.c.happened_on >= SINCE, *_STATED_NOW)
    .order_by(DOCUMENT.c.id, LINE.c.n)
)


def papers(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """The standing lines of an item from a day on (reversed papers and restated lines left out), with their papers."""
    return _PAPERS.rows(connection, {"workshop": workshop, "item": item, "since": since})


_STANDING = Prepared(select(*_TOLD).select_from(_STANDS).where(DOCUMENT.c.workshop_id == WORKSHOP, *_STATED_NOW))
_LINES = Prepared(select(LINE.c.document_id, *_OF_ITEM).where(LINE.c.workshop_id == WORKSHOP, LINE.c.item_id == ITEM))
_ORIGINS = Prepared(
    select(DOCUMENT.c.id, ORIGIN).where(
        DOCUMENT.c.workshop_id == WORKSHOP, or_(DOCUMENT.c.corrects_id.is_not(None), DOCUMENT.c.reverses_id.is_not(None))
    )
)
_MOVED = Prepared(
    select(MOVEMENT.c.document_id, MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity)
    .join(LOT, _LOT_OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM)
)


def standing(connection: Connection, workshop: int) -> Iterator[Row[Any]]:
    """Every standing paper of a workshop, one after another."""
    return _STANDING.stream(connection, {"workshop": workshop})


def origins(connection: Connection, workshop: int) -> dict[int, int]:
    """Of each correction and reversal the paper it belongs to."""
    return {row.id: row.origin for row in _ORIGINS.stream(connection, {"workshop": workshop})}


def each_line(connection: Connection, workshop: int, item: int) -> Iterator[Row[Any]]:
    """All lines of an item, those of papers that no longer stand, too."""
    return _LINES.stream(connection, {"workshop": workshop, "item": item})


def each_movement(connection: Connection, workshop: int, item: int) -> Iterator[Any]:
    """All movements of an item's lots, each as its paper, line, lot and quantity."""
    return _MOVED.stream(connection, {"workshop": workshop, "item": item})


_OTHER_THAN_CAME = Prepared(
    select(LINE.c.document_id)
    .join(DOCUMENT, OF_LINE)
    .where(
        LINE.c.workshop_id == WORKSHOP, LINE.c.item_id == ITEM, DOCUMENT.c.happened_on >= SINCE,
        or_(LINE.c.quantity <= 0, DOCUMENT.c.kind == "count"),
    )
    .limit(1)
)  # fmt: skip


def only_came(connection: Connection, workshop: int, item: int, since: date) -> bool:
    """Whether nothing but arrivals of an item happened from a day on: then a late arrival moves nothing."""
    return _OTHER_THAN_CAME.first(connection, {"workshop": workshop, "item": item, "since": since}) is None


_RESTATED = Prepared(
    lambda ids: (
        select(DOCUMENT.c.corrects_id, func.max(DOCUMENT.c.id).label("last"))
        .where(DOCUMENT.c.workshop_id == WORKSHOP, DOCUMENT.c.states.is_(True), DOCUMENT.c.corrects_id.in_(ids))
        .group_by(DOCUMENT.c.corrects_id)
    ),
    "ids",
)


def restated(connection: Connection, workshop: int, origins: Collection[int]) -> dict[int, int]:
    """The last correction that states the lines of these papers anew, by the paper it corrects."""
    found: dict[int, int] = {}
    for some in parts(origins, SOME):
        found |= {row.corrects_id: row.last for row in _RESTATED.rows(connection, {"workshop": workshop, "ids": some})}
    return found


NamedLots = list[tuple[int, int | None]]
_NAMED_OF_ITEM = Prepared(
    select(NAMED)
    .join(LOT, (LOT.c.workshop_id == NAMED.c.workshop_id) & (LOT.c.id == NAMED.c.lot_id))
    .join(DOCUMENT, (DOCUMENT.c.workshop_id == NAMED.c.workshop_id) & (DOCUMENT.c.id == NAMED.c.document_id))
    .where(NAMED.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM, DOCUMENT.c.happened_on >= SINCE)
    .order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)
)
_NAMED_BY = Prepared(
    lambda ids: (
        select(NAMED)
        .where(NAMED.c.workshop_id == WORKSHOP, NAMED.c.document_id.in_(ids))
        .order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)
    ),
    "ids",
)


def named(connection: Connection, workshop: int, item: int, since: date) -> dict[tuple[int, int], NamedLots]:
    """The lots the bench named for lines of an item from a day on: (document, line) -> (lot, quantity) in their order."""
    found: dict[tuple[int, int], NamedLots] = {}
    for row in _NAMED_OF_ITEM.rows(connection, {"workshop": workshop, "item": item, "since": since}):
        found.setdefault((row.document_id, row.n), []).append((row.lot_id, row.quantity))
    return found


def named_by_all(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, dict[int, NamedLots]]:
    """The lots that these papers name now, by paper and line."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    found: dict[int, dict[int, NamedLots]] = {}
    for some in parts(source, SOME):
        for row in _NAMED_BY.rows(connection, {"workshop": workshop, "ids": some}):
            found.setdefault(source[row.document_id], {}).setdefault(row.n, []).append((row.lot_id, row.quantity))
    return found


_BOOKED = Prepared(
    select(ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, func.sum(MOVEMENT.c.quantity).label("quantity"))
    .join(DOCUMENT, OF_MOVEMENT)
    .join(LOT, _LOT_OF_MOVEMENT)
    .where(MOVEMENT.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM, DOCUMENT.c.happened_on >= SINCE)
    .group_by(ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id)
)


def booked(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """What the books say from a day on: `origin`, `line`, `lot_id`, `quantity`, netted over corrections and reversals."""
    return _BOOKED.rows(connection, {"workshop": workshop, "item": item, "since": since})


_SOURCE = DOCUMENT.alias("source")
_FOUND_ON = (
    select(func.min(DOCUMENT.c.happened_on))
    .select_from(MOVEMENT.join(DOCUMENT, OF_MOVEMENT))
    .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.workshop_id == LOT.c.workshop_id, MOVEMENT.c.lot_id == LOT.c.id)
    .group_by(ORIGIN.element)
    .having(func.sum(MOVEMENT.c.quantity) > 0)
    .order_by(func.min(DOCUMENT.c.happened_on))
    .limit(1)
    .correlate(LOT)
    .scalar_subquery()
)
_OF_COUNT = _SOURCE.c.kind == "count"
_APART = or_(_SOURCE.c.kind == "split", _SOURCE.c.kind == "return")
_LOTS = Prepared(
    select(
        LOT,
        or_(REVERSAL.c.id.is_not(None), case((_OF_COUNT, _FOUND_ON.is_(None)), else_=False)).label("gone"),
        case(
            (_OF_COUNT, func.coalesce(_FOUND_ON, LOT.c.received_on)), (_APART, _SOURCE.c.happened_on), else_=LOT.c.received_on
        ).label("since"),
    )
    .outerjoin(REVERSAL, (REVERSAL.c.workshop_id == LOT.c.workshop_id) & (REVERSAL.c.reverses_id == LOT.c.document_id))
    .outerjoin(_SOURCE, (_SOURCE.c.workshop_id == LOT.c.workshop_id) & (_SOURCE.c.id == LOT.c.document_id))
    .where(LOT.c.workshop_id == WORKSHOP, LOT.c.item_id == ITEM)
)


def lots(connection: Connection, workshop: int, item: int) -> list[Row[Any]]:
    """Every lot of an item, the unbooked one too; `gone`: what brought it is reversed, or no count finds any of it;
    `since`: the day from which it is there (a part from its split on, what a count found from the first that finds some)."""
    return _LOTS.rows(connection, {"workshop": workshop, "item": item})


_EDITS = Prepared(
    lambda ids: (
        select(LOT_EDIT, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.id)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == LOT_EDIT.c.workshop_id) & (DOCUMENT.c.id == LOT_EDIT.c.document_id))
        .where(LOT_EDIT.c.workshop_id == WORKSHOP, LOT_EDIT.c.lot_id.in_(ids))
        .order_by(DOCUMENT.c.id)
    ),
    "ids",
)


def edits(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """The edits of these lots, with their papers."""
    return _EDITS.rows(connection, {"workshop": workshop, "ids": sorted(lots)}) if lots else []


_DRAWS = Prepared(
    lambda ids: (
        select(
            MOVEMENT.c.lot_id, ORIGIN, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
            func.sum(MOVEMENT.c.cost_micro).label("cost"),
        )
        .join(DOCUMENT, OF_MOVEMENT)
        .where(MOVEMENT.c.workshop_id == WORKSHOP, MOVEMENT.c.lot_id.in_(ids))
        .group_by(MOVEMENT.c.lot_id, ORIGIN, MOVEMENT.c.line)
        .order_by(func.min(MOVEMENT.c.document_id), MOVEMENT.c.line)
    ),
    "ids",
)  # fmt: skip


def draws_of(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """All movements of these lots by origin and line, in the order of their first recording: grams and money."""
    return [row for some in parts(lots) for row in _DRAWS.rows(connection, {"workshop": workshop, "ids": some})]


_MOVEMENTS = Prepared(
    lambda ids: (
        select(
            ORIGIN, MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro, MOVEMENT.c.document_id,
            DOCUMENT.c.caused_by_id, LOT.c.item_id,
        )
        .join(DOCUMENT, OF_MOVEMENT)
        .join(LOT, _LOT_OF_MOVEMENT)
        .where(
            MOVEMENT.c.workshop_id == WORKSHOP,
            or_(DOCUMENT.c.id.in_(ids), DOCUMENT.c.corrects_id.in_(ids), DOCUMENT.c.reverses_id.in_(ids)),
        )
        .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
    ),
    "ids",
)  # fmt: skip


def movements(connection: Connection, workshop: int, documents: Collection[int]) -> list[Row[Any]]:
    """Every movement of these papers, of their corrections and reversals, in the order of recording (of each paper)."""
    return [row for some in parts(documents, SOME) for row in _MOVEMENTS.rows(connection, {"workshop": workshop, "ids": some})]


_STATED = Prepared(
    lambda ids: (
        select(LINE).where(LINE.c.workshop_id == WORKSHOP, LINE.c.document_id.in_(ids)).order_by(LINE.c.document_id, LINE.c.n)
    ),
    "ids",
)


def lines(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """What these papers state now: their own lines, or those of the last correction that states them anew."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    found: dict[int, list[Row[Any]]] = {document: [] for document in documents}
    for some in parts(source, SOME):
        for row in _STATED.rows(connection, {"workshop": workshop, "ids": some}):
            found[source[row.document_id]].append(row)
    return found
