"""What comes in goes into the books: one receipt, its lot or lots, and what a late one moves."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.actions import papers
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.papers import When
from service.actions.scope import Scope
from service.core.stock import draw
from service.core.stock.movements import Entries
from service.core.units import convert_in, largest_remainder, money_out, quantity_out, said
from service.errors import Invalid
from service.shapes.papers import CameIn
from service.store import ledger, places
from service.store.items import ItemRow
from service.store.ledger import Stated

UNBOUGHT: dict[str, Any] = {"purchase_order": None, "line": None, "delivery": None}  # of a receipt that is for no order


@dataclass(frozen=True, slots=True)
class Arrival:
    """What came of one item: `quantity` in its smallest unit, `given` as it was told, its whole `cost` in millionths.

    `body` tells the rest; its fields stand `at` a pointer of the request. `bought`: purchase order, line and delivery.
    """

    item: ItemRow
    quantity: int
    given: dict[str, Any]
    cost: int | None
    when: When
    body: CameIn
    supplier: str | None = None
    at: str = "#"
    bought: dict[str, Any] = field(default_factory=lambda: dict(UNBOUGHT))
    warnings: Sequence[dict[str, Any]] = ()


def quantity_of(item: ItemRow, quantity: Decimal, unit: str, pointer: str) -> int:
    """A quantity above 0, converted with the item's density."""
    density = item.facts.get("density_g_per_ml")
    found = convert_in(quantity, unit, item.unit, Decimal(density) if density else None, pointer)
    if not found:
        raise Invalid.field(pointer, "must be more than 0", str(quantity), "more than 0")
    return found


def given(quantity: Decimal, unit: str) -> dict[str, Any]:
    """A quantity as it was told, fit for an answer."""
    return {"quantity": plain(quantity), "unit": unit}


def plain(value: Decimal) -> int | float:
    """A decimal as a JSON number."""
    return int(value) if value == value.to_integral_value() else float(value)


def book(scope: Scope, came: Arrival) -> tuple[dict[str, Any], int]:
    """Book one receipt; answers it with its lot's code, and the paper's id."""
    item, quantity, body = came.item, came.quantity, came.body
    held, when, rank = papers.lock(scope, [item.id], came.when)
    locked = held[item.id]
    paper = papers.new_paper(scope, "receipt", when)
    expires, assumed = body.expires_on, False
    if expires is None and item.shelf_life_days is not None:
        expires, assumed = when[0] + timedelta(days=item.shelf_life_days), True
    made = _lots(scope, came, paper, (expires, assumed))
    codes = [one["code"] for one in made]
    answer = {
        "receipt": paper.code, "lot": codes[0], "lots": codes, "material": item.code,
        "quantity": quantity_out(quantity, item.unit), "given": came.given, "supplier": came.supplier,
        "supplier_lot": body.supplier_lot, "certificate": body.certificate, "received_on": when[0],
        "expires_on": expires, "expires_assumed": assumed, "retest_on": body.retest_on, "cost": money_out(came.cost),
        "place": body.place, "status": body.status, "note": body.note, **came.bought,
        "recorded_at": papers.local(scope, scope.now), "recorded_by": scope.actor.name,
        "warnings": [*came.warnings, *_warnings(scope, expires), *papers.same_day(scope, [locked], when)],
        "moved": [], **papers.UNLINKED, "reversed": False, "corrections": [], "first": None,
        "sentence": sentence(item, said(quantity, item.unit), codes),
    }  # fmt: skip
    paper.facts = answer
    stated = [Stated(item.id, locked.paper, one["quantity"], one["id"]) for one in made]
    if late.moves_nothing(scope, item.id, locked, rank, when[0]):
        entries = Entries()
        for n, one in enumerate(made):
            entries.change(n, papers.balance(one), one["quantity"])
        ledger.post(scope.connection, scope.workshop.id, paper, stated, entries, made)
        return answer, paper.id
    ledger.post(scope.connection, scope.workshop.id, paper, stated, None, made)
    followed = late.follow(scope, Redraw.begin(scope, paper), {item.id: when[0]})
    return papers.told(answer, followed), paper.id


def sentence(item: ItemRow, amount: str, codes: Sequence[str]) -> str:
    """What was booked, in words."""
    named = codes[0] if len(codes) == 1 else f"{codes[0]} to {codes[-1]}"
    return f"{amount} of {item.name} booked as lot {named}."


def _lots(scope: Scope, came: Arrival, paper: ledger.Paper, expires: tuple[date | None, bool]) -> list[dict[str, Any]]:
    """One lot, or one for each container, of which one is opened at a time."""
    body, n = came.body, came.body.containers
    if n > came.quantity:
        pointer = f"{came.at}/containers"
        raise Invalid.field(pointer, "are more than there is to put in them", str(n), f"up to {came.quantity}")
    parts = largest_remainder(came.quantity, [1] * n)
    shares = [None] * n if came.cost is None else largest_remainder(came.cost, parts)
    apart = places.set_apart(scope.connection, scope.workshop.id, body.place)
    return [
        papers.new_lot(
            scope, came.item, paper, code=papers.code_for(scope, "L"), quantity=part, supplier=came.supplier,
            supplier_lot=body.supplier_lot, certificate=body.certificate, expires_on=expires[0], expires_assumed=expires[1],
            retest_on=body.retest_on, use_by=draw.last_usable_day(expires[0], None, None), status=body.status,
            place=body.place, set_apart=apart, cost_micro=share,
        )
        for part, share in zip(parts, shares, strict=True)
    ]  # fmt: skip


def _warnings(scope: Scope, expires: date | None) -> list[dict[str, Any]]:
    if expires is None or expires >= scope.today:
        return []
    return [{"type": "lot-expired", "sentence": f"This lot expired on {expires}: it will not be drawn."}]
