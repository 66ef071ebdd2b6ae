"""Deliveries: one delivery note booked whole, one receipt a line, its delivery charge shared over the lots by value.

What a line is charged is converted at the delivery's rate, half to even to the millionth, each for itself; so is the
charge for delivery, which is then shared by largest remainder: the shares sum to it exactly.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.actions import papers, receiving
from service.actions.buying import ordered, purchase_orders
from service.actions.buying.delivered_lines import Came, Reading
from service.actions.buying.ordered import Against
from service.actions.buying.purchase_lines import MOST_MONEY
from service.actions.buying.suppliers import rate_of, supplier_of
from service.actions.paging import onward
from service.actions.papers import When
from service.actions.receiving import Arrival
from service.actions.scope import Scope
from service.core.buying.message import money
from service.core.stock import costs
from service.core.units import NANO, exchanged, largest_remainder, money_in, money_out, rate_in, rate_out
from service.errors import Invalid, NotFound
from service.shapes.purchases import DeliveryIn, FreeDeliveryIn
from service.store import items, purchases

SERIES = "Y"
OF_RECEIPT = ("receipt", "lot", "lots", "material", "quantity", "cost", "supplier_lot", "expires_on", "status")


@dataclass(frozen=True, slots=True)
class Note:
    """A delivery note: whose, for which order, in which currency and at which rate, and what delivery cost."""

    supplier: Row[Any]
    order: Against | None
    currency: str
    rate: int
    charge: int
    when: When
    body: DeliveryIn


def of_order(scope: Scope, code: str, body: DeliveryIn) -> dict[str, Any]:
    """Book a delivery note for a purchase order, whole or not at all."""
    order = ordered.against(scope, code)
    return _record(scope, order.supplier, order, body)


def free(scope: Scope, body: FreeDeliveryIn) -> dict[str, Any]:
    """Book a delivery note of what was not ordered here."""
    return _record(scope, supplier_of(scope, body.supplier, "#/supplier"), None, body)


def _record(scope: Scope, supplier: Row[Any], order: Against | None, body: DeliveryIn) -> dict[str, Any]:
    when = papers.happened(scope, body.delivered_on, "#/delivered_on")
    if order is not None:
        order.must_be_placed(when[0], "#/delivered_on")
    currency = body.currency or supplier.currency
    charge = 0 if body.delivery_charge is None else money_in(body.delivery_charge, "#/delivery_charge")
    note = Note(supplier, order, currency, _rate(scope, supplier, currency, body), charge, when, body)
    came = Reading(scope, order, currency == supplier.currency).lines(body.lines)
    shares, paid = _costs(note, came)
    warnings = _differs(scope, note, came)
    items.lock(scope.connection, scope.workshop.id, {one.item.id for one in came})  # all at once, in the order of their ids
    delivery = {
        "id": scope.new_id(), "code": papers.code_for(scope, SERIES), "supplier_id": supplier.id,
        "order_id": order.order.id if order is not None else None, "note_number": body.note_number,
        "recorded_at": scope.now, "recorded_by": scope.actor.name, "facts": {},
    }  # fmt: skip
    purchases.add_delivery(scope.connection, scope.workshop.id, delivery)
    booked = [_book(scope, note, delivery, one, cost) for one, cost in zip(came, paid, strict=True)]
    state = purchase_orders.follow(scope, order.order) if order is not None else None
    answer = _answer(scope, note, delivery["code"], came, shares, booked)
    answer |= {"state": state, "cost": money_out(costs.total(paid)), "warnings": [*warnings, *answer["warnings"]]}
    answer["sentence"] = _sentence(answer, booked, warnings)
    purchases.keep_answer(scope.connection, scope.workshop.id, delivery["id"], answer)
    return answer


def _rate(scope: Scope, supplier: Row[Any], currency: str, body: DeliveryIn) -> int:
    """Billionths of the workshop's currency for one of the delivery's."""
    told = None if body.rate is None else rate_in(body.rate, "#/rate")
    if currency == scope.workshop.currency:
        if told not in (None, NANO):
            raise Invalid.field("#/rate", "is 1 in the workshop's own currency", str(body.rate), "1, or nothing")
        return NANO
    rate = told or (rate_of(scope, supplier) if currency == supplier.currency else None)
    if rate is None:
        raise Invalid.field("#/rate", f"is needed: what one {currency} costs in {scope.workshop.currency}")
    return rate


def _costs(note: Note, came: Sequence[Came]) -> tuple[list[int], list[int | None]]:
    """Each line's share of the delivery charge, and all that it cost, in the workshop's currency."""
    charge = exchanged(note.charge, note.rate)
    shares = [0] * len(came)
    if charge:
        values = [one.charged for one in came if one.charged is not None]
        if len(values) < len(came):
            one = next(one for one in came if one.charged is None)
            raise Invalid.field(f"{one.at}/price", "is needed: the delivery charge is shared by value")
        shares = largest_remainder(charge, values if any(values) else [1] * len(came))
    paid = [
        None if one.charged is None else exchanged(one.charged, note.rate) + share
        for one, share in zip(came, shares, strict=True)
    ]
    for one, cost in zip(came, paid, strict=True):
        if cost is not None and cost > MOST_MONEY:
            raise Invalid.field(f"{one.at}/price", "is out of range", str(one.body.price))
    return shares, paid


def _differs(scope: Scope, note: Note, came: Sequence[Came]) -> list[dict[str, Any]]:
    """What the note says otherwise than the order, line by line; and a note that was booked before."""
    found = _booked_before(scope, note)
    order = note.order
    if order is None:
        return found
    for line in order.lines:
        mine = [one for one in came if one.line is line]
        if mine:
            close = any(one.body.close for one in mine)
            found += ordered.quantity_differs(line, order.left(line), sum(one.quantity for one in mine), close)
        for one in mine:
            if one.charged is not None and note.currency == note.supplier.currency:
                found += ordered.price_differs(line, one.quantity, one.charged, note.currency)
    for one in came:
        if one.line is None:
            sentence = f"{one.item.name} was not ordered with {order.order.code}."
            found.append({"type": "not-ordered", "sentence": sentence, "material": one.item.code})
    agreed = order.order.delivery_micro
    first = not purchases.deliveries_of(scope.connection, scope.workshop.id, [order.order.id])
    if first and agreed is not None and note.charge != agreed and note.currency == note.supplier.currency:
        by_order, charged = money(agreed, note.currency), money(note.charge, note.currency)
        sentence = f"Delivery: {charged} was charged, by the order it is {by_order}."
        facts = {"ordered": money_out(agreed), "charged": money_out(note.charge)}
        found.append({"type": "delivery-charge-differs", "sentence": sentence, **facts})
    return found


def _booked_before(scope: Scope, note: Note) -> list[dict[str, Any]]:
    """Booked twice, stock would be there twice."""
    number = note.body.note_number
    if number is None:
        return []
    found = purchases.standing_with_note(scope.connection, scope.workshop.id, note.supplier.id, number)
    if not found:
        return []
    sentence = f"Delivery note {number} of {note.supplier.name} was booked before, as {', '.join(found)}: is this another one?"
    return [{"type": "note-booked-before", "sentence": sentence, "deliveries": found}]


def _book(scope: Scope, note: Note, delivery: dict[str, Any], came: Came, cost: int | None) -> dict[str, Any]:
    """One line's receipt."""
    order = note.order.order if note.order is not None and came.line is not None else None
    line = came.line.n if came.line is not None else None
    bought = {"purchase_order": order.code if order is not None else None, "line": line, "delivery": delivery["code"]}
    arrival = Arrival(came.item, came.quantity, came.given, cost, note.when, came.body, note.supplier.name, came.at, bought)
    answer, paper = receiving.book(scope, arrival)
    of = order.id if order is not None else None
    purchases.link(scope.connection, scope.workshop.id, paper, of, line, delivery["id"], came.body.close)
    return answer


def _answer(
    scope: Scope, note: Note, code: str, came: Sequence[Came], shares: Sequence[int], booked: Sequence[dict[str, Any]]
) -> dict[str, Any]:
    lines = [
        {
            "line": receipt["line"],
            **{name: receipt[name] for name in OF_RECEIPT},
            "charged": money_out(one.charged),
            "delivery_share": money_out(share),
            "reversed": False,
        }
        for one, share, receipt in zip(came, shares, booked, strict=True)
    ]
    return {
        "delivery": code,
        "supplier": note.supplier.code,
        "supplier_name": note.supplier.name,
        "purchase_order": note.order.order.code if note.order is not None else None,
        "delivered_on": note.when[0],
        "note_number": note.body.note_number,
        "currency": note.currency,
        "rate": rate_out(note.rate),
        "charged": money_out(costs.total([one.charged for one in came])),
        "delivery_charge": money_out(note.charge),
        "lines": lines,
        "note": note.body.note,
        "recorded_at": papers.local(scope, scope.now),
        "recorded_by": scope.actor.name,
        "warnings": [warning for receipt in booked for warning in receipt["warnings"]],
        "moved": [moved for receipt in booked for moved in receipt["moved"]],
    }


def _sentence(answer: dict[str, Any], booked: Sequence[dict[str, Any]], warnings: Sequence[dict[str, Any]]) -> str:
    """What was booked, what differs from the order, and what became of it."""
    said = [f"Delivery {answer['delivery']} from {answer['supplier_name']}:"]
    for receipt in booked:
        said += [receipt["sentence"], *(warning["sentence"] for warning in receipt["warnings"])]
    said += [warning["sentence"] for warning in warnings]
    if answer["purchase_order"] is not None:
        said.append(f"Purchase order {answer['purchase_order']} is {answer['state'].replace('_', ' ')}.")
    return " ".join(said)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A delivery as recorded, and which of its receipts are reversed."""
    row = purchases.delivery_by_code(scope.connection, scope.workshop.id, code)
    if row is None:
        raise NotFound(f"there is no delivery '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, supplier: str | None, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Deliveries, newest first."""
    of = supplier_of(scope, supplier, "supplier") if supplier is not None else None
    rows = purchases.deliveries_page(scope.connection, scope.workshop.id, of.id if of is not None else None, after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    gone = purchases.reversed_of(scope.connection, scope.workshop.id, [row.id for row in rows])
    orders = purchases.by_ids(scope.connection, scope.workshop.id, {row.order_id for row in rows if row.order_id is not None})
    found = []
    for row in rows:
        answer = json.loads(row.facts)
        lines = [line | {"reversed": line["receipt"] in gone} for line in answer["lines"]]
        state = None if row.order_id is None else orders[row.order_id].state
        found.append(answer | {"lines": lines, "state": state, "moved": []})
    return found
