"""Disposals: what left the shelf without being made or sold."""

from typing import Any

from service.actions import papers, stock
from service.actions.scope import Scope
from service.core.movements import Entries
from service.core.units import money_out, quantity_in, quantity_out, said
from service.errors import FieldError, Invalid, LotNotThereYet, NotEnoughStock
from service.shapes.papers import DisposalIn
from service.store import items, ledger, lots
from service.store.ledger import Stated


def record(scope: Scope, body: DisposalIn) -> dict[str, Any]:
    """Take a quantity out of one lot; 409 when the lot holds less."""
    named = papers.lot_of(scope, body.lot, "#/lot")
    number = items.lock(scope.connection, scope.workshop.id, [named.item_id])[named.item_id]
    lot = lots.by_ids(scope.connection, scope.workshop.id, [named.id])[named.id]
    item = stock.items_of(scope, [lot.item_id])[lot.item_id]
    quantity = quantity_in(body.quantity, item.unit, "#/quantity")
    if not quantity:
        raise Invalid.field("#/quantity", "must be more than 0", str(body.quantity), "more than 0")
    when = papers.happened(scope, body.disposed_on, "#/disposed_on")
    if lot.received_on > when[0]:
        raise LotNotThereYet(f"lot {lot.code} came on {lot.received_on}, after {when[0]}", lot=lot.code)
    if quantity > lot.on_hand:
        holds = quantity_out(lot.on_hand, item.unit)
        raise NotEnoughStock(
            f"lot {lot.code} holds {holds}, less than {quantity_out(quantity, item.unit)}",
            errors=[FieldError("is more than the lot holds", "#/quantity", given=str(body.quantity), allowed=f"up to {holds}")],
            lot=lot.code, on_hand=holds,
        )  # fmt: skip
    entries = Entries()
    cost = entries.change(0, papers.balance(lot), -quantity)
    paper = papers.new_paper(scope, "disposal", when)
    why = body.reason.replace("_", " ")
    answer = {
        "disposal": paper.code, "lot": lot.code, "item": item.code, "quantity": quantity_out(quantity, item.unit),
        "reason": body.reason, "note": body.note, "disposed_on": when[0],
        "cost": None if cost is None else money_out(-cost), "recorded_at": papers.local(scope, scope.now),
        "recorded_by": scope.actor.name, "warnings": [],
        "sentence": f"{said(quantity, item.unit)} of {item.name} taken out of lot {lot.code} ({why}).",
    }  # fmt: skip
    paper.facts = answer
    stated = [Stated(item.id, number, -quantity, lot.id, quantity)]
    ledger.post(scope.connection, scope.workshop.id, paper, stated, entries)
    return answer
