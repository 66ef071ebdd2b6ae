"""Counts: the shelf against the books (law 13). What unbooked draws explain is settled; the rest is the difference."""

from dataclasses import replace
from datetime import date, datetime, time
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.scope import Scope
from service.core import draw
from service.core.movements import Balance, Entries
from service.core.units import money_out, quantity_in, quantity_out, said
from service.shapes.papers import CountIn
from service.store import items, ledger, lots
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated


class _Shelf:
    """An item's lots as they stood at the count, and the balances it changes."""

    def __init__(self, scope: Scope, item: ItemRow, when: tuple[date, datetime | None]) -> None:
        rows = lots.of_item(scope.connection, scope.workshop.id, item.id)
        since = ledger.moved_since(scope.connection, scope.workshop.id, item.id, *when)
        self.rows = {row.id: row for row in rows}
        self.balances = {row.id: papers.balance(row) for row in rows}
        self.then = {row.id: row.on_hand - since.get(row.id, 0) for row in rows}
        self.day = when[0]
        self.unbooked = self.balances[item.id]

    def shelves(self, only: int | None = None) -> list[draw.Shelf]:
        """What lies there now of the lots there on the day (of one lot when given)."""
        return [
            replace(draw.shelf_of(row), quantity=min(self.balances[row.id].on_hand, max(0, self.then[row.id])))
            for row in self.rows.values()
            if row.id != row.item_id and row.received_on <= self.day and only in (None, row.id)
        ]

    def on_hand(self, only: int | None = None) -> int:
        """On hand at the count, of all lots or of one."""
        return sum(self.then[row.id] for row in self.rows.values() if row.id != row.item_id and only in (None, row.id))

    def move(self, entries: Entries, line: int, lot_id: int, quantity: int) -> int | None:
        """Move a lot."""
        self.then[lot_id] += quantity
        return entries.change(line, self.balances[lot_id], quantity)


def record(scope: Scope, body: CountIn) -> dict[str, Any]:
    """Post the difference between what was counted and the books, and keep what was counted."""
    item, lot = _counted_thing(scope, body)
    counted = quantity_in(body.counted, item.unit, "#/counted")
    when = _when(scope, body)
    number = items.lock(scope.connection, scope.workshop.id, [item.id])[item.id]
    shelf = _Shelf(scope, item, when)
    paper = papers.new_paper(scope, "count", when)
    only = lot.id if lot is not None else None
    settled = _settle(scope, shelf, item, paper, counted, only)
    unbooked = 0 if lot is not None else -shelf.unbooked.on_hand
    book = shelf.on_hand(only) - unbooked
    entries = Entries()
    if unbooked:
        worth = shelf.unbooked.worth
        entries.change_unbooked(0, shelf.unbooked, unbooked, None if worth is None else -worth)
    found = _difference(scope, shelf, item, paper, entries, counted - shelf.on_hand(only), only)
    answer = _answer(scope, body, item, lot, paper, counted, book, entries, shelf, found)
    paper.facts = answer
    stated = [Stated(item.id, number, counted, only)]
    for one in entries.balances.values():  # corrections moved some of these lots already
        one.before = _posted(settled, one)
    _post(scope, paper, stated, entries, found, settled)
    return answer


def _posted(settled: list[tuple[Paper, Entries, dict[int, int]]], lot: Balance) -> int:
    for _, _, after in reversed(settled):
        if lot.lot_id in after:
            return after[lot.lot_id]
    return lot.before


def _post(
    scope: Scope, paper: Paper, stated: list[Stated], entries: Entries, found: list[dict[str, Any]],
    settled: list[tuple[Paper, Entries, dict[int, int]]],
) -> None:  # fmt: skip
    """The count first (its corrections name it), then what it settled: the lots' figures in that order."""
    connection, workshop = scope.connection, scope.workshop.id
    ledger.post(connection, workshop, paper, stated, None, found)
    for correction, moved, _ in settled:
        ledger.post(connection, workshop, correction, (), moved)
    ledger.enter(connection, workshop, paper.id, entries)


def _counted_thing(scope: Scope, body: CountIn) -> tuple[ItemRow, Row[Any] | None]:
    if body.lot is not None:
        lot = papers.lot_of(scope, body.lot, "#/lot")
        return stock.items_of(scope, [lot.item_id])[lot.item_id], lot
    if body.product is not None:
        return papers.item_of(scope, body.product, "#/product", "product"), None
    return papers.item_of(scope, str(body.material), "#/material", "ingredient", "packaging", "bulk"), None


def _when(scope: Scope, body: CountIn) -> tuple[date, datetime | None]:
    """Now by default; an earlier day without a time is its end."""
    day, at = papers.happened(scope, body.counted_at, "#/counted_at")
    return day, at or datetime.combine(day, time(23, 59, 59), scope.zone)


def _settle(
    scope: Scope, shelf: _Shelf, item: ItemRow, paper: Paper, counted: int, only: int | None
) -> list[tuple[Paper, Entries, dict[int, int]]]:
    """What the shelf lacks was first used by the unbooked draws, oldest first: a correction for each."""
    lack = min(shelf.on_hand(only) - counted, -shelf.unbooked.on_hand)
    settled: list[tuple[Paper, Entries, dict[int, int]]] = []
    for origin in _outstanding(scope, shelf, item) if lack > 0 else []:
        took = draw.take_all_states(shelf.shelves(only), min(lack, origin["quantity"]), origin["day"])
        moved = sum(take.quantity for take in took.takes)
        if not moved:
            continue
        entries = Entries()
        for balance in shelf.balances.values():
            balance.before = balance.on_hand
        for take in took.takes:
            cost = shelf.move(entries, origin["line"], take.lot_id, -take.quantity)
            entries.change_unbooked(origin["line"], shelf.unbooked, take.quantity, None if cost is None else -cost)
        correction = papers.new_paper(
            scope, "correction", (origin["day"], origin["at"]), corrects_id=origin["document"], caused_by_id=paper.id
        )
        settled.append((correction, entries, {key: one.on_hand for key, one in shelf.balances.items()}))
        lack -= moved
    return settled


def _outstanding(scope: Scope, shelf: _Shelf, item: ItemRow) -> list[dict[str, Any]]:
    """The unbooked draws that no count cleared, oldest first (a count clears all: the newest stand)."""
    left = -shelf.unbooked.on_hand
    standing: list[dict[str, Any]] = []
    for row in reversed(ledger.unbooked_draws(scope.connection, scope.workshop.id, item.id)):
        quantity = min(left, int(row.quantity))
        if quantity > 0:
            standing.append(
                {"document": row.origin, "line": row.line, "quantity": quantity, "day": row.happened_on, "at": row.happened_at}
            )
            left -= quantity
    return standing[::-1]


def _difference(
    scope: Scope, shelf: _Shelf, item: ItemRow, paper: Paper, entries: Entries, change: int, only: int | None
) -> list[dict[str, Any]]:
    """What remains unexplained: a loss in law 6's order, a gain on the newest usable lot or one of its own."""
    if change < 0:
        for take in draw.take_all_states(shelf.shelves(only), -change, shelf.day).takes:
            shelf.move(entries, 0, take.lot_id, -take.quantity)
        return []
    if not change:
        return []
    target = only
    if target is None:
        newest = draw.newest_usable(shelf.shelves(), shelf.day)
        target = newest.id if newest is not None else None
    if target is not None:
        shelf.move(entries, 0, target, change)
        return []
    found = papers.new_lot(scope, item, paper, code=papers.code_for(scope, "L"), quantity=change)
    entries.change(0, papers.balance(found), change)
    shelf.rows[found["id"]] = papers.record_of(found)
    return [found]


def _answer(
    scope: Scope, body: CountIn, item: ItemRow, lot: Row[Any] | None, paper: Paper, counted: int, book: int,
    entries: Entries, shelf: _Shelf, found: list[dict[str, Any]],
) -> dict[str, Any]:  # fmt: skip
    difference = counted - book
    off = (
        "as the books say"
        if not difference
        else f"{said(abs(difference), item.unit)} {'less' if difference < 0 else 'more'} than the books said"
    )
    return {
        "count": paper.code,
        "item": item.code,
        "lot": lot.code if lot is not None else None,
        "counted": quantity_out(counted, item.unit),
        "counted_at": papers.local(scope, paper.happened_at),
        "book": quantity_out(book, item.unit),
        "difference": quantity_out(difference, item.unit),
        "movements": [
            {
                "item": item.code,
                "lot": None if move.lot_id == item.id else shelf.rows[move.lot_id].code,
                "quantity": quantity_out(move.quantity, item.unit),
                "cost": money_out(move.cost),
            }
            for move in entries.movements
        ],
        "note": body.note,
        "recorded_at": papers.local(scope, scope.now),
        "recorded_by": scope.actor.name,
        "warnings": [],
        "sentence": f"{said(counted, item.unit)} of {item.name} counted: {off}.",
    }
