"""Orders: what customers asked for, what left for them, what is still open. An open order claims (law 14)."""

import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers, products
from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.selling import customers
from service.core.said import day
from service.core.units import money_in, money_out
from service.errors import CodeTaken, Conflict, FieldError, Invalid, NotFound, StillNamed
from service.shapes.orders import OrderIn, OrderLineIn, OrderPatch
from service.store import items, orders, runs

OPEN = ("open", "partly_shipped")


def create(scope: Scope, body: OrderIn) -> dict[str, Any]:
    """Accept an order: from now on it claims what it needs."""
    placed = _placed(scope, body.placed_on)
    reference = body.reference or free_reference(scope)
    if orders.by_reference(scope.connection, scope.workshop.id, reference) is not None:
        error = FieldError("is taken", "#/reference", given=reference)
        raise CodeTaken(f"there is an order '{reference}' already", errors=[error])
    lines = order_lines(scope, body.lines)
    add(scope, reference, body.channel, body.customer, placed, body.due_on, lines, {"note": body.note}, body.one_off)
    return show(scope, reference)


def _placed(scope: Scope, told: date | None) -> date:
    """The day an order was placed: today unless told; not in the future."""
    placed = told or scope.today
    if placed > scope.today:
        raise Invalid.field("#/placed_on", "must not be in the future", str(placed), f"up to {scope.today}")
    return placed


def add(
    scope: Scope, reference: str, channel: str, customer: str | None, placed: date, due: date | None,
    lines: Sequence[dict[str, Any]], facts: dict[str, Any], one_off: bool | None = None,
) -> int:  # fmt: skip
    """Write an order; answers its id."""
    id_ = scope.new_id()
    values = {
        "id": id_, "reference": reference, "channel": channel, "customer": customer, "placed_on": placed,
        "due_on": due, "state": "open", "one_off": one_off,
        "recorded_at": scope.now, "recorded_by": scope.actor.name, "facts": facts,
    }  # fmt: skip
    orders.add(scope.connection, scope.workshop.id, values, lines)
    return id_


def free_reference(scope: Scope) -> str:
    """A reference of the service's own, for orders that came without one."""
    reference = papers.code_for(scope, "O")
    while orders.by_reference(scope.connection, scope.workshop.id, reference) is not None:
        reference = papers.code_for(scope, "O")
    return reference


def order_lines(scope: Scope, lines: Sequence[OrderLineIn | Any]) -> list[dict[str, Any]]:
    """Lines as the store keeps them; a product that is not there is a 404."""
    found = items.by_codes(scope.connection, scope.workshop.id, {line.product for line in lines})
    rows = []
    for n, line in enumerate(lines):
        item = found.get(line.product)
        if item is None or item.kind != "product":
            error = FieldError("is not there", pointer=f"#/lines/{n}/product", given=line.product)
            raise NotFound(f"there is no product '{line.product}'", errors=[error])
        price = None if line.unit_price is None else money_in(line.unit_price, f"#/lines/{n}/unit_price")
        rows.append({"item_id": item.id, "units": line.units, "unit_price_micro": price})
    return rows


def edit(scope: Scope, reference: str, patch: OrderPatch) -> dict[str, Any]:
    """Change what was sent; cancelling frees what the order claims."""
    row = order_of(scope, reference, lock=True)
    sent = patch.model_fields_set
    values: dict[str, Any] = {name: getattr(patch, name) for name in ("due_on", "customer", "one_off") if name in sent}
    for name in ("channel", "placed_on"):
        if name in sent and getattr(patch, name) is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    if patch.channel is not None:
        values["channel"] = patch.channel
    if patch.placed_on is not None:
        values["placed_on"] = _placed(scope, patch.placed_on)
    if "note" in sent:
        values["facts"] = json.loads(row.facts) | {"note": patch.note}
    if "lines" in sent:
        _restate(scope, row, patch)
    if patch.state == "cancelled" and row.state == "shipped":
        raise Conflict(f"order {reference} is shipped: a return or a reversal takes it back", state=row.state)
    if patch.state is not None:
        values["state"] = "cancelled" if patch.state == "cancelled" else state_of(scope, row.id)
    if values:
        orders.change(scope.connection, scope.workshop.id, row.id, values)
    return show(scope, reference)


def _restate(scope: Scope, row: Row[Any], patch: OrderPatch) -> None:
    if patch.lines is None:
        raise Invalid.field("#/lines", "must not be null")
    imported = any(line.imported for line in orders.lines(scope.connection, scope.workshop.id, [row.id])[row.id])
    if row.state not in OPEN or imported or orders.papers(scope.connection, scope.workshop.id, [row.id]):
        raise Conflict(f"the lines of order {row.reference} stand: something was shipped, or it is {row.state}", state=row.state)
    orders.restate(scope.connection, scope.workshop.id, row.id, order_lines(scope, patch.lines))


def order_of(scope: Scope, reference: str, pointer: str | None = None, lock: bool = False) -> Row[Any]:
    """An order by its reference, held until the end of the act with `lock`."""
    row = orders.by_reference(scope.connection, scope.workshop.id, reference, lock)
    if row is None:
        errors = [FieldError("is not there", pointer=pointer, given=reference)] if pointer else []
        raise NotFound(f"there is no order '{reference}'", errors=errors)
    return row


def open_order(scope: Scope, reference: str, pointer: str | None = None, lock: bool = False) -> Row[Any]:
    """The same, of an order that is still open; 409 otherwise."""
    row = order_of(scope, reference, pointer, lock)
    if row.state not in OPEN:
        raise Conflict(f"order {reference} is {row.state}: nothing of it is open", state=row.state)
    return row


def state_of(scope: Scope, order: int) -> str:
    """What an order's standing papers make of it (a cancelled one apart)."""
    lines = orders.lines(scope.connection, scope.workshop.id, [order])[order]
    shipped = orders.moved(scope.connection, scope.workshop.id, [order], "shipment")
    return shipped_state([(line.units, line.units if line.imported else shipped.get((order, line.n), 0)) for line in lines])


def shipped_state(lines: Sequence[tuple[int, int]]) -> str:
    """The state of an order of which (asked for, shipped) is so much of each line."""
    if all(gone >= units for units, gone in lines):
        return "shipped"
    return "partly_shipped" if any(gone for _, gone in lines) else "open"


def follow(scope: Scope, row: Row[Any]) -> None:
    """Keep an order's state with what its papers moved; what is cancelled stays so."""
    if row.state != "cancelled":
        orders.change(scope.connection, scope.workshop.id, row.id, {"state": state_of(scope, row.id)})


def hold(scope: Scope, document: int) -> None:
    """Hold a paper's order until the end of the act, before its items are locked (as a shipment does)."""
    for row in orders.of_papers(scope.connection, scope.workshop.id, [document]).values():
        orders.by_reference(scope.connection, scope.workshop.id, row.reference, lock=True)


def paper_reversed(scope: Scope, document: int) -> None:
    """A shipment was taken out: its units are open again; a market day without an order list never was."""
    row = orders.of_papers(scope.connection, scope.workshop.id, [document]).get(document)
    if row is None:
        return
    if json.loads(row.facts).get("market_day"):
        orders.change(scope.connection, scope.workshop.id, row.id, {"state": "cancelled"})
    else:
        follow(scope, row)


def none_back_of(scope: Scope, document: int, code: str) -> None:
    """A shipment that was taken out must leave shipped what came back of its order; else 409 with the returns."""
    row = orders.of_papers(scope.connection, scope.workshop.id, [document]).get(document)
    if row is None:
        return
    shipped, back = (orders.moved(scope.connection, scope.workshop.id, [row.id], kind) for kind in ("shipment", "return"))
    imported = {
        line.n: line.units for line in orders.lines(scope.connection, scope.workshop.id, [row.id])[row.id] if line.imported
    }
    if all(units <= imported.get(key[1], shipped.get(key, 0)) for key, units in back.items()):
        return
    papers_ = orders.papers(scope.connection, scope.workshop.id, [row.id])
    holds = [{"document": one.code, "kind": "return"} for one in papers_ if one.kind == "return"]
    said = ", ".join(f"return {one['document']}" for one in holds[:5])
    raise StillNamed(f"{code} cannot be reversed while {said} brought back what it shipped: reverse it first", holds=holds)


def show(scope: Scope, reference: str, pointer: str | None = None) -> dict[str, Any]:
    """An order: what was asked for, and what was shipped of it as known now."""
    return _shown(scope, [order_of(scope, reference, pointer)])[0]


def list_(
    scope: Scope, state: str | None, channel: str | None, customer: str | None, after: int | None, limit: int
) -> tuple[list[dict[str, Any]], int | None]:
    """Orders, newest first."""
    told = {"state": state, "channel": channel, "customer": customer}
    rows = orders.page(scope.connection, scope.workshop.id, after, limit + 1, **told)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    connection, workshop, ids = scope.connection, scope.workshop.id, [row.id for row in rows]
    lines = orders.lines(connection, workshop, ids)
    shipped = orders.moved(connection, workshop, ids, "shipment")
    back = orders.moved(connection, workshop, ids, "return")
    terms = customers.all_terms(scope, {row.customer for row in rows if row.customer is not None})
    codes: dict[tuple[int, str], list[str]] = {}
    for paper in orders.papers(connection, workshop, ids):
        codes.setdefault((paper.order_id, paper.kind), []).append(paper.code)
    for run in runs.for_orders(connection, workshop, ids):
        codes.setdefault((run.order_id, "run"), []).append(run.code)
    cases = _cases(scope, [row for row in rows if row.channel == "wholesale" and row.state in OPEN], lines)
    found = []
    for row in rows:
        mine = [line_dict(row, line, shipped, back) for line in lines[row.id]]
        found.append(_order_dict(scope, row, mine, lines[row.id], terms.get(row.customer, customers.TERMS), codes))
        found[-1]["warnings"] += cases.get(row.id, [])
    return found


def line_dict(
    row: Row[Any], line: Row[Any], shipped: Mapping[tuple[int, int], int], back: Mapping[tuple[int, int], int]
) -> dict[str, Any]:
    """A line of an order; nothing of a cancelled one is open."""
    gone = line.units if line.imported else shipped.get((row.id, line.n), 0)
    return {
        "line": line.n,
        "product": line.code,
        "units": line.units,
        "unit_price": money_out(line.unit_price_micro),
        "shipped": gone,
        "returned": back.get((row.id, line.n), 0),
        "open": max(0, line.units - gone) if row.state in OPEN else 0,
        "imported": line.imported,
    }


def _cases(scope: Scope, rows: Sequence[Row[Any]], lines: Mapping[int, Sequence[Row[Any]]]) -> dict[int, list[dict[str, Any]]]:
    """Warnings of wholesale orders that are not whole cases, by order."""
    wanted: dict[int, dict[int, int]] = {}
    for row in rows:
        for line in lines[row.id]:
            mine = wanted.setdefault(row.id, {})
            mine[line.item_id] = mine.get(line.item_id, 0) + line.units
    known = products.cases(scope, {item for mine in wanted.values() for item in mine})
    return {order: products.case_warnings(known, mine) for order, mine in wanted.items()}


def _order_dict(
    scope: Scope, row: Row[Any], mine: list[dict[str, Any]], lines: Sequence[Row[Any]], terms: Mapping[str, Any],
    codes: Mapping[tuple[int, str], list[str]],
) -> dict[str, Any]:  # fmt: skip
    prices = [line.unit_price_micro for line in lines]
    total = None if None in prices else sum(line.units * line.unit_price_micro for line in lines)
    made = codes.get((row.id, "run"), [])
    return {
        "reference": row.reference,
        "channel": row.channel,
        "customer": row.customer,
        "placed_on": row.placed_on,
        "due_on": row.due_on,
        "ship_by": None if row.due_on is None else row.due_on - timedelta(days=terms["transit_days"]),
        "state": row.state,
        "lines": mine,
        "total": money_out(total),
        "shipments": codes.get((row.id, "shipment"), []),
        "returns": codes.get((row.id, "return"), []),
        "runs": made,
        "one_off": row.one_off,
        "note": json.loads(row.facts).get("note"),
        "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "warnings": _warnings(row, total, terms, made),
        "sentence": _sentence(scope, row, mine),
    }


def _warnings(row: Row[Any], total: int | None, terms: Mapping[str, Any], made: Sequence[str]) -> list[dict[str, Any]]:
    least = terms["smallest_order_micro"]
    found: list[dict[str, Any]] = []
    if row.state in OPEN and least is not None and total is not None and total < least:
        sentence = f"{money_out(total)} is less than the smallest order of {row.customer}, {money_out(least)}."
        found.append({"type": "below-smallest-order", "sentence": sentence, "smallest_order": money_out(least)})
    if row.state == "cancelled" and made:
        sentence = f"Order {row.reference} is cancelled: {', '.join(made[:5])} was made or planned for it."
        found.append({"type": "runs-for-a-cancelled-order", "sentence": sentence, "runs": list(made)})
    return found


def _sentence(scope: Scope, row: Row[Any], lines: Sequence[Mapping[str, Any]]) -> str:
    whose = f" for {row.customer}" if row.customer else ""
    due = f", due on {day(row.due_on, scope.today)}" if row.due_on is not None else ""
    left = sum(line["open"] for line in lines)
    state = {"open": f"is open: {left} to ship", "partly_shipped": f"is partly shipped: {left} to ship"}
    return f"Order {row.reference}{whose} {state.get(row.state, f'is {row.state}')}{due if left else ''}."
