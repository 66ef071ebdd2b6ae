"""Purchase orders as answers: what was ordered, what came of it as known now, and the message to the supplier."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying import purchase_lines
from service.actions.buying.offers import as_core
from service.actions.buying.suppliers import terms
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core import said
from service.core.buying.message import message, money
from service.core.units import money_out
from service.errors import FieldError, NotFound
from service.store import items, purchases, suppliers
from service.store.purchases import AWAITED


def order_of(scope: Scope, code: str, pointer: str | None = None, lock: bool = False) -> Row[Any]:
    """A purchase order by its code, held until the end of the act with `lock`."""
    row = purchases.by_code(scope.connection, scope.workshop.id, code, lock)
    if row is None:
        errors = [FieldError("is not there", pointer=pointer, given=code)] if pointer else []
        raise NotFound(f"there is no purchase order '{code}'", errors=errors)
    return row


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A purchase order as known now."""
    return shown(scope, [order_of(scope, code)])[0]


def list_(
    scope: Scope, state: str | None, supplier: str | None, material: str | None, late: bool, after: int | None, limit: int
) -> tuple[list[dict[str, Any]], int | None]:  # fmt: skip
    """Purchase orders, newest first; `late`: awaited from before today. An unknown supplier or material has none."""
    of = suppliers.by_code(scope.connection, scope.workshop.id, supplier) if supplier is not None else None
    item = items.by_code(scope.connection, scope.workshop.id, material) if material is not None else None
    if (supplier is not None and of is None) or (material is not None and item is None):
        return [], None
    rows = purchases.page(
        scope.connection, scope.workshop.id, after, limit + 1, state, of.id if of is not None else None,
        item.id if item is not None else None, scope.today if late else None,
    )  # fmt: skip
    return shown(scope, rows[:limit]), onward(rows, limit)


def shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    """Orders with what standing receipts brought of them."""
    connection, workshop, ids = scope.connection, scope.workshop.id, [row.id for row in rows]
    of = suppliers.by_ids(connection, workshop, {row.supplier_id for row in rows})
    lines = purchases.lines(connection, workshop, ids)
    came = purchases.came(connection, workshop, ids)
    receipts: dict[tuple[int, int], list[str]] = {}
    for one in purchases.receipts(connection, workshop, ids):
        receipts.setdefault((one.order_id, one.line), []).append(one.code)
    deliveries: dict[int, list[str]] = {}
    for one in purchases.deliveries_of(connection, workshop, ids):
        deliveries.setdefault(one.order_id, []).append(one.code)
    drafted = {line.offer for row in rows if row.state == "draft" for line in lines[row.id] if line.offer}
    offers = suppliers.offers_by_codes(connection, workshop, drafted)
    found = []
    for row in rows:
        awaited = row.state in AWAITED
        mine = [purchase_lines.shown(line, came, awaited, receipts.get((row.id, line.n), ())) for line in lines[row.id]]
        found.append(_dict(scope, row, of[row.supplier_id], mine, lines[row.id], deliveries.get(row.id, [])))
        if row.state == "draft":
            found[-1]["warnings"] = _of_draft(scope, of[row.supplier_id], lines[row.id], offers)
    return found


def _dict(
    scope: Scope, row: Row[Any], supplier: Row[Any], mine: list[dict[str, Any]], lines: Sequence[Row[Any]],
    deliveries: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    goods = purchase_lines.goods(lines)
    delivery = row.delivery_micro
    if row.state == "draft" and goods is not None:
        delivery = terms(supplier).charge(goods)
    total = None if goods is None or delivery is None else goods + delivery
    text = message([purchase_lines.wanted(line) for line in lines], goods, delivery, supplier.currency)
    return {
        "code": row.code,
        "supplier": supplier.code,
        "supplier_name": supplier.name,
        "state": row.state,
        "currency": supplier.currency,
        "placed_on": row.placed_on,
        "expected_on": row.expected_on,
        "late": row.state in AWAITED and row.expected_on < scope.today,
        "lines": mine,
        "goods": money_out(goods),
        "delivery": money_out(delivery),
        "total": money_out(total),
        "deliveries": list(deliveries),
        "note": json.loads(row.facts).get("note"),
        "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "warnings": [],
        "message": f"Order {row.code} from {scope.workshop.name}\n{text}",
        "sentence": _sentence(scope, row, supplier, mine, total),
    }


def _sentence(scope: Scope, row: Row[Any], supplier: Row[Any], mine: Sequence[Mapping[str, Any]], total: int | None) -> str:
    what = "1 line" if len(mine) == 1 else f"{len(mine)} lines"
    price = "" if total is None else f", {money(total, supplier.currency)}"
    awaited = ""
    if row.state in AWAITED:
        still = said.listed([line["name"] for line in mine if line["open"]])
        late = " and late" if row.expected_on < scope.today else ""
        awaited = f"; {still or 'nothing'} awaited, expected on {said.day(row.expected_on, scope.today)}{late}"
    return f"Purchase order {row.code} to {supplier.name} is {state_said(row.state)}: {what}{price}{awaited}."


def state_said(state: str) -> str:
    """A purchase order's state in a sentence."""
    return "a draft" if state == "draft" else state.replace("_", " ")


def _of_draft(
    scope: Scope, supplier: Row[Any], lines: Sequence[Row[Any]], offers: Mapping[str, Row[Any]]
) -> list[dict[str, Any]]:
    """What a person should know before placing it."""
    found: list[dict[str, Any]] = []
    goods = purchase_lines.goods(lines)
    if goods is not None and not terms(supplier).takes(goods):
        least = money(supplier.smallest_micro, supplier.currency)
        sentence = f"{money(goods, supplier.currency)} is less than the smallest order of {supplier.name}, {least}."
        found.append({"type": "below-smallest-order", "sentence": sentence, "smallest_order": money_out(supplier.smallest_micro)})
    for line in lines:
        offer = offers.get(line.offer) if line.offer else None
        if offer is None:
            continue
        core, told = as_core(offer), json.loads(line.facts).get("price_told")
        if not core.stands(scope.today):
            sentence = f"Line {line.n}: offer {line.offer} does not hold today{_span(offer)}."
            found.append({"type": "offer-not-valid", "sentence": sentence, "line": line.n, "offer": line.offer})
        elif core.pack != line.pack or (not told and core.pack_price(line.packs) != line.price_micro):
            now = money(core.pack_price(line.packs), supplier.currency)
            sentence = (
                f"Line {line.n}: offer {line.offer} now says otherwise, {now} a pack: send the lines again to take it over."
            )
            found.append({"type": "offer-differs", "sentence": sentence, "line": line.n, "offer": line.offer})
    return found


def _span(offer: Row[Any]) -> str:
    first: date | None = offer.valid_from
    last: date | None = offer.valid_until
    return "".join([f", from {first}" if first else "", f", until {last}" if last else ""])
