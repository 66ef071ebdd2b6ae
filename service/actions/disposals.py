"""Disposals: what left the shelf without being made or sold."""

from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.stock import happening
from service.core.stock.movements import Entries
from service.core.units import money_out, quantity_in, quantity_out, said
from service.errors import FieldError, Invalid, NotEnoughStock, NotFound
from service.shapes.papers import DisposalIn
from service.store import ledger, lots
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Stated


def record(scope: Scope, body: DisposalIn) -> dict[str, Any]:
    """Take a quantity out of one lot; 409 when the lot cannot have held that much on that day."""
    named = papers.lot_of(scope, body.lot, "#/lot")
    when = papers.happened(scope, body.disposed_on, "#/disposed_on")
    held, when, rank = papers.lock(scope, [named.item_id], when, happening.GONE)
    locked = held[named.item_id]
    lot = lots.by_ids(scope.connection, scope.workshop.id, [named.id])[named.id]
    item = stock.items_of(scope, [lot.item_id])[lot.item_id]
    quantity = quantity_in(body.quantity, item.unit, "#/quantity")
    if not quantity:
        raise Invalid.field("#/quantity", "must be more than 0", str(body.quantity), "more than 0")
    can_have_held(scope, lot, item, quantity, when[0], str(body.quantity))
    paper = papers.new_paper(scope, "disposal", when)
    paper.facts = {"lot": lot.code, "item": item.code, "quantity": quantity_out(quantity, item.unit), "reason": body.reason,
                   "note": body.note, "disposed_on": when[0]}  # fmt: skip
    stated = [Stated(item.id, locked.paper, -quantity, lot.id)]
    followed = None
    if late.in_order(locked, rank) and quantity <= lot.on_hand:
        entries, balance = Entries(), papers.balance(lot)
        entries.change(0, balance, -quantity)
        papers.open_first(balance, lot, quantity, when[0])
        ledger.post(scope.connection, scope.workshop.id, paper, stated, entries)
    else:
        ledger.post(scope.connection, scope.workshop.id, paper, stated)
        followed = late.follow(scope, Redraw.begin(scope, paper), {item.id: min(when[0], lot.received_on)})
    answer = show(scope, paper.code)
    answer["warnings"] += papers.same_day(scope, [locked], when)
    return answer if followed is None else papers.told(answer, followed)


def can_have_held(scope: Scope, lot: Row[Any], item: ItemRow, quantity: int, day: date, given: str) -> None:
    """409 unless the lot was there and can have held this: received less what standing papers name of it."""
    papers.must_be_there(scope, lot, day)
    if quantity <= lot.on_hand:
        return
    can = lot.quantity - paper_store.named_of(scope.connection, scope.workshop.id, lot.id)
    can = max(can, lot.on_hand)  # a count may have found more
    if quantity > can:
        holds = quantity_out(max(0, can), item.unit)
        error = FieldError("is more than the lot can have held", "#/quantity", given=given, allowed=f"up to {holds}")
        raise NotEnoughStock(
            f"lot {lot.code} held at most {said(max(0, can), item.unit)}, less than {said(quantity, item.unit)}",
            errors=[error], lot=lot.code, on_hand=quantity_out(lot.on_hand, item.unit),
        )  # fmt: skip


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A disposal: as stated, its cost as known now."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "disposal")
    if row is None:
        raise NotFound(f"there is no disposal '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Disposals, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["disposal"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    moves = late.net_movements(scope, [row.id for row in rows])
    stated = paper_store.lines_of_all(scope.connection, scope.workshop.id, [row.id for row in rows])
    known = stock.items_of(scope, {line.item_id for line in stated.values()})
    gone = papers.reversed_codes(scope, rows)
    return [_as_known(scope, row, known[stated[row.id].item_id], moves.get(row.id, []), row.code in gone) for row in rows]


def _as_known(scope: Scope, row: Row[Any], item: ItemRow, moves: list[dict[str, Any]], reversed_: bool) -> dict[str, Any]:
    facts = papers.facts_of(row)
    costs = [move["cost"] for move in moves]
    cost = None if None in costs else -sum(costs)
    beyond = -sum(move["units"] for move in moves if move["lot"] is None)
    why = facts["reason"].replace("_", " ")
    warnings = []
    if beyond:
        sentence = f"Lot {facts['lot']} held too little: {said(beyond, item.unit)} of this disposal is unbooked."
        warnings.append({"type": "named-lot-too-small", "sentence": sentence, "lot": facts["lot"]})
    amount = f"{facts['quantity']} g" if item.unit == "g" else f"{facts['quantity']}"
    return {
        "disposal": row.code, **facts, "cost": money_out(cost), "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by, "reversed": reversed_, "warnings": warnings, "moved": [], **papers.UNLINKED,
        "sentence": f"{amount} of {item.name} taken out of lot {facts['lot']} ({why}).",
    }  # fmt: skip
