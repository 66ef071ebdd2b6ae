"""What a redraw reads: an item's papers from a day on, its lots as they came, and what the books say of each draw."""

from collections.abc import Collection
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, case, func, or_, select

from service.store.tables import Document, Item, Line, Lot, LotEdit, Movement, NamedLot

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
LOT_EDIT = LotEdit.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
NAMED = NamedLot.__table__  # type: ignore[attr-defined]

ORIGIN = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id)
_OF_MOVEMENT = (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id)
_LOT_OF_MOVEMENT = (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id)


def papers(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """The standing lines of an item from a day on (reversed papers and restated lines left out), with their papers."""
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(
            LINE, DOCUMENT.c.kind, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.corrects_id, DOCUMENT.c.id,
            DOCUMENT.c.code, DOCUMENT.c.facts,
        )
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == LINE.c.workshop_id) & (DOCUMENT.c.id == LINE.c.document_id))
        .outerjoin(
            reversal,
            (reversal.c.workshop_id == DOCUMENT.c.workshop_id)
            & (reversal.c.reverses_id == func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.id)),
        )
        .where(
            LINE.c.workshop_id == workshop, LINE.c.item_id == item, DOCUMENT.c.happened_on >= since, reversal.c.id.is_(None)
        )
        .order_by(DOCUMENT.c.id, LINE.c.n)
    )  # fmt: skip
    found: list[Row[Any]] = list(connection.execute(statement))
    last = restated(connection, workshop, {row.corrects_id or row.id for row in found})
    return [row for row in found if last.get(row.corrects_id or row.id, row.id) == row.id]


def only_came(connection: Connection, workshop: int, item: int, since: date) -> bool:
    """Whether nothing but arrivals of an item happened from a day on: then a late arrival moves nothing."""
    other = (
        select(LINE.c.document_id)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == LINE.c.workshop_id) & (DOCUMENT.c.id == LINE.c.document_id))
        .where(
            LINE.c.workshop_id == workshop, LINE.c.item_id == item, DOCUMENT.c.happened_on >= since,
            or_(LINE.c.quantity <= 0, DOCUMENT.c.kind == "count"),
        )
        .limit(1)
    )  # fmt: skip
    return connection.execute(other).first() is None


def restated(connection: Connection, workshop: int, origins: Collection[int]) -> dict[int, int]:
    """The last correction that states the lines of these papers anew, by the paper it corrects."""
    if not origins:
        return {}
    last = (
        select(DOCUMENT.c.corrects_id, func.max(DOCUMENT.c.id).label("last"))
        .where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.kind == "correction", DOCUMENT.c.states.is_(True))
        .group_by(DOCUMENT.c.corrects_id)
    )
    found: dict[int, int] = {}
    wanted = sorted(origins)
    for at in range(0, len(wanted), 500):
        for row in connection.execute(last.where(DOCUMENT.c.corrects_id.in_(wanted[at : at + 500]))):
            found[row.corrects_id] = row.last
    return found


def named(connection: Connection, workshop: int, item: int, since: date) -> dict[tuple[int, int], list[tuple[int, int | None]]]:
    """The lots the bench named for lines of an item from a day on: (document, line) -> (lot, quantity) in their order."""
    rows = connection.execute(
        select(NAMED)
        .join(LOT, (LOT.c.workshop_id == NAMED.c.workshop_id) & (LOT.c.id == NAMED.c.lot_id))
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == NAMED.c.workshop_id) & (DOCUMENT.c.id == NAMED.c.document_id))
        .where(NAMED.c.workshop_id == workshop, LOT.c.item_id == item, DOCUMENT.c.happened_on >= since)
        .order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)
    )
    found: dict[tuple[int, int], list[tuple[int, int | None]]] = {}
    for row in rows:
        found.setdefault((row.document_id, row.n), []).append((row.lot_id, row.quantity))
    return found


def named_by_all(
    connection: Connection, workshop: int, documents: Collection[int]
) -> dict[int, dict[int, list[tuple[int, int | None]]]]:
    """The lots that these papers name now, by paper and line."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    found: dict[int, dict[int, list[tuple[int, int | None]]]] = {}
    wanted = (NAMED.c.workshop_id == workshop) & NAMED.c.document_id.in_(sorted(source))
    for row in connection.execute(select(NAMED).where(wanted).order_by(NAMED.c.document_id, NAMED.c.n, NAMED.c.k)):
        found.setdefault(source[row.document_id], {}).setdefault(row.n, []).append((row.lot_id, row.quantity))
    return found


def booked(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """What the books say from a day on: `origin`, `line`, `lot_id`, `quantity`, netted over corrections and reversals."""
    origin = ORIGIN.label("origin")
    return list(
        connection.execute(
            select(origin, MOVEMENT.c.line, MOVEMENT.c.lot_id, func.sum(MOVEMENT.c.quantity).label("quantity"))
            .join(DOCUMENT, _OF_MOVEMENT)
            .join(LOT, _LOT_OF_MOVEMENT)
            .where(MOVEMENT.c.workshop_id == workshop, LOT.c.item_id == item, DOCUMENT.c.happened_on >= since)
            .group_by(origin, MOVEMENT.c.line, MOVEMENT.c.lot_id)
        )
    )


def unbooked_before(connection: Connection, workshop: int, item: int, day: date) -> list[Row[Any]]:
    """Draws of earlier days that are unbooked in the books, oldest first."""
    origin = ORIGIN.label("origin")
    return list(
        connection.execute(
            select(
                origin, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
                func.min(DOCUMENT.c.happened_on).label("happened_on"), func.min(DOCUMENT.c.happened_at).label("happened_at"),
                func.max(case((DOCUMENT.c.kind == "count", 1), else_=0)).label("is_count"),
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id == item, DOCUMENT.c.happened_on < day)
            .group_by(origin, MOVEMENT.c.line)
            .having(func.sum(MOVEMENT.c.quantity) < 0)
            .order_by(func.min(DOCUMENT.c.happened_on), origin)
        )
    )  # fmt: skip


def last_count_before(connection: Connection, workshop: int, item: int, day: date, but: int) -> Row[Any] | None:
    """The last standing count of the whole item before a day, other than one."""
    reversal = DOCUMENT.alias("reversal")
    return connection.execute(
        select(DOCUMENT.c.happened_on, DOCUMENT.c.happened_at)
        .join(LINE, (LINE.c.workshop_id == DOCUMENT.c.workshop_id) & (LINE.c.document_id == DOCUMENT.c.id))
        .outerjoin(
            reversal, (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id)
        )
        .where(
            DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.kind == "count", LINE.c.item_id == item, LINE.c.lot_id.is_(None),
            LINE.c.place.is_(None),
            DOCUMENT.c.happened_on < day, reversal.c.id.is_(None), DOCUMENT.c.id != but,
        )
        .order_by(DOCUMENT.c.happened_on.desc(), DOCUMENT.c.happened_at.is_(None).desc(), DOCUMENT.c.happened_at.desc())
        .limit(1)
    ).first()  # fmt: skip


def lots(connection: Connection, workshop: int, item: int) -> list[Row[Any]]:
    """Every lot of an item, the unbooked one too; `gone`: what brought it is reversed, or its count finds it no more;
    `since`: the day from which it is there (a part is as old as its parent, but there from its split on)."""
    reversal, source = DOCUMENT.alias("reversal"), DOCUMENT.alias("source")
    back = (reversal.c.workshop_id == LOT.c.workshop_id) & (reversal.c.reverses_id == LOT.c.document_id)
    found = select(func.coalesce(func.sum(MOVEMENT.c.quantity), 0)).join(DOCUMENT, _OF_MOVEMENT)
    found = found.where(MOVEMENT.c.workshop_id == LOT.c.workshop_id, MOVEMENT.c.lot_id == LOT.c.id, LOT.c.document_id == ORIGIN)
    no_more = case((source.c.kind == "count", found.correlate(LOT).scalar_subquery() == 0), else_=False)
    since = case((source.c.kind.in_(("split", "return")), source.c.happened_on), else_=LOT.c.received_on)
    statement: Any = select(LOT, or_(reversal.c.id.is_not(None), no_more).label("gone"), since.label("since"))
    source_of = (source.c.workshop_id == LOT.c.workshop_id) & (source.c.id == LOT.c.document_id)
    statement = statement.outerjoin(reversal, back).outerjoin(source, source_of)
    return list(connection.execute(statement.where(LOT.c.workshop_id == workshop, LOT.c.item_id == item)))


def edits(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """The edits of these lots, with their papers."""
    if not lots:
        return []
    return list(
        connection.execute(
            select(LOT_EDIT, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at, DOCUMENT.c.id)
            .join(DOCUMENT, (DOCUMENT.c.workshop_id == LOT_EDIT.c.workshop_id) & (DOCUMENT.c.id == LOT_EDIT.c.document_id))
            .where(LOT_EDIT.c.workshop_id == workshop, LOT_EDIT.c.lot_id.in_(sorted(lots)))
            .order_by(DOCUMENT.c.id)
        )
    )


def draws_of(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """All movements of these lots by origin and line, in the order of their first recording: grams and money."""
    origin = ORIGIN.label("origin")
    return list(
        connection.execute(
            select(
                MOVEMENT.c.lot_id, origin, MOVEMENT.c.line, func.sum(MOVEMENT.c.quantity).label("quantity"),
                func.sum(MOVEMENT.c.cost_micro).label("cost"), func.min(MOVEMENT.c.document_id).label("first"),
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id.in_(sorted(lots)))
            .group_by(MOVEMENT.c.lot_id, origin, MOVEMENT.c.line)
            .order_by(func.min(MOVEMENT.c.document_id), MOVEMENT.c.line)
        )
    )  # fmt: skip


def movements(connection: Connection, workshop: int, documents: Collection[int]) -> list[Row[Any]]:
    """Every movement of these papers, of their corrections and reversals, in the order of recording."""
    found: list[Row[Any]] = []
    wanted = sorted(documents)
    for at in range(0, len(wanted), 200):
        some = wanted[at : at + 200]
        of_them = or_(DOCUMENT.c.id.in_(some), DOCUMENT.c.corrects_id.in_(some), DOCUMENT.c.reverses_id.in_(some))
        statement: Any = (
            select(
                ORIGIN.label("origin"), MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro,
                MOVEMENT.c.document_id, DOCUMENT.c.caused_by_id, LOT.c.item_id,
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .join(LOT, _LOT_OF_MOVEMENT)
            .where(MOVEMENT.c.workshop_id == workshop, of_them)
            .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
        )  # fmt: skip
        found.extend(connection.execute(statement))
    return found


def beyond(connection: Connection, workshop: int, item: int, since: date) -> list[Row[Any]]:
    """Every movement of an item's unbooked lot from a day on, in the order of recording."""
    return list(
        connection.execute(
            select(
                ORIGIN.label("origin"), MOVEMENT.c.line, MOVEMENT.c.lot_id, MOVEMENT.c.quantity, MOVEMENT.c.cost_micro,
                MOVEMENT.c.document_id,
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id == item, DOCUMENT.c.happened_on >= since)
            .order_by(MOVEMENT.c.document_id, MOVEMENT.c.n)
        )
    )  # fmt: skip


def first_beyond(connection: Connection, workshop: int, item: int) -> list[date]:
    """Days by which a draw of an item was ever unbooked: as the books moved it, and as a redraw found it."""
    first = select(DOCUMENT.c.happened_on).join(MOVEMENT, _OF_MOVEMENT)
    first = first.where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id == item)
    noted = select(ITEM.c.unbooked_since).where(ITEM.c.workshop_id == workshop, ITEM.c.id == item)
    days = connection.execute(first.order_by(DOCUMENT.c.happened_on).limit(1)).scalar(), connection.execute(noted).scalar()
    return [day for day in days if day is not None]


def any_beyond(connection: Connection, workshop: int, item: int) -> bool:
    """Whether anything of an item was ever unbooked."""
    found = select(MOVEMENT.c.document_id).where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id == item).limit(1)
    return connection.execute(found).first() is not None


def lines(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """What these papers state now: their own lines, or those of the last correction that states them anew."""
    last = restated(connection, workshop, documents)
    source = {last.get(document, document): document for document in documents}
    rows = connection.execute(
        select(LINE)
        .where(LINE.c.workshop_id == workshop, LINE.c.document_id.in_(sorted(source)))
        .order_by(LINE.c.document_id, LINE.c.n)
    )
    found: dict[int, list[Row[Any]]] = {document: [] for document in documents}
    for row in rows:
        found[source[row.document_id]].append(row)
    return found


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
                func.sum(MOVEMENT.c.cost_micro).label("cost"),
            )
            .join(DOCUMENT, _OF_MOVEMENT)
            .join(LOT, _LOT_OF_MOVEMENT)
            .where(*wanted)
            .group_by(MOVEMENT.c.lot_id, LOT.c.cost_micro, LOT.c.estimated)
        )
    )  # fmt: skip
