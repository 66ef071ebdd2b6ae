"""Corrections of receipts: quantity, unit, dates, supplier's lot, cost; also after part of the lot was used."""

import json
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import late, papers, stock
from service.actions.receipts import plain
from service.actions.redraw import Redraw
from service.actions.reversals import only_own
from service.actions.scope import Scope
from service.core.units import convert_in, money_in, money_out, quantity_out, said
from service.errors import AlreadyReversed, Invalid, NotFound
from service.shapes.papers import ReceiptCorrectionIn
from service.store import items, ledger, lots, replay
from service.store.items import ItemRow
from service.store.ledger import Stated

PLAIN = ("supplier", "supplier_lot", "certificate", "retest_on")


def record(scope: Scope, code: str, body: ReceiptCorrectionIn) -> dict[str, Any]:
    """State a receipt anew; answers what moved of every batch that drew from its lot."""
    row = ledger.by_code(scope.connection, scope.workshop.id, code, "receipt")
    if row is None:
        raise NotFound(f"there is no receipt '{code}'")
    only_own(scope, row)
    lot = lots.of_document(scope.connection, scope.workshop.id, row.id)[0]
    items.lock(scope.connection, scope.workshop.id, [lot.item_id])
    if ledger.reversal_of(scope.connection, scope.workshop.id, row.id) is not None:
        raise AlreadyReversed(f"{row.code} is reversed")
    lot = lots.by_ids(scope.connection, scope.workshop.id, [lot.id])[lot.id]
    item = stock.items_of(scope, [lot.item_id])[lot.item_id]
    before = _standing(scope, row)
    when = _when(scope, body, before)
    values, told = _changes(scope, body, item, lot, when[0])
    paper = papers.new_paper(scope, "correction", when, corrects_id=row.id)
    paper.facts = {"set": told, "note": body.note}
    line = replay.lines(scope.connection, scope.workshop.id, [row.id])[row.id][0]
    ledger.post(scope.connection, scope.workshop.id, paper, [Stated(item.id, line.paper, values["quantity"], lot.id)])
    redraw = Redraw.begin(scope, paper, row.id)
    if (before.happened_on, before.happened_at) != when:
        _move_day(scope, redraw, row, before, lot)
    _hold(scope, lot, values)
    since = min(before.happened_on, when[0])
    recosted = {lot.id} if (values["cost_micro"], values["quantity"]) != (lot.cost_micro, lot.quantity) else set()
    followed = late.follow(scope, redraw, {item.id: since}, recosted)
    answer = {
        "correction": paper.code, "corrects": row.code, "lot": lot.code, "material": item.code, **_told_all(item, values),
        "set": told, "note": body.note, "recorded_at": papers.local(scope, scope.now), "recorded_by": scope.actor.name,
        "warnings": [], "moved": [],
        "sentence": f"Receipt {row.code} is corrected: {said(values['quantity'], item.unit)} of {item.name}.",
    }  # fmt: skip
    return papers.told(answer, followed)


def _standing(scope: Scope, row: Row[Any]) -> Row[Any]:
    """The receipt, or the correction that states it now."""
    last = replay.restated(scope.connection, scope.workshop.id, [row.id]).get(row.id, row.id)
    return ledger.by_ids(scope.connection, scope.workshop.id, [last])[last]


def _when(scope: Scope, body: ReceiptCorrectionIn, before: Row[Any]) -> tuple[date, datetime | None]:
    if body.received_on is None:
        return before.happened_on, before.happened_at
    return papers.happened(scope, body.received_on, "#/received_on")


def _changes(
    scope: Scope, body: ReceiptCorrectionIn, item: ItemRow, lot: Row[Any], day: date
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The lot's columns as they will be, and what a receipt tells of them."""
    sent = body.model_fields_set
    values: dict[str, Any] = {"quantity": lot.quantity, "cost_micro": lot.cost_micro, "received_on": day}
    told: dict[str, Any] = {"received_on": day}
    if body.quantity is not None:
        unit, density = body.unit or item.unit, item.facts.get("density_g_per_ml")
        values["quantity"] = convert_in(body.quantity, unit, item.unit, Decimal(density) if density else None, "#/quantity")
        if not values["quantity"]:
            raise Invalid.field("#/quantity", "must be more than 0", str(body.quantity), "more than 0")
        told |= {
            "quantity": quantity_out(values["quantity"], item.unit),
            "given": {"quantity": plain(body.quantity), "unit": unit},
        }
    elif body.unit is not None:
        raise Invalid.field("#/unit", "goes with a `quantity`", body.unit)
    if body.cost is not None:
        values["cost_micro"] = money_in(body.cost, "#/cost")
        told["cost"] = money_out(values["cost_micro"])
    for name in PLAIN:
        if name in sent:
            values[name] = told[name] = getattr(body, name)
    if body.expires_on is not None:
        values |= {"expires_on": body.expires_on, "expires_assumed": False}
    elif lot.expires_assumed and day != lot.received_on:  # the shelf life of its arrival
        values |= {"expires_on": day + (lot.expires_on - lot.received_on), "expires_assumed": True}
    told |= {name: values[name] for name in ("expires_on", "expires_assumed") if name in values}
    return values, told


def _told_all(item: ItemRow, values: dict[str, Any]) -> dict[str, Any]:
    return {"quantity": quantity_out(values["quantity"], item.unit), "cost": money_out(values["cost_micro"])}


def _move_day(scope: Scope, redraw: Redraw, row: Row[Any], before: Row[Any], lot: Row[Any]) -> None:
    """A receipt that came on another day: taken out on the old day and put in on the new, before anything is drawn again."""
    held = [move for move in replay.draws_of(scope.connection, scope.workshop.id, [lot.id]) if move.origin == row.id]
    quantity, cost = sum(int(move.quantity) for move in held), [move.cost for move in held if move.cost is not None]
    out = papers.new_paper(
        scope, "correction", (before.happened_on, before.happened_at), corrects_id=row.id, caused_by_id=redraw.books.cause.id,
        states=False,
    )  # fmt: skip
    ledger.add_papers(scope.connection, scope.workshop.id, [out])
    money = sum(int(one) for one in cost) if cost else None
    redraw.books.carry_over(out, lot.id, quantity, money)


def _hold(scope: Scope, lot: Row[Any], values: dict[str, Any]) -> None:
    """The lot as the receipt now says it came; what an edit set since stands."""
    edited: set[str] = set()
    for edit in replay.edits(scope.connection, scope.workshop.id, [lot.id]):
        edited |= json.loads(edit.facts).keys()
    columns = {name: value for name, value in values.items() if name not in edited}
    if lot.arrived is not None:
        arrived = json.loads(lot.arrived) | {name: values[name] for name in ("expires_on", "retest_on") if name in values}
        columns["arrived"] = json.dumps(arrived, default=str)
    lots.change(scope.connection, scope.workshop.id, lot.id, columns)
