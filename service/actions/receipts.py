"""Receipts: a delivery becomes a lot."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.scope import Scope
from service.core.stock import draw
from service.core.stock.movements import Entries
from service.core.units import convert_in, largest_remainder, money_in, money_out, quantity_out, said
from service.errors import Invalid, NotFound
from service.shapes.papers import ReceiptIn
from service.store import ledger, places
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Stated


def record(scope: Scope, body: ReceiptIn) -> dict[str, Any]:
    """Book a delivery of one lot; answers the receipt with the lot's code."""
    item = papers.item_of(scope, body.material, "#/material", "ingredient", "packaging")
    unit = body.unit or item.unit
    density = item.facts.get("density_g_per_ml")
    quantity = convert_in(body.quantity, unit, item.unit, Decimal(density) if density else None, "#/quantity")
    if not quantity:
        raise Invalid.field("#/quantity", "must be more than 0", str(body.quantity), "more than 0")
    when = papers.happened(scope, body.received_on, "#/received_on")
    held, when, rank = papers.lock(scope, [item.id], when)
    locked = held[item.id]
    paper = papers.new_paper(scope, "receipt", when)
    cost = money_in(body.cost, "#/cost") if body.cost is not None else None
    expires, assumed = body.expires_on, False
    if expires is None and item.shelf_life_days is not None:
        expires, assumed = when[0] + timedelta(days=item.shelf_life_days), True
    made = _lots(scope, body, item, paper, quantity, cost, (expires, assumed))
    codes = [one["code"] for one in made]
    named = codes[0] if len(codes) == 1 else f"{codes[0]} to {codes[-1]}"
    answer = {
        "receipt": paper.code, "lot": codes[0], "lots": codes, "material": item.code,
        "quantity": quantity_out(quantity, item.unit),
        "given": {"quantity": plain(body.quantity), "unit": unit}, "supplier": body.supplier,
        "supplier_lot": body.supplier_lot, "certificate": body.certificate, "received_on": when[0],
        "expires_on": expires, "expires_assumed": assumed, "retest_on": body.retest_on, "cost": money_out(cost),
        "place": body.place, "status": body.status, "note": body.note,
        "recorded_at": papers.local(scope, scope.now), "recorded_by": scope.actor.name,
        "warnings": _warnings(scope, expires) + papers.same_day(scope, [locked], when),
        "moved": [], **papers.UNLINKED, "reversed": False, "corrections": [], "first": None,
        "sentence": f"{said(quantity, item.unit)} of {item.name} booked as lot {named}.",
    }  # fmt: skip
    paper.facts = answer
    stated = [Stated(item.id, locked.paper, one["quantity"], one["id"]) for one in made]
    if late.moves_nothing(scope, item.id, locked, rank, when[0]):
        entries = Entries()
        for n, one in enumerate(made):
            entries.change(n, papers.balance(one), one["quantity"])
        ledger.post(scope.connection, scope.workshop.id, paper, stated, entries, made)
        return answer
    ledger.post(scope.connection, scope.workshop.id, paper, stated, None, made)
    followed = late.follow(scope, Redraw.begin(scope, paper), {item.id: when[0]})
    return papers.told(answer, followed)


def _lots(
    scope: Scope, body: ReceiptIn, item: ItemRow, paper: ledger.Paper, quantity: int, cost: int | None,
    expires: tuple[date | None, bool],
) -> list[dict[str, Any]]:  # fmt: skip
    """One lot, or one for each container, of which one is opened at a time."""
    n = body.containers
    if n > quantity:
        raise Invalid.field("#/containers", "are more than there is to put in them", str(n), f"up to {quantity}")
    parts = largest_remainder(quantity, [1] * n)
    shares = [None] * n if cost is None else largest_remainder(cost, parts)
    apart = places.set_apart(scope.connection, scope.workshop.id, body.place)
    return [
        papers.new_lot(
            scope, item, paper, code=papers.code_for(scope, "L"), quantity=part, supplier=body.supplier,
            supplier_lot=body.supplier_lot, certificate=body.certificate, expires_on=expires[0], expires_assumed=expires[1],
            retest_on=body.retest_on, use_by=draw.last_usable_day(expires[0], None, None), status=body.status,
            place=body.place, set_apart=apart, cost_micro=share,
        )
        for part, share in zip(parts, shares, strict=True)
    ]  # fmt: skip


def plain(value: Decimal) -> int | float:
    """A decimal as a JSON number."""
    return int(value) if value == value.to_integral_value() else float(value)


def _warnings(scope: Scope, expires: Any) -> list[dict[str, Any]]:
    if expires is None or expires >= scope.today:
        return []
    return [{"type": "lot-expired", "sentence": f"This lot expired on {expires}: it will not be drawn."}]


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A receipt as it stands: as recorded, or as its last correction says."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "receipt")
    if row is None:
        raise NotFound(f"there is no receipt '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Receipts, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["receipt"], after, limit + 1)
    return _shown(scope, rows[:limit]), rows[limit - 1].id if len(rows) > limit else None


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    """What was told, with what corrections changed; the first statement is kept in `first`."""
    gone = papers.reversed_codes(scope, rows)
    again = paper_store.restating(scope.connection, scope.workshop.id, [row.id for row in rows])
    found = []
    for row in rows:
        told, codes = papers.facts_of(row), []
        first = dict(told)
        for correction in again.get(row.id, []):
            told |= papers.facts_of(correction)["set"]
            codes.append(correction.code)
        told = papers.UNLINKED | told
        told.setdefault("lots", [told["lot"]])  # of older books
        told |= {"reversed": row.code in gone, "corrections": codes, "moved": []}
        changed = {name: value for name, value in first.items() if told[name] != value} if codes else None
        found.append(told | {"first": changed})
    return found
