"""Shipments: finished batches that left for an order, first expired, first out, or as they were named (law 6, 7, 13)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers, products
from service.actions.late import late
from service.actions.making import drawing, run_draw, run_named
from service.actions.making.run_target import NamedLots, Need
from service.actions.scope import Scope
from service.actions.selling import customers, shipped
from service.actions.selling import orders as order_acts
from service.core.stock import draw, happening
from service.errors import Conflict, FieldError, Invalid, NotEnoughStock, NotFound
from service.shapes.orders import ShipmentIn, ShippedLotIn
from service.store import items as item_store
from service.store import ledger, lots, orders
from service.store.items import ItemRow
from service.store.ledger import Stated

UNFIT = ("expired", "quarantined", "rejected", "resting")  # what is not shipped unless a person names it


@dataclass(slots=True)
class Load:
    """What leaves: units by product and line of the order, the lots named for each, and what is odd about it."""

    needs: list[Need]
    lines: list[int]
    named: list[NamedLots]
    rows: dict[int, Row[Any]]
    items: Mapping[int, ItemRow]
    unfit: list[dict[str, Any]]
    warnings: list[dict[str, Any]]


def record(scope: Scope, reference: str, body: ShipmentIn) -> dict[str, Any]:
    """Take what left out of the books, whole or not at all; what the books lack is unbooked (law 7)."""
    order = order_acts.open_order(scope, reference, lock=True)
    when = papers.happened(scope, body.shipped_on, "#/shipped_on")
    terms = customers.terms_of(scope, order.customer)
    least = when[0] + timedelta(days=terms["transit_days"] + terms["min_life_days"])
    open_ = _open_lines(scope, order)
    wanted, warnings = _wanted(scope, open_, body)
    return ship(scope, order, wanted, body.lots, when, least, warnings, body.note, body.strict)


def ship(
    scope: Scope, order: Row[Any], wanted: Sequence[tuple[int, int, int]], named: Sequence[ShippedLotIn],
    when: tuple[date, datetime | None], least: date, warnings: list[dict[str, Any]], note: str | None = None,
    strict: bool = False,
) -> dict[str, Any]:  # fmt: skip
    """Draw and write a shipment of (line, product, units) each."""
    if not wanted:
        raise Conflict(f"nothing of order {order.reference} is open")
    items = item_store.by_ids(scope.connection, scope.workshop.id, {item for _, item, _ in wanted})
    needs = [Need(item, units, "sale") for _, item, units in wanted]
    load = Load(needs, [line for line, _, _ in wanted], [], {}, items, [], warnings)
    _name(scope, load, named, when[0], least)
    locked = item_store.lock(scope.connection, scope.workshop.id, sorted(items), happening.rank(*when, happening.ASSUMED))
    paper = papers.new_paper(scope, "shipment", when)
    stated = [
        Stated(need.item_id, locked[need.item_id].paper, -need.quantity, named=load.named[at]) for at, need in enumerate(needs)
    ]
    _warn(scope, load, order, locked, when)
    paper.facts = {"order": order.reference, "customer": order.customer, "note": note, "least": least, "unfit": load.unfit,
                   "warnings": load.warnings}  # fmt: skip
    drawn, redraw, _ = drawing.draw(scope, paper, stated, needs, load.named, load.rows, items, locked, least)
    if strict and (drawn.short or load.unfit):
        raise _strict(load, drawn)
    if redraw is None:
        ledger.post(scope.connection, scope.workshop.id, paper, stated, drawn.entries)
    orders.link(scope.connection, scope.workshop.id, order.id, paper.id, load.lines)
    order_acts.follow(scope, order)
    followed = late.finish(scope, redraw) if redraw is not None else None
    answer = shipped.show(scope, paper.code)
    answer["warnings"] += shipped.lying(drawn, items, when[0], least)
    return answer if followed is None else papers.told(answer, followed)


def _open_lines(scope: Scope, order: Row[Any]) -> list[tuple[int, int, str, int]]:
    """What is still to be shipped of an order: line, product, its code, units."""
    shipped_ = orders.moved(scope.connection, scope.workshop.id, [order.id], "shipment")
    lines = orders.lines(scope.connection, scope.workshop.id, [order.id])[order.id]
    found = [(line, order_acts.line_dict(order, line, shipped_, {})["open"]) for line in lines if not line.imported]
    return [(line.n, line.item_id, line.code, units) for line, units in found]


def _wanted(
    scope: Scope, open_: Sequence[tuple[int, int, str, int]], body: ShipmentIn
) -> tuple[list[tuple[int, int, int]], list[dict[str, Any]]]:
    """Units by line of the order, in its order; more than is open of a product stands on its last line, with a warning."""
    if not body.lines:
        return [(n, item, units) for n, item, _, units in open_ if units], []
    asked: dict[str, int] = {}
    for line in body.lines:
        asked[line.product] = asked.get(line.product, 0) + line.units
    found: list[tuple[int, int, int]] = []
    warnings = []
    for at, code in enumerate(asked):
        mine = [one for one in open_ if one[2] == code]
        if not mine:
            _refuse(scope, code, at, open_)
        left = asked[code]
        for n, item, _, units in mine:
            taken = left if n == mine[-1][0] else min(left, units)
            left -= taken
            found += [(n, item, taken)] if taken else []
        over = asked[code] - sum(one[3] for one in mine)
        if over > 0:
            sentence = f"{over} more of {code} were shipped than the order has open."
            warnings.append({"type": "more-than-ordered", "sentence": sentence, "product": code, "units": over})
    return sorted(found), warnings


def _refuse(scope: Scope, code: str, at: int, open_: Sequence[tuple[int, int, str, int]]) -> None:
    """404 for a product that is not there, 422 for one that is not on the order."""
    item = item_store.by_code(scope.connection, scope.workshop.id, code)
    if item is None or item.kind != "product":
        error = FieldError("is not there", pointer=f"#/lines/{at}/product", given=code)
        raise NotFound(f"there is no product '{code}'", errors=[error])
    ordered = ", ".join(sorted({one[2] for one in open_}))
    raise Invalid.field(f"#/lines/{at}/product", "is not on this order", code, f"one of {ordered}" if ordered else None)


def _name(scope: Scope, load: Load, told: Sequence[ShippedLotIn], day: date, least: date) -> None:
    """The lots that were named, checked and shared out; those that are not fit to be sold are kept as concerns."""
    found = lots.by_codes(scope.connection, scope.workshop.id, {one.lot for one in told})
    asked: dict[int, list[tuple[int, int | None]]] = {}
    for n, one in enumerate(told):
        lot = found.get(one.lot) or papers.lot_of(scope, one.lot, f"#/lots/{n}/lot")
        if lot.item_id not in load.items:
            shipped_ = ", ".join(sorted(item.code for item in load.items.values()))
            raise Invalid.field(f"#/lots/{n}/lot", "is of nothing that is shipped", one.lot, f"a lot of {shipped_}")
        if lot.id in load.rows:
            raise Invalid.field(f"#/lots/{n}/lot", "is named twice", one.lot)
        papers.must_be_there(scope, lot, day)
        asked.setdefault(lot.item_id, []).append((lot.id, one.units))
        load.rows[lot.id] = lot
        state = draw.state(draw.shelf_of(lot), day)
        if state in UNFIT:
            load.unfit.append({"lot": lot.code, "why": state})
        elif lot.use_by < least:
            sentence = f"Lot {lot.code} is usable until {lot.use_by}: its customer asks for {least} at least."
            load.warnings.append({"type": "short-dated", "sentence": sentence, "lot": lot.code})
    load.named = run_named.shared_out(load.needs, asked)


def _warn(
    scope: Scope, load: Load, order: Row[Any], locked: Mapping[int, item_store.Locked], when: tuple[date, datetime | None]
) -> None:
    """What is known to be odd before anything is drawn; it stands as recorded."""
    for one in load.unfit:
        said = "still rests" if one["why"] == "resting" else f"is {one['why']}"
        sentence = f"Lot {one['lot']} {said}: it was named, and is shipped all the same."
        load.warnings.append({"type": f"lot-{one['why']}", "sentence": sentence, "lot": one["lot"]})
    if order.channel == "wholesale":
        units: dict[int, int] = {}
        for need in load.needs:
            units[need.item_id] = units.get(need.item_id, 0) + need.quantity
        load.warnings += products.case_warnings(products.cases(scope, units), units)
    load.warnings += papers.same_day(scope, locked.values(), when)


def _strict(load: Load, drawn: run_draw.Drawn) -> NotEnoughStock:
    short: dict[str, int] = {}
    for at, quantity in drawn.short.items():
        code = load.items[drawn.needs[at].item_id].code
        short[code] = short.get(code, 0) + quantity
    said = [f"the books lack {units} of {code}" for code, units in short.items()]
    said += [f"lot {one['lot']} is {one['why']}" for one in load.unfit]
    shortages = [{"product": code, "short": units} for code, units in short.items()]
    errors = [FieldError(f"lacks {units} of {code}", pointer="#/strict") for code, units in short.items()]
    return NotEnoughStock("nothing was recorded: " + "; ".join(said), errors=errors, shortages=shortages, lots=load.unfit)
