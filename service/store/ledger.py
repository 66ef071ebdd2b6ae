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
from service.core.movements import Movement as Moved
from service.store.tables import Counter, Document, Line, Lot, LotEdit, Movement, NamedLot

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
MOVEMENT = Movement.__table__  # type: ignore[attr-defined]
NAMED_LOT = NamedLot.__table__  # type: ignore[attr-defined]
LOT_EDIT = LotEdit.__table__  # type: ignore[attr-defined]
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
    states: bool = True  # False: a correction that only follows from another paper


@dataclass(frozen=True, slots=True)
class Stated:
    """What a paper says of one item; `paper` is the item's order of recording."""

    item_id: int
    paper: int
    quantity: int
    lot_id: int | None = None
    instead_of_id: int | None = None
    output: int | None = None
    mass_mg: int | None = None
    named: tuple[tuple[int, int | None], ...] = ()  # lots the bench named, each with a quantity or None


_SET_LOT = (
    update(LOT)
    .where(
        LOT.c.workshop_id == bindparam("workshop"),
        LOT.c.id == bindparam("lot"),
        LOT.c.on_hand == bindparam("before"),
    )
    .values(
        on_hand=bindparam("on_hand"),
        cost_left_micro=bindparam("worth"),
        opened_on=bindparam("opened_on"),
        use_by=bindparam("use_by"),
    )
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
        state(connection, workshop, paper.id, stated)
    add_lots(connection, workshop, new_lots)
    enter(connection, workshop, paper.id, moved)


def state(connection: Connection, workshop: int, document: int, stated: Sequence[Stated]) -> None:
    """Write what a posted paper states; its named lots must be there."""
    connection.execute(insert(LINE), _lines(workshop, document, stated))
    named = [
        {"workshop_id": workshop, "document_id": document, "n": n, "k": k, "lot_id": lot, "quantity": quantity}
        for n, line in enumerate(stated)
        for k, (lot, quantity) in enumerate(line.named)
    ]
    if named:
        connection.execute(insert(NAMED_LOT), named)


def enter(connection: Connection, workshop: int, document: int, entries: Entries) -> None:
    """Write a posted paper's movements, and move the lots' figures."""
    if entries.movements:
        enter_all(connection, workshop, [(document, 0, entries.movements)])
        settle(connection, workshop, entries.balances.values())


def add_papers(connection: Connection, workshop: int, papers: Sequence[Paper]) -> None:
    """Write papers that state nothing of their own (corrections)."""
    if papers:
        connection.execute(insert(DOCUMENT), [_document(workshop, paper) for paper in papers])


def add_lots(connection: Connection, workshop: int, new_lots: Sequence[dict[str, Any]]) -> None:
    """Write new lots, empty until their first movement."""
    if new_lots:
        connection.execute(insert(LOT), [{**lot, "workshop_id": workshop} for lot in new_lots])


def add_edit(connection: Connection, workshop: int, document: int, lot: int, facts: dict[str, Any]) -> None:
    """Write what an edit says of a lot."""
    text = json.dumps(facts, ensure_ascii=False, separators=(",", ":"), default=str)
    connection.execute(insert(LOT_EDIT), {"workshop_id": workshop, "document_id": document, "lot_id": lot, "facts": text})


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
        "states": paper.states,
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
            "instead_of_id": line.instead_of_id,
            "output": line.output,
            "mass_mg": line.mass_mg,
        }
        for n, line in enumerate(stated)
    ]


def enter_all(connection: Connection, workshop: int, moves: Iterable[tuple[int, int, Sequence[Moved]]]) -> None:
    """Write movements: (document, number of its first, movements) each."""
    values = [
        {
            "workshop_id": workshop,
            "document_id": document,
            "n": first + n,
            "line": move.line,
            "lot_id": move.lot_id,
            "quantity": move.quantity,
            "cost_micro": move.cost,
        }
        for document, first, some in moves
        for n, move in enumerate(some)
    ]
    if values:
        connection.execute(insert(MOVEMENT), values)


def settle(connection: Connection, workshop: int, balances: Iterable[Balance]) -> None:
    """Move the lots' figures to what their movements now sum to."""
    values = [
        {
            "workshop": workshop,
            "lot": lot.lot_id,
            "before": lot.before,
            "on_hand": lot.on_hand,
            "worth": lot.worth,
            "opened_on": lot.opened_on,
            "use_by": lot.use_by,
        }
        for lot in balances
    ]
    if not values:
        return
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


def _standing(table: Any) -> Any:
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
            DOCUMENT.c.workshop_id == table.c.workshop_id, DOCUMENT.c.id == table.c.document_id, reversal.c.id.is_(None),
            again.c.id.is_(None),
        )
        .exists()
    )  # fmt: skip


def named_of(connection: Connection, workshop: int, lot: int) -> int:
    """What standing papers name of a lot: named draws with a quantity, disposals, splits (positive)."""
    gone = select(func.coalesce(func.sum(-LINE.c.quantity), 0)).where(
        LINE.c.workshop_id == workshop, LINE.c.lot_id == lot, LINE.c.quantity < 0, _standing(LINE)
    )
    drawn = select(func.coalesce(func.sum(NAMED_LOT.c.quantity), 0)).where(
        NAMED_LOT.c.workshop_id == workshop, NAMED_LOT.c.lot_id == lot, _standing(NAMED_LOT)
    )
    return int(connection.execute(gone).scalar_one()) + int(connection.execute(drawn).scalar_one())


def naming(connection: Connection, workshop: int, lots: Collection[int], but: int) -> list[Row[Any]]:
    """Standing papers that name these lots (`id`, `code`, `kind` of the paper corrected or itself; `lot_id`), but one."""
    if not lots:
        return []
    paper = DOCUMENT.alias("paper")
    found: list[Row[Any]] = []
    for table in (LINE, NAMED_LOT):
        wanted = [
            table.c.workshop_id == workshop, table.c.lot_id.in_(sorted(lots)), _standing(table),
            paper.c.kind.in_(("run", "disposal", "split", "count", "shipment")), paper.c.id != but,
        ]  # fmt: skip
        named = select(paper.c.id, paper.c.code, paper.c.kind, table.c.lot_id).join(
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
