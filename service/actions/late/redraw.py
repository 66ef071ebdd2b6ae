"""Law 13 on the books: an item's papers are run again from a day on, and what differs is appended as corrections.

One way for every late paper: `Redraw.item` for each item it touches, `repricing.settle` for the money that follows.
"""

import json
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.late import reading
from service.actions.late.corrections import Corrections
from service.actions.scope import Scope
from service.core.stock import costs, draw, lateness
from service.core.stock.acts import Counted, Lot
from service.core.stock.acts import Paper as Step
from service.core.stock.lateness import BEYOND, OF_PART, Shelves
from service.core.stock.netted import Net, netted
from service.core.units import half_even
from service.store import items, ledger, lots, replay, unbooked
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Paper


@dataclass(frozen=True, slots=True)
class Moved:
    """Grams of one line that moved between lots (BEYOND: unbooked)."""

    document: int
    line: int
    item: int
    lot: int
    quantity: int
    cost: int | None


@dataclass(slots=True)
class Redraw:
    """What one late paper changes, item by item; `finish` writes it."""

    scope: Scope
    books: Corrections
    moved: list[Moved] = field(default_factory=list)
    counts: dict[int, tuple[int, int]] = field(default_factory=dict)  # count -> its difference before and now
    changed: set[int] = field(default_factory=set)  # papers whose draws moved
    founders: dict[int, int] = field(default_factory=dict)  # a lot that a count found -> the count

    @classmethod
    def begin(cls, scope: Scope, cause: Paper, of: int | None = None) -> "Redraw":
        """A redraw caused by a paper that is posted; `of` is the paper it reverses or corrects."""
        return cls(scope, Corrections(scope, cause, of or cause.id))

    def step(self, item: ItemRow, paper: Step) -> Shelves:
        """Run only the last step, of a paper in order, on the lots as they are."""
        rows = {row.id: row for row in replay.lots(self.scope.connection, self.scope.workshop.id, item.id)}
        shelves = reading.now(self.scope, item, rows, paper.document)
        since = min((one.day for one in shelves.open), default=paper.day)
        shelves.run([paper])
        self._founders(shelves, [paper])
        self._enter(item, rows, shelves, shelves.effects)
        self._beyond(item, rows, shelves, shelves.effects, since, whole=False)
        self._opened(rows, shelves)
        return shelves

    def item(self, item: ItemRow, since: date) -> Shelves:
        """Run an item's papers again from the start of a day; enter what differs from the books."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        rows = {row.id: row for row in replay.lots(connection, workshop, item.id)}
        since = min(since, unbooked.first_day(connection, workshop, item.id) or since)  # a count explains draws of before
        lines = [(row, reading.told(row)) for row in replay.papers(connection, workshop, item.id, since)]
        said = replay.booked(connection, workshop, item.id, since)
        shelves = reading.as_of(self.scope, item, rows, since, said)
        acts = reading.acts_since(self.scope, item, rows, lines, since)
        shelves.run(acts)
        if shelves.waited is not None:
            items.unbooked(connection, workshop, item.id, shelves.waited)
        self._founders(shelves, acts)
        booked = {(row.origin, row.line, BEYOND if row.lot_id == item.id else row.lot_id): int(row.quantity) for row in said}
        differs = {
            key: shelves.effects.get(key, 0) - booked.get(key, 0)
            for key in booked.keys() | shelves.effects.keys()
            if shelves.effects.get(key, 0) != booked.get(key, 0)
        }
        self._enter(item, rows, shelves, differs)
        self._beyond(item, rows, shelves, differs, since)
        self._opened(rows, shelves)
        for count in shelves.books:
            was, now = _difference(booked, count), _difference(shelves.effects, count)
            self.counts[count] = (self.counts.get(count, (was, now))[0], now)
        return shelves

    def differs(self, item: ItemRow, papers: reading.Papers) -> dict[lateness.Key, int]:
        """What the books would have to change of an item had every paper been recorded in its order: nothing, by law 13."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        rows = {row.id: row for row in replay.lots(connection, workshop, item.id)}
        shelves = Shelves()
        shelves.run(reading.acts_since(self.scope, item, rows, papers.lines(self.scope, item), date.min))
        effects, origins = shelves.effects, papers.origins
        for document, line, lot, quantity in replay.each_movement(connection, workshop, item.id):
            effects[(origins.get(document, document), line, BEYOND if lot == item.id else lot)] -= quantity
        return {key: quantity for key, quantity in effects.items() if quantity}

    def _founders(self, shelves: Shelves, acts: list[Step]) -> None:
        """Give the lots that counts found an id of their own."""
        for paper in sorted(acts, key=lambda act: act.order):  # codes follow the order of happening
            own = paper.act.own if isinstance(paper.act, Counted) else None
            if own is not None and own.id < 0 and own.id in shelves.lots:
                lot = shelves.lots[self.scope.new_id()] = shelves.lots.pop(own.id)
                new = next(key for key, value in shelves.lots.items() if value is lot)
                for key in [key for key in shelves.effects if key[2] == own.id]:
                    shelves.effects[(key[0], key[1], new)] = shelves.effects.pop(key)
                lot.id = new
                self.founders[new] = paper.document

    def _enter(self, item: ItemRow, rows: dict[int, Row[Any]], shelves: Shelves, differs: dict[lateness.Key, int]) -> None:
        """The changes of real lots, what comes back before what goes: each costs what the lot's worth changes by."""
        for (origin, line, lot), quantity in sorted(differs.items(), key=lambda pair: (pair[0][2], pair[1] < 0, pair[0])):
            if lot == BEYOND:
                continue
            balance = self.books.balance(rows[lot] if lot in rows else self._own(rows, shelves.lots[lot], item))
            worth = costs.worth(balance.cost, balance.on_hand + quantity, balance.received)
            cost = None if worth is None else worth - (balance.worth or 0)
            self.books.change(origin, line, balance, quantity, cost)
            self.moved.append(Moved(origin, line, item.id, lot, quantity, cost))
            self.changed.add(origin)

    def _own(self, rows: dict[int, Any], lot: Lot, item: ItemRow) -> Any:
        """The lot that a count found and the books never saw."""
        code = papers.code_for(self.scope, "L")
        new = papers.new_lot(
            self.scope, item, self.books.cause, code=code, quantity=0, received_on=lot.received_on, id=lot.id,
            document_id=self.founders[lot.id], place=lot.place, set_apart=lot.set_apart,
        )  # fmt: skip
        ledger.add_lots(self.scope.connection, self.scope.workshop.id, [new])
        rows[lot.id] = papers.record_of(new | {"gone": False, "since": lot.received_on})
        return rows[lot.id]

    def _beyond(
        self, item: ItemRow, rows: dict[int, Row[Any]], shelves: Shelves, differs: dict[lateness.Key, int], since: date,
        whole: bool = True,
    ) -> None:  # fmt: skip
        """The unbooked lot: grams, and what each unbooked draw is costed at now (law 9)."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        net = netted(unbooked.since(connection, workshop, item.id, since))
        wanted = {key[:2] for key in differs if key[2] == BEYOND}
        if whole:
            wanted |= {key[:2] for key in net if net[key].quantity}
        if not wanted:
            return
        balance = self.books.balance(rows[item.id])
        days = _days(self.scope, {origin for origin, _ in wanted})
        left = {key: net.get((*key, item.id), Net()).quantity + differs.get((*key, BEYOND), 0) for key in wanted}
        known = _of_known_cost(rows, shelves)
        target = {key: _estimate(known, days[key[0]], -left[key]) for key in wanted}
        for key in [key for key in wanted if left[key] > 0]:
            target[key] = _cleared(shelves, key[0], target, net, item.id)
        for key in sorted(wanted):
            quantity = differs.get((*key, BEYOND), 0)
            self._recost(item, balance, key, quantity, net.get((*key, item.id), Net()), target[key])

    def _recost(self, item: ItemRow, balance: Any, key: tuple[int, int], quantity: int, now: Net, target: int | None) -> None:
        origin, line = key
        was = now.cost if now.known else 0
        wanted = None if target is None else -target
        if wanted is None and now.known and now.cost:  # known no more: the money goes back first
            self.books.change(origin, line, balance, 0, -now.cost)
        elif not quantity and (wanted is None or (now.known and wanted == was)):
            return
        cost = None if wanted is None else wanted - was
        self.books.change(origin, line, balance, quantity, cost)
        self.changed.add(origin)
        if quantity:
            self.moved.append(Moved(origin, line, item.id, BEYOND, quantity, cost))

    def _opened(self, rows: dict[int, Row[Any]], shelves: Shelves) -> None:
        """A lot's opening moves with its first draw; a part is what its parent was when it was split."""
        for lot in shelves.lots.values():
            row = rows.get(lot.id)
            if row is None:
                continue
            if row.opened_on != lot.opened_on or row.use_by != lot.use_by:
                balance = self.books.balance(row)
                balance.opened_on, balance.use_by, balance.touched = lot.opened_on, lot.use_by, True
            if row.parent_id is not None:
                self._part(row, rows[row.parent_id], lot, shelves.born.get(row.id, {}))
        for row in rows.values():
            if row.opened_on is not None and row.id not in shelves.lots and not row.opened_by_hand:  # a count finds it no more
                balance = self.books.balance(row)
                balance.opened_on, balance.touched = None, True
                balance.use_by = draw.last_usable_day(row.expires_on, None, row.opened_life_days)

    def _part(self, row: Row[Any], parent: Row[Any], lot: Lot, born: dict[str, Any]) -> None:
        differs = {name: getattr(lot, name) for name in OF_PART if getattr(lot, name) != getattr(row, name)}
        if row.arrived is not None:
            arrived = reading.kept(json.loads(row.arrived) | born)
            differs |= {"arrived": arrived} if arrived != row.arrived else {}
        if "status" in differs:
            differs |= {name: getattr(parent, name) for name in ("status_by", "status_on", "status_reason")}
        if differs:
            lots.change(self.scope.connection, self.scope.workshop.id, row.id, differs)


def _difference(moved: dict[lateness.Key, int], count: int) -> int:
    """What a count's own movements sum to: counted less what the books said."""
    return sum(quantity for (document, _, _), quantity in moved.items() if document == count)


def _days(scope: Scope, origins: set[int]) -> dict[int, date]:
    return {key: row.happened_on for key, row in paper_store.by_ids(scope.connection, scope.workshop.id, origins).items()}


def _of_known_cost(rows: dict[int, Row[Any]], shelves: Shelves) -> list[tuple[date, str, Row[Any]]]:
    """Lots of known cost, each with the day it came as known now and its code; a part is no lot that came."""
    there = [(lot, rows[lot.id]) for lot in shelves.lots.values() if lot.id in rows and rows[lot.id].parent_id is None]
    known = [(lot, row) for lot, row in there if row.cost_micro is not None and row.quantity > 0]
    return [(lot.received_on, lot.code, row) for lot, row in known]


def _estimate(known: list[tuple[date, str, Row[Any]]], day: date, quantity: int) -> int | None:
    """Unbooked stock is costed at the newest lot of known cost received by then; None if there is none."""
    if quantity <= 0:
        return 0
    by_then = [one for one in known if one[0] <= day]
    if not by_then:
        return None
    newest = max(by_then, key=lambda one: one[:2])[2]
    return half_even(newest.cost_micro * quantity, newest.quantity)


def _cleared(
    shelves: Shelves, count: int, target: dict[tuple[int, int], int | None], net: dict[Any, Net], item: int
) -> int | None:
    """What a count wrote off of unbooked draws is worth what those draws were costed at (as money that comes back)."""
    worth: list[int | None] = []
    for key, by in shelves.cleared.items():
        if by == count:
            known = net.get((*key, item), Net())
            worth.append(target.get(key, -known.cost if known.known else None))
    whole = costs.total(worth)
    return None if whole is None else -whole
