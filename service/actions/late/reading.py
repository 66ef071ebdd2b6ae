"""From the database to the core: an item's lots and papers as acts, at the start of a day or as they are now."""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core.stock import happening
from service.core.stock.acts import Act, Assumed, Came, Counted, Divided, Edited, Gone, Lot, Named, Paper
from service.core.stock.lateness import Open, Shelves
from service.store import places, replay, unbooked
from service.store.items import ItemRow

LOT_FACTS = {"status", "expires_on", "retest_on", "ready_on", "opened_on", "opened_by_hand", "place", "set_apart"}
NO_LOTS: frozenset[int] = frozenset()
DATES = ("expires_on", "retest_on", "ready_on", "opened_on", "received_on")


def now(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], but: int) -> Shelves:
    """The item's shelves as the books have them now."""
    shelves = Shelves()
    for row in rows.values():
        if row.id != item.id and not row.gone:
            lot = shelves.lots[row.id] = current(row)
            lot.quantity = row.on_hand
    shelves.open = _outstanding(scope, item, date.max, but) if rows[item.id].on_hand else []
    return shelves


def current(row: Row[Any]) -> Lot:
    """A lot as it is now."""
    return Lot(
        row.id, row.code, row.received_on, 0, row.status, row.expires_on, row.retest_on, row.ready_on, row.opened_on,
        row.opened_by_hand, row.opened_life_days, row.set_apart, row.place,
    )  # fmt: skip


def _outstanding(scope: Scope, item: ItemRow, before: date, but: int = 0) -> list[Open]:
    """Unbooked draws of earlier days that no count of the item cleared, oldest first."""
    connection, workshop = scope.connection, scope.workshop.id
    count = unbooked.last_count_before(connection, workshop, item.id, before, but)
    after = happening.rank(count.happened_on, count.happened_at, count=happening.OF_ITEM) if count is not None else 0
    found: list[Open] = []
    for row in unbooked.before(connection, workshop, item.id, before):
        rank = happening.rank(row.happened_on, row.happened_at, happening.ASSUMED)
        if not row.is_count and rank > after:
            found.append(Open(row.origin, row.line, -int(row.quantity), row.happened_on, (rank, row.origin, row.line, True)))
    return sorted(found, key=lambda one: one.order)


def as_of(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], since: date, booked: Iterable[Row[Any]]) -> Shelves:
    """The item's shelves at the start of a day: what the books hold now, less what moved since (`booked`)."""
    left: dict[int, int] = {row.id: row.on_hand for row in rows.values()}
    for moved in booked:
        left[moved.lot_id] -= int(moved.quantity)
    shelves = Shelves()
    early = [row for row in rows.values() if row.id != item.id and row.since < since and not row.gone]
    edits = _edits_by_lot(scope, early)
    for row in early:
        lot = arrived(row)
        lot.quantity = left[row.id]
        for edit in edits[row.id]:
            if edit.happened_on < since:
                _set(lot, json.loads(edit.facts))
        if not lot.opened_by_hand and row.opened_on is not None and row.opened_on < since and not row.opened_by_hand:
            lot.opened_on = row.opened_on
        shelves.lots[row.id] = lot
    shelves.open = _outstanding(scope, item, since)
    return shelves


def arrived(row: Row[Any]) -> Lot:
    """A lot as it came, before any edit or draw."""
    lot = Lot(row.id, row.code, row.received_on, 0, row.status, row.expires_on, row.retest_on, row.ready_on)
    lot.opened_life_days, lot.place, lot.set_apart = row.opened_life_days, row.place, row.set_apart
    if row.arrived is not None:
        _set(lot, json.loads(row.arrived))
    elif row.opened_by_hand:
        lot.opened_on, lot.opened_by_hand = row.opened_on, True
    return lot


def kept(facts: dict[str, Any]) -> str:
    """Facts of a lot before its first edit, as they are kept: what a redraw starts from."""
    return json.dumps(facts, default=str)


def _set(lot: Lot, facts: dict[str, Any]) -> None:
    for name, value in facts.items():
        if name in LOT_FACTS:
            setattr(lot, name, date.fromisoformat(value) if name in DATES and value else value)


def _edits_by_lot(scope: Scope, rows: list[Row[Any]]) -> dict[int, list[Row[Any]]]:
    found: dict[int, list[Row[Any]]] = defaultdict(list)
    edited = [row.id for row in rows if row.arrived is not None]
    for edit in replay.edits(scope.connection, scope.workshop.id, edited):
        found[edit.lot_id].append(edit)
    for some in found.values():
        some.sort(key=lambda one: (happening.rank(one.happened_on, one.happened_at), one.document_id))
    return found


class Told(NamedTuple):
    """A paper while its lines are read."""

    id: int
    origin: int
    kind: str
    day: date
    timed: bool
    moment: int  # as `happening.moment` has it
    facts: str | None  # of a shipment or a split


Lines = Iterable[tuple[Row[Any], Told]]


def told(row: Row[Any]) -> Told:
    """What a paper's row says."""
    moment = happening.moment(row.happened_on, row.happened_at)
    return Told(row.id, row.corrects_id or row.id, row.kind, row.happened_on, row.happened_at is not None, moment, row.facts)


@dataclass(frozen=True, slots=True)
class Papers:
    """All papers of a workshop, each read once for the lines of every item: what stands, and what belongs to what."""

    standing: dict[int, Told]
    origins: dict[int, int]  # of each correction and reversal the paper it belongs to

    @classmethod
    def read(cls, scope: Scope) -> "Papers":
        """The papers of the scope's workshop."""
        connection, workshop = scope.connection, scope.workshop.id
        standing = {row.id: told(row) for row in replay.standing(connection, workshop)}
        return cls(standing, replay.origins(connection, workshop))

    def lines(self, scope: Scope, item: ItemRow) -> Lines:
        """The standing lines of an item, with their papers."""
        for line in replay.each_line(scope.connection, scope.workshop.id, item.id):
            by = self.standing.get(line.document_id)
            if by is not None:
                yield line, by


def acts_since(scope: Scope, item: ItemRow, rows: dict[int, Row[Any]], lines: Lines, since: date) -> list[Paper]:
    """The item's lines from a day on as acts of the core."""
    by_lot = _edits_by_lot(scope, list(rows.values()))
    named = replay.named(scope.connection, scope.workshop.id, item.id, since)
    beside = _Beside.of(Found.of(scope, item), rows, by_lot, named)
    before = {lot: [edit for edit in some if edit.happened_on < since] for lot, some in by_lot.items()}
    found: list[Paper] = []
    for line, by in lines:
        if not item.stocked and by.kind == "run" and line.lot_id is None:  # on every sheet, but drawn from nothing
            continue
        for act, place, count in beside.acts(line, by):
            order = by.moment + happening.within(by.timed, place, count), line.paper, line.n, isinstance(act, Assumed)
            found.append(Paper(order, by.origin, by.day, act))
            if isinstance(act, Came):
                for edit in before.get(act.lot.id, ()):  # of days before the one its receipt was corrected to
                    _set(act.lot, json.loads(edit.facts))
    return found


Placed = tuple[Act, int, int]  # an act, its place in a day without a time, what it counts


@dataclass(frozen=True, slots=True)
class _Beside:
    """What is told of an item beside its lines: its lots, their edits, and the lots that were named."""

    found: "Found"
    rows: dict[int, Row[Any]]
    edits: dict[tuple[int, int], Row[Any]]  # by paper and lot
    named: dict[tuple[int, int], replay.NamedLots]  # by paper and line
    mine: dict[int, frozenset[int]]  # the lots that a paper made
    children: dict[int, Row[Any]]  # the last of them

    @classmethod
    def of(cls, found: "Found", rows: dict[int, Row[Any]], by_lot: dict[int, list[Row[Any]]], named: Any) -> "_Beside":
        edits = {(edit.document_id, edit.lot_id): edit for some in by_lot.values() for edit in some}
        mine: dict[int, frozenset[int]] = {}
        children: dict[int, Row[Any]] = {}
        for row in rows.values():
            if row.document_id is not None:
                mine[row.document_id] = mine.get(row.document_id, NO_LOTS) | {row.id}
                children[row.document_id] = row
        return cls(found, rows, edits, named, mine, children)

    def acts(self, line: Any, by: Told) -> Sequence[Placed]:
        """The acts of one line."""
        if line.lot_id is None and line.quantity <= 0 and by.kind != "count":
            return self._draw(line, by)
        match by.kind:
            case "count":
                return (self._count(line, by),)
            case "edit":
                edit = self.edits.get((by.id, line.lot_id))
                facts = _dated(json.loads(edit.facts)) if edit is not None else {}
                return ((Edited(line.lot_id, facts), happening.CAME, 0),)
            case "split":
                said = frozenset(json.loads(str(by.facts)).get("told", ()))
                if "place" in said:  # whether production draws from there goes with it
                    said |= {"set_apart"}
                divided = Divided(line.lot_id, arrived(self.children[by.id]), -line.quantity, said)
                return ((divided, happening.SPLIT, 0),)
            case "disposal":
                return ((Gone(line.lot_id, -line.quantity), happening.GONE, 0),)
        return ((Came(arrived(self.rows[line.lot_id]), line.quantity), happening.CAME, 0),)

    def _count(self, line: Any, by: Told) -> Placed:
        if line.lot_id is not None:  # one that only a count had found, which finds none by now, is there from here on
            return Counted(line.quantity, lot=line.lot_id, own=arrived(self.rows[line.lot_id])), 0, happening.OF_LOTS
        count = happening.OF_ITEM if line.place is None else happening.OF_LOTS
        rank = by.moment + happening.within(by.timed, 0, count)
        own = arrived(self.children[by.id]) if by.id in self.children else self.found.lot(by.id, rank, by.day, line.place)
        return Counted(line.quantity, place=line.place, own=own), 0, count

    def _draw(self, line: Any, by: Told) -> Sequence[Placed]:
        least = date.fromisoformat(json.loads(str(by.facts))["least"]) if by.kind == "shipment" else None
        rest = Assumed(-line.quantity, self.mine.get(by.origin, NO_LOTS), least), happening.ASSUMED, 0
        named = self.named.get((by.id, line.n))
        return (rest,) if named is None else ((Named(-line.quantity, tuple(named)), happening.NAMED, 0), rest)


@dataclass(frozen=True, slots=True)
class Found:
    """What a lot that only a count finds has of its item, and of its place."""

    opened_life_days: int | None
    apart: frozenset[str]  # places that production does not draw from

    @classmethod
    def of(cls, scope: Scope, item: ItemRow) -> "Found":
        """For the counts of an item."""
        return cls(item.opened_life_days, places.apart(scope.connection, scope.workshop.id))

    def lot(self, document: int, rank: int, day: date, place: str | None) -> Lot:
        """The lot that a count's gain gets when there is no other; it exists once something falls on it. Its code will be a
        new one: until then it stands after every code there is, in order of happening."""
        life, apart = self.opened_life_days, place in self.apart
        return Lot(-document, f"~{rank:020}", day, opened_life_days=life, place=place, set_apart=apart)


def _dated(facts: dict[str, Any]) -> dict[str, Any]:
    return {
        name: date.fromisoformat(value) if name in DATES and value else value
        for name, value in facts.items()
        if name in LOT_FACTS
    }
