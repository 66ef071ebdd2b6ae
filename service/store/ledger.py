"""The one door to the ledger: papers, what they state, what follows for each lot.

`post` is the only writer of movements and of a lot's figures; everything else only reads.
"""

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, func, insert, or_, select, update
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from service.core.movements import Balance, Entries
from service.store.tables import Counter, Document, Line, Lot, Movement

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
COUNTER = Counter.__table__  # type: ignore[attr-defined]


@dataclass(slots=True)
class Paper:
    """A document to be posted."""

    id: int
    code: str
    kind: str
    happened_on: date
    happened_at: datetime | None
    recorded_at: datetime
    token_id: int | None
    recorded_by: str
    reverses_id: int | None = None
    corrects_id: int | None = None
    caused_by_id: int | None = None
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Stated:
    """What a paper says of one item; `papers` is the item's order of recording."""

    item_id: int
    paper: int
    quantity: int
    lot_id: int | None = None
    lot_quantity: int | None = None
    instead_of_id: int | None = None


_SET_LOT = (
    update(LOT)
    .where(
        LOT.c.workshop_id == bindparam("workshop"),
        LOT.c.id == bindparam("lot"),
        LOT.c.on_hand == bindparam("before"),
    )
    .values(on_hand=bindparam("on_hand"), cost_left_micro=bindparam("worth"), opened_on=bindparam("opened_on"))
)


class BooksDisagree(RuntimeError):
    """A lot changed under a paper that held its item's lock: a bug, never a refusal."""


def post(
    connection: Connection,
    workshop: int,
    paper: Paper,
    stated: Sequence[Stated] = (),
    entries: Entries | None = None,
    new_lots: Sequence[dict[str, Any]] = (),
) -> None:
    """Write a paper, its lines, its new lots and its movements, and move the lots' figures."""
    moved = entries or Entries()
    connection.execute(insert(DOCUMENT), _document(workshop, paper))
    if stated:
        connection.execute(insert(LINE), _lines(workshop, paper.id, stated))
    if new_lots:
        connection.execute(insert(LOT), [{**lot, "workshop_id": workshop} for lot in new_lots])
    enter(connection, workshop, paper.id, moved)


def enter(connection: Connection, workshop: int, document: int, entries: Entries) -> None:
    """Write a posted paper's movements, and move the lots' figures."""
    if entries.movements:
        connection.execute(insert(MOVEMENT), _movements(workshop, document, entries))
        _set_lots(connection, workshop, entries.balances.values())


def _document(workshop: int, paper: Paper) -> dict[str, Any]:
    return {
        "workshop_id": workshop,
        "id": paper.id,
        "code": paper.code,
        "kind": paper.kind,
        "happened_on": paper.happened_on,
        "happened_at": paper.happened_at,
        "recorded_at": paper.recorded_at,
        "token_id": paper.token_id,
        "recorded_by": paper.recorded_by,
        "reverses_id": paper.reverses_id,
        "corrects_id": paper.corrects_id,
        "caused_by_id": paper.caused_by_id,
        "facts": json.dumps(paper.facts, ensure_ascii=False, separators=(",", ":"), default=str),
    }


def _lines(workshop: int, document: int, stated: Sequence[Stated]) -> list[dict[str, Any]]:
    return [
        {
            "workshop_id": workshop,
            "document_id": document,
            "n": n,
            "item_id": line.item_id,
            "paper": line.paper,
            "quantity": line.quantity,
            "lot_id": line.lot_id,
            "lot_quantity": line.lot_quantity,
            "instead_of_id": line.instead_of_id,
        }
        for n, line in enumerate(stated)
    ]


def _movements(workshop: int, document: int, entries: Entries) -> list[dict[str, Any]]:
    return [
        {
            "workshop_id": workshop,
            "document_id": document,
            "n": n,
            "line": move.line,
            "lot_id": move.lot_id,
            "quantity": move.quantity,
            "cost_micro": move.cost,
        }
        for n, move in enumerate(entries.movements)
    ]


def _set_lots(connection: Connection, workshop: int, balances: Iterable[Balance]) -> None:
    values = [
        {
            "workshop": workshop,
            "lot": lot.lot_id,
            "before": lot.before,
            "on_hand": lot.on_hand,
            "worth": lot.worth,
            "opened_on": lot.opened_on,
        }
        for lot in balances
    ]
    changed = connection.execute(_SET_LOT, values).rowcount
    if changed not in (-1, len(values)):
        raise BooksDisagree(f"{len(values) - changed} lots changed meanwhile")


def next_number(connection: Connection, workshop: int, series: str) -> int:
    """The next number of a series of readable codes; the row stays locked until the end of the act."""
    upsert: Any = sqlite_insert if connection.dialect.name == "sqlite" else postgresql_insert
    statement = (
        upsert(COUNTER)
        .values(workshop_id=workshop, series=series, last=1)
        .on_conflict_do_update(index_elements=["workshop_id", "series"], set_={"last": COUNTER.c.last + 1})
        .returning(COUNTER.c.last)
    )
    return int(connection.execute(statement).scalar_one())


def by_code(connection: Connection, workshop: int, code: str, *kinds: str) -> Row[Any] | None:
    """A document by its code, of one of these kinds when any are given."""
    wanted = [DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.code == code]
    if kinds:
        wanted.append(DOCUMENT.c.kind.in_(kinds))
    return connection.execute(select(DOCUMENT).where(*wanted)).first()


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Documents by id."""
    if not ids:
        return {}
    found = connection.execute(select(DOCUMENT).where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.id.in_(sorted(ids))))
    return {row.id: row for row in found}


def page(connection: Connection, workshop: int, kinds: Collection[str], after: int | None, limit: int) -> list[Row[Any]]:
    """Documents of these kinds, newest first; `after` is the last id seen."""
    wanted = [DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.kind.in_(sorted(kinds))]
    if after is not None:
        wanted.append(DOCUMENT.c.id < after)
    return list(connection.execute(select(DOCUMENT).where(*wanted).order_by(DOCUMENT.c.id.desc()).limit(limit)))


def reversal_of(connection: Connection, workshop: int, document: int) -> Row[Any] | None:
    """The reversal of a document, if it has one."""
    return connection.execute(
        select(DOCUMENT).where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.reverses_id == document)
    ).first()


def lines_of(connection: Connection, workshop: int, document: int) -> list[Row[Any]]:
    """What a document states."""
    return list(
        connection.execute(select(LINE).where(LINE.c.workshop_id == workshop, LINE.c.document_id == document).order_by(LINE.c.n))
    )


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


def corrections_of(connection: Connection, workshop: int, document: int) -> list[Row[Any]]:
    """The corrections that name this document."""
    return list(
        connection.execute(
            select(DOCUMENT).where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.corrects_id == document).order_by(DOCUMENT.c.id)
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


def lots_touched_since(connection: Connection, workshop: int, lots: Collection[int], document: int) -> list[Row[Any]]:
    """Which standing documents moved these lots, other than `document` itself."""
    if not lots:
        return []
    reversal = DOCUMENT.alias("reversal")
    return list(
        connection.execute(
            select(DOCUMENT.c.id, DOCUMENT.c.code, DOCUMENT.c.kind, func.min(LOT.c.code).label("lot_code"))
            .join(
                MOVEMENT,
                (MOVEMENT.c.workshop_id == DOCUMENT.c.workshop_id) & (MOVEMENT.c.document_id == DOCUMENT.c.id),
            )
            .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
            .outerjoin(
                reversal,
                (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id),
            )
            .where(
                DOCUMENT.c.workshop_id == workshop,
                MOVEMENT.c.lot_id.in_(sorted(lots)),
                DOCUMENT.c.id != document,
                DOCUMENT.c.reverses_id.is_(None),
                reversal.c.id.is_(None),
            )
            .group_by(DOCUMENT.c.id, DOCUMENT.c.code, DOCUMENT.c.kind)
            .order_by(DOCUMENT.c.id)
        )
    )


def unbooked_draws(connection: Connection, workshop: int, item: int) -> list[Row[Any]]:
    """What is still unbooked, draw by draw, oldest first: `origin` document, `line`, `quantity` (positive)."""
    origin = func.coalesce(DOCUMENT.c.corrects_id, DOCUMENT.c.reverses_id, DOCUMENT.c.id).label("origin")
    sums = (
        select(
            origin,
            MOVEMENT.c.line,
            (-func.sum(MOVEMENT.c.quantity)).label("quantity"),
            func.sum(MOVEMENT.c.cost_micro).label("cost"),
        )
        .join(
            DOCUMENT,
            (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id),
        )
        .where(MOVEMENT.c.workshop_id == workshop, MOVEMENT.c.lot_id == item)
        .group_by(origin, MOVEMENT.c.line)
        .having(func.sum(MOVEMENT.c.quantity) < 0)
        .subquery()
    )
    return list(
        connection.execute(
            select(sums, DOCUMENT.c.code, DOCUMENT.c.kind, DOCUMENT.c.happened_on, DOCUMENT.c.happened_at)
            .join(DOCUMENT, (DOCUMENT.c.workshop_id == workshop) & (DOCUMENT.c.id == sums.c.origin))
            .order_by(DOCUMENT.c.happened_on, DOCUMENT.c.id, sums.c.line)
        )
    )


def moved_since(connection: Connection, workshop: int, item: int, day: date, at: datetime | None) -> dict[int, int]:
    """What moved in each lot of an item after a moment, by when it happened."""
    later = DOCUMENT.c.happened_on > day
    if at is not None:
        later = or_(later, (DOCUMENT.c.happened_on == day) & (DOCUMENT.c.happened_at > at))
    rows = connection.execute(
        select(MOVEMENT.c.lot_id, func.sum(MOVEMENT.c.quantity).label("moved"))
        .join(LOT, (LOT.c.workshop_id == MOVEMENT.c.workshop_id) & (LOT.c.id == MOVEMENT.c.lot_id))
        .join(
            DOCUMENT,
            (DOCUMENT.c.workshop_id == MOVEMENT.c.workshop_id) & (DOCUMENT.c.id == MOVEMENT.c.document_id),
        )
        .where(MOVEMENT.c.workshop_id == workshop, LOT.c.item_id == item, later)
        .group_by(MOVEMENT.c.lot_id)
    )
    return {row.lot_id: int(row.moved) for row in rows}


def caused_by(connection: Connection, workshop: int, document: int) -> list[Row[Any]]:
    """The corrections a document caused."""
    return list(
        connection.execute(
            select(DOCUMENT)
            .where(DOCUMENT.c.workshop_id == workshop, DOCUMENT.c.caused_by_id == document)
            .order_by(DOCUMENT.c.id)
        )
    )


def counts_since(connection: Connection, workshop: int, items: Collection[int], document: int) -> list[Row[Any]]:
    """Standing counts of these items recorded after a document."""
    reversal = DOCUMENT.alias("reversal")
    return list(
        connection.execute(
            select(DOCUMENT.c.id, DOCUMENT.c.code, DOCUMENT.c.kind)
            .join(LINE, (LINE.c.workshop_id == DOCUMENT.c.workshop_id) & (LINE.c.document_id == DOCUMENT.c.id))
            .outerjoin(
                reversal,
                (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id),
            )
            .where(
                DOCUMENT.c.workshop_id == workshop,
                DOCUMENT.c.kind == "count",
                LINE.c.item_id.in_(sorted(items)),
                DOCUMENT.c.id > document,
                reversal.c.id.is_(None),
            )
            .order_by(DOCUMENT.c.id)
        )
    )
