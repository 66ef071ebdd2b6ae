"""Purchase orders: drafted, placed, received in parts, cancelled. What came is told by standing receipts, never stored."""

import json
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying import purchase_lines, taught
from service.actions.buying.purchase_answers import order_of, show, state_said
from service.actions.buying.suppliers import supplier_of, terms
from service.actions.scope import Scope
from service.errors import Conflict, Invalid
from service.shapes.purchases import PlacementIn, PurchaseCancellationIn, PurchaseLineIn, PurchaseOrderIn, PurchaseOrderPatch
from service.store import purchases, suppliers
from service.store.purchases import AWAITED

SERIES = "P"


def create(scope: Scope, body: PurchaseOrderIn) -> dict[str, Any]:
    """A draft."""
    return show(scope, _draft(scope, body.supplier, body.lines, body.note))


def create_draft(scope: Scope, supplier_code: str, lines: Sequence[tuple[str, int]], note: str | None) -> str:
    """A draft of (offer, packs) for those who plan what to buy; answers its code."""
    return _draft(scope, supplier_code, [PurchaseLineIn(offer=offer, packs=packs) for offer, packs in lines], note)


def _draft(scope: Scope, supplier_code: str, lines: Sequence[PurchaseLineIn], note: str | None) -> str:
    supplier = supplier_of(scope, supplier_code, "#/supplier")
    rows = purchase_lines.made(scope, supplier, lines)
    code = papers.code_for(scope, SERIES)
    values = {
        "id": scope.new_id(), "code": code, "supplier_id": supplier.id, "state": "draft", "recorded_at": scope.now,
        "recorded_by": scope.actor.name, "facts": {"note": note},
    }  # fmt: skip
    purchases.add(scope.connection, scope.workshop.id, values, rows)
    return code


def edit(scope: Scope, code: str, patch: PurchaseOrderPatch) -> dict[str, Any]:
    """Lines of a draft; days and closed lines of a placed order; the note of any."""
    row = order_of(scope, code, lock=True)
    sent = patch.model_fields_set
    values: dict[str, Any] = {}
    facts = json.loads(row.facts)
    if "lines" in sent:
        _restate(scope, row, patch.lines)
    if "note" in sent:
        facts["note"] = patch.note
    if {"placed_on", "expected_on", "closed"} & sent and row.state not in (*AWAITED, "received"):
        raise Conflict(
            f"purchase order {code} is {state_said(row.state)}: only a placed one has days and lines to close", state=row.state
        )
    if {"placed_on", "expected_on"} & sent:
        placed = _past(scope, patch.placed_on) if "placed_on" in sent else row.placed_on
        facts["expected_told"] = "expected_on" in sent or facts["expected_told"]
        told = patch.expected_on if "expected_on" in sent else row.expected_on
        expected = _not_before(told, placed) if facts["expected_told"] else _expected(scope, row.supplier_id, placed)
        values |= {"placed_on": placed, "expected_on": expected}
    if facts != json.loads(row.facts):
        values["facts"] = facts
    if values:
        purchases.change(scope.connection, scope.workshop.id, row.id, values)
    if "closed" in sent:
        _close(scope, row, patch.closed)
        follow(scope, row)
    return show(scope, code)


def _restate(scope: Scope, row: Row[Any], lines: Sequence[PurchaseLineIn] | None) -> None:
    if lines is None:
        raise Invalid.field("#/lines", "must not be null")
    if row.state != "draft":
        raise Conflict(f"the lines of purchase order {row.code} stand: it is {state_said(row.state)}", state=row.state)
    supplier = suppliers.by_ids(scope.connection, scope.workshop.id, [row.supplier_id])[row.supplier_id]
    purchases.restate(scope.connection, scope.workshop.id, row.id, purchase_lines.made(scope, supplier, lines))


def _close(scope: Scope, row: Row[Any], closed: Sequence[int] | None) -> None:
    if closed is None:
        raise Invalid.field("#/closed", "must not be null")
    numbers = {line.n for line in purchases.lines(scope.connection, scope.workshop.id, [row.id])[row.id]}
    for n, line in enumerate(closed):
        if line not in numbers:
            raise Invalid.field(f"#/closed/{n}", "is not a line of this order", line, f"1 to {len(numbers)}")
    came = purchases.came(scope.connection, scope.workshop.id, [row.id])
    if not came and numbers <= set(closed):
        raise Conflict(f"nothing of purchase order {row.code} came: cancel it instead", state=row.state)
    purchases.close(scope.connection, scope.workshop.id, row.id, closed)


def _past(scope: Scope, day: date | None) -> date:
    if day is None:
        raise Invalid.field("#/placed_on", "must not be null")
    if day > scope.today:
        raise Invalid.field("#/placed_on", "must not be in the future", str(day), f"up to {scope.today}")
    return day


def _not_before(day: date | None, placed: date) -> date:
    if day is None:
        raise Invalid.field("#/expected_on", "must not be null")
    if day < placed:
        raise Invalid.field("#/expected_on", "is before the order was placed", str(day), f"from {placed}")
    return day


def place(scope: Scope, code: str, body: PlacementIn) -> dict[str, Any]:
    """The draft was sent: from now on it is awaited, and teaches the supplier's lead time when it comes."""
    row = order_of(scope, code, lock=True)
    if row.state != "draft":
        raise Conflict(f"purchase order {code} is {state_said(row.state)} already", state=row.state)
    placed = scope.today if body.placed_on is None else _past(scope, body.placed_on)
    told = body.expected_on is not None
    expected = _not_before(body.expected_on, placed) if told else _expected(scope, row.supplier_id, placed)
    supplier = suppliers.by_ids(scope.connection, scope.workshop.id, [row.supplier_id])[row.supplier_id]
    goods = purchase_lines.goods(purchases.lines(scope.connection, scope.workshop.id, [row.id])[row.id])
    values = {
        "state": "placed", "placed_on": placed, "expected_on": expected,
        "delivery_micro": None if goods is None else terms(supplier).charge(goods),
        "facts": json.loads(row.facts) | {"expected_told": told},
    }  # fmt: skip
    purchases.change(scope.connection, scope.workshop.id, row.id, values)
    return show(scope, code)


def _expected(scope: Scope, supplier: int, placed: date) -> date:
    """The day an order probably comes, by the supplier's lead time as it is known now."""
    row = suppliers.by_ids(scope.connection, scope.workshop.id, [supplier])[supplier]
    return placed + timedelta(days=taught.lead_times(scope, [row])[supplier].lead.within(0.5))


def cancel(scope: Scope, code: str, body: PurchaseCancellationIn) -> dict[str, Any]:
    """Nothing of it is awaited any more; refused where something came."""
    row = order_of(scope, code, lock=True)
    if row.state not in ("draft", "placed"):
        more = ": close the lines that will not come" if row.state == "partly_received" else ""
        raise Conflict(f"purchase order {code} is {state_said(row.state)}{more}", state=row.state)
    facts = json.loads(row.facts) | {"cancelled": body.reason}
    purchases.change(scope.connection, scope.workshop.id, row.id, {"state": "cancelled", "facts": facts})
    return show(scope, code)


def state_now(lines: Sequence[tuple[int, int, bool]]) -> str:
    """The state of a placed order of which (ordered, came, closed) is so of each line."""
    if not any(came for _, came, _ in lines):
        return "placed"
    return "received" if all(closed or came >= ordered for ordered, came, closed in lines) else "partly_received"


def follow(scope: Scope, row: Row[Any]) -> str:
    """Keep a placed order's state with what its standing receipts brought."""
    assert row.state not in ("draft", "cancelled"), "nothing is received of it"
    came = purchases.came(scope.connection, scope.workshop.id, [row.id])
    lines = purchases.lines(scope.connection, scope.workshop.id, [row.id])[row.id]
    brought = [(line, *came.get((row.id, line.n), (0, False))) for line in lines]
    state = state_now([(line.packs * line.pack, got, line.closed or closed) for line, got, closed in brought])
    if state != row.state:
        purchases.change(scope.connection, scope.workshop.id, row.id, {"state": state})
    return state


def hold(scope: Scope, receipt: int) -> Row[Any] | None:
    """Hold the order of a receipt until the end of the act, before its item is locked; None where it is for none."""
    row = purchases.of_receipt(scope.connection, scope.workshop.id, receipt)
    return None if row is None else purchases.by_code(scope.connection, scope.workshop.id, row.code, lock=True)
