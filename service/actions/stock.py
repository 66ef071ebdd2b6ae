"""How much there is: the stock figures of items, lots as answers, the ledger of one item."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any

from sqlalchemy import Row

from service.actions import claiming
from service.actions.papers import local
from service.actions.scope import Scope
from service.core.stock import costs, draw
from service.core.units import money_out, quantity_out
from service.store import items, lots, past
from service.store import papers as paper_store
from service.store.items import ItemRow

PARTS = ("usable", "set_apart", "resting", "quarantined", "rejected", "expired")


def usable_by_item(scope: Scope, rows: Sequence[Row[Any]], day: date) -> dict[int, int]:
    """What is usable on a day, by item, out of lots with stock."""
    usable: dict[int, int] = {}
    for row in rows:
        if row.id != row.item_id:
            there = row.on_hand if draw.drawable(draw.shelf_of(row), day) else 0
            usable[row.item_id] = usable.get(row.item_id, 0) + there
    return usable


def figures(scope: Scope, rows: Sequence[ItemRow]) -> dict[int, dict[str, Any]]:
    """On hand and its parts, claimed, available and unbooked of each item, with its lots."""
    shown = lots.shown(scope.connection, scope.workshop.id, items=[item.id for item in rows], unbooked=True)
    unbooked = {row.item_id: -row.on_hand for row in shown if row.id == row.item_id}
    claimed = claiming.all_(scope).by_item if rows else {}
    by_item: dict[int, list[Row[Any]]] = {item.id: [] for item in rows}
    for lot in shown:
        if lot.id != lot.item_id:
            by_item[lot.item_id].append(lot)
    spoken_for = {item.id: claimed.get(item.id, 0) if item.stocked else 0 for item in rows}
    return {item.id: _figures(scope, item, by_item[item.id], spoken_for[item.id], unbooked.get(item.id, 0)) for item in rows}


def _figures(scope: Scope, item: ItemRow, rows: Sequence[Row[Any]], claimed: int, unbooked: int) -> dict[str, Any]:
    parts = dict.fromkeys(PARTS, 0)
    for lot in rows:
        parts[draw.state(draw.shelf_of(lot), scope.today)] += lot.on_hand
    figure: dict[str, Any] = {"on_hand": quantity_out(sum(parts.values()), item.unit)}
    figure |= {part: quantity_out(value, item.unit) for part, value in parts.items()}
    figure["claimed"] = quantity_out(claimed, item.unit)
    figure["available"] = quantity_out(max(0, parts["usable"] - claimed), item.unit)
    figure["unbooked"] = quantity_out(unbooked, item.unit)
    in_order = sorted(rows, key=lambda lot: draw.first_out(draw.shelf_of(lot)))
    figure["lots"] = [lot_dict(scope, lot) for lot in in_order]
    return figure


def lot_dict(scope: Scope, lot: Row[Any]) -> dict[str, Any]:
    """A lot as the API shows it (a row of `lots.shown`)."""
    known = lot.cost_micro is not None
    return {
        "code": lot.code,
        "item": lot.item_code,
        "kind": lot.kind,
        "batch": lot.document_code if lot.document_kind == "run" else None,
        "supplier": lot.supplier,
        "supplier_lot": lot.supplier_lot,
        "certificate": lot.certificate,
        "received_on": None if lot.made else lot.received_on,
        "made_on": lot.received_on if lot.made else None,
        "expires_on": lot.expires_on,
        "expires_assumed": lot.expires_assumed,
        "retest_on": lot.retest_on,
        "opened_on": lot.opened_on,
        "last_usable_day": None if lot.use_by == draw.FOREVER else lot.use_by,
        "ready_on": lot.ready_on,
        "status": lot.status,
        "status_by": lot.status_by,
        "status_on": lot.status_on,
        "status_reason": lot.status_reason,
        "place": lot.place,
        "quantity": quantity_out(lot.quantity, lot.unit),
        "on_hand": quantity_out(lot.on_hand, lot.unit),
        "cost": money_out(lot.cost_left_micro) if known else None,
        "unit_cost": _unit_cost(lot) if known else None,
        "estimated": lot.estimated,
    }


def _unit_cost(lot: Row[Any]) -> float | int | None:
    """Cost of one gram or piece, to the millionth."""
    if not lot.quantity:
        return None
    scale = 1000 if lot.unit == "g" else 1
    return money_out(round(lot.cost_micro * scale / lot.quantity))


def sheet_lots(scope: Scope, item_id: int, quantity: int, day: date, before: int = 0) -> tuple[list[tuple[str, int]], int]:
    """The lots a quantity would be drawn from on a day, after `before` was: (code, quantity), and what is short."""
    rows = lots.with_stock(scope.connection, scope.workshop.id, [item_id])
    shelves = [draw.shelf_of(row) for row in rows if row.id != row.item_id]
    first = {take.lot_id: take.quantity for take in draw.draw(shelves, before, day).takes}
    left = [replace(shelf, quantity=shelf.quantity - first.get(shelf.id, 0)) for shelf in shelves]
    drawn = draw.draw(left, quantity, day)
    codes = {row.id: row.code for row in rows}
    return [(codes[take.lot_id], take.quantity) for take in drawn.takes], drawn.short


def movements(
    scope: Scope, item: ItemRow, after: tuple[int, int] | None, limit: int
) -> tuple[list[dict[str, Any]], tuple[int, int] | None]:
    """The ledger of one item, newest first, and where the next page starts."""
    rows = paper_store.item_movements(scope.connection, scope.workshop.id, item.id, after, limit + 1)
    named = linked_codes(scope, rows)
    shown = [_movement_dict(scope, item, row, named) for row in rows[:limit]]
    more = len(rows) > limit
    return shown, ((rows[limit - 1].document_id, rows[limit - 1].n) if more else None)


def linked_codes(scope: Scope, rows: Collection[Any]) -> Mapping[int, str]:
    """Codes of the documents these rows reverse, correct or were caused by."""
    ids = {id_ for row in rows for id_ in (row.reverses_id, row.corrects_id, row.caused_by_id) if id_}
    return {key: row.code for key, row in paper_store.by_ids(scope.connection, scope.workshop.id, ids).items()}


def changes(scope: Scope, rows: Collection[Any]) -> dict[int, list[dict[str, Any]]]:
    """What each of these documents moved by itself, lot by lot (null: unbooked)."""
    moves = paper_store.movements_of(scope.connection, scope.workshop.id, [row.id for row in rows])
    known = items_of(scope, {move.item_id for move in moves})
    found: dict[int, list[dict[str, Any]]] = {row.id: [] for row in rows}
    for move in moves:
        item = known[move.item_id]
        found[move.document_id].append(
            {
                "item": item.code,
                "lot": None if move.lot_id == move.item_id else move.lot_code,
                "quantity": quantity_out(move.quantity, item.unit),
                "cost": money_out(move.cost_micro),
            }
        )
    return found


def _movement_dict(scope: Scope, item: ItemRow, row: Row[Any], named: Mapping[int, str]) -> dict[str, Any]:
    return {
        "document": row.document_code,
        "kind": row.kind,
        "item": item.code,
        "lot": None if row.lot_id == item.id else row.lot_code,
        "quantity": quantity_out(row.quantity, item.unit),
        "cost": money_out(row.cost_micro),
        "happened_at": local(scope, row.happened_at) or row.happened_on.isoformat(),
        "recorded_at": local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "reverses": named.get(row.reverses_id) if row.reverses_id else None,
        "corrects": named.get(row.corrects_id) if row.corrects_id else None,
        "caused_by": named.get(row.caused_by_id) if row.caused_by_id else None,
    }


def items_of(scope: Scope, ids: Collection[int]) -> dict[int, ItemRow]:
    """Items by id."""
    return items.by_ids(scope.connection, scope.workshop.id, ids)


def at(scope: Scope, item: ItemRow, at_: date | datetime, known_at: datetime | None) -> dict[str, Any]:
    """What the books say of an item at a moment (a day: its end), as known then or (`known_at` null) now."""
    rows = past.held(scope.connection, scope.workshop.id, item.id, *_moment(scope, at_), known_at)
    real = [row for row in rows if row.lot_id != item.id]
    unbooked = -sum(int(row.quantity) for row in rows if row.lot_id == item.id)
    known = [None if _unknown(row, known_at) else int(row.cost or 0) for row in real if row.quantity]
    value = costs.total(known)
    return {
        "code": item.code,
        "at": at_.isoformat(),
        "known_at": local(scope, known_at),
        "on_hand": quantity_out(sum(int(row.quantity) for row in real), item.unit),
        "unbooked": quantity_out(unbooked, item.unit),
        "value": money_out(value),
        "estimated": any(row.estimated for row in real if row.quantity),
    }


def _unknown(row: Row[Any], known_at: datetime | None) -> bool:
    """Whether a lot's cost is unknown, or was then: money is entered when it is known, and taken out when it is known no more."""
    if known_at is None:
        return row.cost_micro is None
    return not row.entries or (row.cost_micro is None and not row.cost)


def until(scope: Scope, known_at: date | datetime) -> datetime:
    """The last moment that is meant: a day's end, a time in the workshop's zone where it names none."""
    if not isinstance(known_at, datetime):
        return datetime.combine(known_at, time.max, scope.zone)
    return known_at if known_at.tzinfo else known_at.replace(tzinfo=scope.zone)


def _moment(scope: Scope, at_: date | datetime) -> tuple[date, datetime | None]:
    """A day, and a time in it unless its end is meant."""
    if not isinstance(at_, datetime):
        return at_, None
    aware = at_ if at_.tzinfo else at_.replace(tzinfo=scope.zone)
    return aware.astimezone(scope.zone).date(), aware
