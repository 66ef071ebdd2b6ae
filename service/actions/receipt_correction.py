"""Corrections of receipts: quantity, unit, dates, supplier's lot, cost; also after part of the lot was used."""

import json
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.buying import purchase_orders
from service.actions.late import late, reading, restating
from service.actions.late.redraw import Redraw
from service.actions.receiving import given, quantity_of
from service.actions.reversals import only_own
from service.actions.scope import Scope
from service.core.stock import costs, happening
from service.core.units import largest_remainder, money_in, money_out, quantity_out, said
from service.errors import AlreadyReversed, LotNotThereYet, NotFound
from service.shapes.papers import ReceiptCorrectionIn
from service.store import items, ledger, lots, replay
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Stated

PLAIN = ("supplier", "supplier_lot", "certificate", "retest_on")
OF_PARTS = ("supplier", "supplier_lot", "certificate")  # that a part shares with its lot; its dates follow with its draws


def record(scope: Scope, code: str, body: ReceiptCorrectionIn) -> dict[str, Any]:
    """State a receipt anew; answers what moved of every batch that drew from its lot."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "receipt")
    if row is None:
        raise NotFound(f"there is no receipt '{code}'")
    only_own(scope, row)
    order = purchase_orders.hold(scope, row.id)
    made = lots.of_document(scope.connection, scope.workshop.id, row.id)
    items.lock(scope.connection, scope.workshop.id, [made[0].item_id])
    if paper_store.reversal_of(scope.connection, scope.workshop.id, row.id) is not None:
        raise AlreadyReversed(f"{row.code} is reversed")
    made = lots.of_document(scope.connection, scope.workshop.id, row.id)
    item = stock.items_of(scope, [made[0].item_id])[made[0].item_id]
    before = restating.standing(scope, row)
    when = _when(scope, body, before)
    _named_before(scope, row, made, when[0])
    values, told = _changes(body, item, made, when[0], _given(scope, row))
    items.raise_latest(scope.connection, scope.workshop.id, [item.id], happening.rank(*when))
    paper = papers.new_paper(scope, "correction", when, corrects_id=row.id)
    paper.facts = {"set": told, "note": body.note}
    numbers = {line.lot_id: line.paper for line in replay.lines(scope.connection, scope.workshop.id, [row.id])[row.id]}
    each = _shared_out(made, values)
    stated = [Stated(item.id, numbers[lot.id], mine["quantity"], lot.id) for lot, mine in zip(made, each, strict=True)]
    ledger.post(scope.connection, scope.workshop.id, paper, stated)
    redraw = Redraw.begin(scope, paper, row.id)
    if (before.happened_on, before.happened_at) != when:
        _move_day(scope, redraw, row, before, made)
    recosted = set()
    for lot, mine in zip(made, each, strict=True):
        _hold(scope, lot, mine)
        if (mine["cost_micro"], mine["quantity"]) != (lot.cost_micro, lot.quantity):
            recosted.add(lot.id)
    followed = late.follow(scope, redraw, {item.id: min(before.happened_on, when[0])}, recosted)
    if order is not None:
        purchase_orders.follow(scope, order)
    lot = made[0]
    answer = {
        "correction": paper.code, "corrects": row.code, "lot": lot.code, "material": item.code, **_told_all(item, values),
        "set": told, "note": body.note, "recorded_at": papers.local(scope, scope.now), "recorded_by": scope.actor.name,
        "warnings": [], "moved": [], "reverses": None, "caused_by": None,
        "sentence": f"Receipt {row.code} is corrected: {said(values['quantity'], item.unit)} of {item.name}.",
    }  # fmt: skip
    return papers.told(answer, followed)


def _given(scope: Scope, row: Row[Any]) -> Decimal:
    """The number on the delivery note, as known until now."""
    told = [papers.facts_of(row)["given"]]
    for again in paper_store.restating(scope.connection, scope.workshop.id, [row.id]).get(row.id, []):
        told += [papers.facts_of(again)["set"]["given"]] if "given" in papers.facts_of(again)["set"] else []
    return Decimal(str(told[-1]["quantity"]))


def _when(scope: Scope, body: ReceiptCorrectionIn, before: Row[Any]) -> tuple[date, datetime | None]:
    if body.received_on is None:
        return before.happened_on, before.happened_at
    return papers.happened(scope, body.received_on, "#/received_on")


def _named_before(scope: Scope, row: Row[Any], made: list[Row[Any]], day: date) -> None:
    """409 when a standing paper names a lot of the receipt on a day before the one it is now said to have come."""
    found = paper_store.naming(scope.connection, scope.workshop.id, [lot.id for lot in made], row.id)
    early = {one.code: one for one in found if one.happened_on < day}
    if early:
        said = ", ".join(f"{one.kind} {code} of {one.happened_on}" for code, one in list(early.items())[:5])
        holds = [{"document": code, "kind": one.kind} for code, one in early.items()]
        raise LotNotThereYet(f"{row.code} cannot have come on {day}: {said} names its lot; reverse it first", holds=holds)


def _changes(
    body: ReceiptCorrectionIn, item: ItemRow, made: list[Row[Any]], day: date, was: Decimal
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The lot's columns as they will be, and what a receipt tells of them; `was` is the number on the delivery note."""
    sent, lot = body.model_fields_set, made[0]
    values: dict[str, Any] = {
        "quantity": sum(one.quantity for one in made), "cost_micro": costs.total([one.cost_micro for one in made]),
        "received_on": day,
    }  # fmt: skip
    told: dict[str, Any] = {"received_on": day}
    if sent & {"quantity", "unit"}:
        amount = was if body.quantity is None else body.quantity
        unit = body.unit or item.unit
        values["quantity"] = quantity_of(item, amount, unit, "#/unit" if body.quantity is None else "#/quantity")
        told |= {"quantity": quantity_out(values["quantity"], item.unit), "given": given(amount, unit)}
    if body.cost is not None:
        values["cost_micro"] = money_in(body.cost, "#/cost")
        told["cost"] = money_out(values["cost_micro"])
    for name in PLAIN:
        if name in sent:
            values[name] = told[name] = getattr(body, name)
    if body.expires_on is not None:
        values |= {"expires_on": body.expires_on, "expires_assumed": False}
    elif "expires_on" in sent:  # there is none on the container: as a receipt that says none
        life = item.shelf_life_days
        values |= {"expires_on": None if life is None else day + timedelta(days=life), "expires_assumed": life is not None}
    elif lot.expires_assumed and day != lot.received_on:  # the shelf life of its arrival
        values |= {"expires_on": day + (lot.expires_on - lot.received_on), "expires_assumed": True}
    told |= {name: values[name] for name in ("expires_on", "expires_assumed") if name in values}
    return values, told


def _told_all(item: ItemRow, values: dict[str, Any]) -> dict[str, Any]:
    return {"quantity": quantity_out(values["quantity"], item.unit), "cost": money_out(values["cost_micro"])}


def _shared_out(made: list[Row[Any]], values: dict[str, Any]) -> list[dict[str, Any]]:
    """What each lot of the receipt is now: quantity and cost in the proportions it came in."""
    parts = largest_remainder(values["quantity"], [lot.quantity for lot in made])
    cost = values["cost_micro"]
    shares = [None] * len(made) if cost is None else largest_remainder(cost, parts)
    return [values | {"quantity": part, "cost_micro": share} for part, share in zip(parts, shares, strict=True)]


def _move_day(scope: Scope, redraw: Redraw, row: Row[Any], before: Row[Any], made: list[Row[Any]]) -> None:
    """A receipt that came on another day: taken out on the old day and put in on the new, before anything is drawn again."""
    out = papers.new_paper(
        scope, "correction", (before.happened_on, before.happened_at), corrects_id=row.id, caused_by_id=redraw.books.cause.id,
        states=False,
    )  # fmt: skip
    ledger.add_papers(scope.connection, scope.workshop.id, [out])
    for n, lot in enumerate(made):
        held = [move for move in replay.draws_of(scope.connection, scope.workshop.id, [lot.id]) if move.origin == row.id]
        money = [int(move.cost) for move in held if move.cost is not None]
        redraw.books.carry_over(out, n, lot.id, sum(int(move.quantity) for move in held), sum(money) if money else None)


def _hold(scope: Scope, lot: Row[Any], values: dict[str, Any]) -> None:
    """The lot as the receipt now says it came; what an edit set since stands."""
    edited: set[str] = set()
    for edit in replay.edits(scope.connection, scope.workshop.id, [lot.id]):
        edited |= json.loads(edit.facts).keys()
    columns = {name: value for name, value in values.items() if name not in edited}
    if lot.arrived is not None:
        arrived = json.loads(lot.arrived) | {name: values[name] for name in ("expires_on", "retest_on") if name in values}
        columns["arrived"] = reading.kept(arrived)
    lots.change(scope.connection, scope.workshop.id, lot.id, columns)
    _hold_parts(scope, lot, {name: values[name] for name in OF_PARTS if name in values and name not in edited})


def _hold_parts(scope: Scope, lot: Row[Any], values: dict[str, Any]) -> None:
    """What was split off a lot came with it: supplier, supplier's lot and certificate; an edit of the part stands."""
    for part in lots.parts_of(scope.connection, scope.workshop.id, lot.id) if values else ():
        edits = replay.edits(scope.connection, scope.workshop.id, [part.id])
        own = {name: value for name, value in values.items() if not any(name in json.loads(edit.facts) for edit in edits)}
        lots.change(scope.connection, scope.workshop.id, part.id, own)
        _hold_parts(scope, part, own)
