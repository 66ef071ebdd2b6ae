"""The one door to the ledger: papers, what they state, what follows for each lot.

`post` is the only writer of movements and of a lot's figures; everything else only reads.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, bindparam, insert, update
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from service.core.stock.movements import Balance, Entries
from service.core.stock.movements import Movement as Moved
from service.store.prepared import Prepared
from service.store.tables import Counter, Document, Line, Lot, LotEdit, Movement, NamedLot
from service.store.written import written

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
    place: str | None = None  # that was counted


_ADD_DOCUMENT, _ADD_LINE, _ADD_NAMED = Prepared(insert(DOCUMENT)), Prepared(insert(LINE)), Prepared(insert(NAMED_LOT))
_ADD_LOT, _ADD_MOVEMENT = Prepared(insert(LOT)), Prepared(insert(MOVEMENT))
_SET_LOT = Prepared(
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
    _ADD_DOCUMENT.run(connection, _document(workshop, paper))
    if stated:
        state(connection, workshop, paper.id, stated)
    add_lots(connection, workshop, new_lots)
    enter(connection, workshop, paper.id, moved)


def state(connection: Connection, workshop: int, document: int, stated: Sequence[Stated]) -> None:
    """Write what a posted paper states; its named lots must be there."""
    _ADD_LINE.many(connection, _lines(workshop, document, stated))
    named = [
        {"workshop_id": workshop, "document_id": document, "n": n, "k": k, "lot_id": lot, "quantity": quantity}
        for n, line in enumerate(stated)
        for k, (lot, quantity) in enumerate(line.named)
    ]
    if named:
        _ADD_NAMED.many(connection, named)


def enter(connection: Connection, workshop: int, document: int, entries: Entries) -> None:
    """Write a posted paper's movements, and move the lots' figures."""
    if entries.movements:
        enter_all(connection, workshop, [(document, 0, entries.movements)])
        settle(connection, workshop, entries.balances.values())


def add_papers(connection: Connection, workshop: int, papers: Sequence[Paper]) -> None:
    """Write papers that state nothing of their own (corrections)."""
    if papers:
        _ADD_DOCUMENT.many(connection, [_document(workshop, paper) for paper in papers])


def add_lots(connection: Connection, workshop: int, new_lots: Sequence[dict[str, Any]]) -> None:
    """Write new lots, empty until their first movement."""
    if new_lots:
        _ADD_LOT.many(connection, [{**lot, "workshop_id": workshop} for lot in new_lots])


def add_edit(connection: Connection, workshop: int, document: int, lot: int, facts: dict[str, Any]) -> None:
    """Write what an edit says of a lot."""
    text = written(facts)
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
        "facts": written(paper.facts),
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
            "place": line.place,
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
        _ADD_MOVEMENT.many(connection, values)


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
    changed = _SET_LOT.many(connection, values)
    if changed not in (-1, len(values)):
        raise BooksDisagree(f"{len(values) - changed} lots changed meanwhile")


def _next(upsert: Any) -> Prepared:
    return Prepared(
        upsert(COUNTER)
        .values(workshop_id=bindparam("workshop_id"), series=bindparam("series"), last=bindparam("count"))
        .on_conflict_do_update(index_elements=["workshop_id", "series"], set_={"last": COUNTER.c.last + bindparam("count")})
        .returning(COUNTER.c.last)
    )


_NEXT = {"sqlite": _next(sqlite_insert), "postgresql": _next(postgresql_insert)}


def next_numbers(connection: Connection, workshop: int, series: str, count: int) -> range:
    """The next numbers of a series of readable codes; the row stays locked until the end of the act."""
    found = _NEXT[connection.dialect.name].first(connection, {"workshop_id": workshop, "series": series, "count": count})
    assert found is not None
    return range(found.last - count + 1, found.last + 1)
