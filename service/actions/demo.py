"""The demo workshop of seed/, loaded through the same acts the API uses; and its answers for the terminal."""

import json
import re
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from service.actions import (
    access,
    checks,
    counts,
    disposals,
    formulas,
    lots,
    materials,
    products,
    receipts,
    reversals,
    runs,
    splits,
)
from service.actions.buying import deliveries, offers, purchase_orders, suppliers
from service.actions.scope import Scope
from service.actions.selling import imports
from service.shapes.access import WorkshopPatch
from service.shapes.buying import OfferIn, SupplierIn
from service.shapes.checks import CheckIn
from service.shapes.formulas import FormulaIn
from service.shapes.imports import OrderImportIn
from service.shapes.lots import SplitIn
from service.shapes.materials import MaterialIn
from service.shapes.papers import CountIn, DisposalIn, ReceiptIn, ReversalIn
from service.shapes.products import ProductIn
from service.shapes.purchases import DeliveryIn, PlacementIn, PurchaseOrderIn
from service.shapes.runs import RunIn

SEED = Path(__file__).parents[2] / "seed" / "workshop.json"
ORDERS = SEED.with_name("orders.csv")
REMEMBERED = 546  # days of orders: a year and a half
RELATIVE = re.compile(r"today(?P<days>[+-]\d+)?|year(?P<years>[+-]\d)-(?P<day>\d\d-\d\d)")


def load(scope: Scope) -> None:
    """Fill a new workshop; dates are relative to today, so that the demo is alive on any day."""
    seed = _dated(scope.today, json.loads(SEED.read_text(encoding="utf-8")))
    access.edit_workshop(scope, WorkshopPatch.model_validate(seed["workshop"]))
    for body in seed["materials"]:
        materials.create(scope, MaterialIn.model_validate(body))
    for body in seed["formulas"]:
        formulas.create(scope, FormulaIn.model_validate(body))
    for body in seed["products"]:
        products.create(scope, ProductIn.model_validate(body))
    for paper in seed["papers"]:
        _paper(scope, paper["act"], paper["body"])
    for deal in seed["buying"]:
        _deal(scope, deal["act"], deal.get("of", ""), deal["body"])
    _sell(scope)


def _sell(scope: Scope) -> None:
    """Past orders, which move no stock, and a few open ones; imported as a shop's export is."""
    body = OrderImportIn(csv=orders(scope.today))
    made = imports.look(imports.lines_of(body.csv), body, scope.zone, scope.today)
    imports.match(scope, made)
    imports.run(made, lambda one: one(scope))


def orders(today: date) -> str:
    """The CSV of the orders of a year and a half. A season's stand in it for three years, on the days of those years."""
    header, *rows = _told(today, ORDERS.read_text(encoding="utf-8")).splitlines()
    first, end = str(today - timedelta(days=REMEMBERED)), str(today)
    return "\n".join([header, *(row for row in rows if first <= row[: len(end)] < end)])


def _paper(scope: Scope, act: str, body: dict[str, Any]) -> None:
    if act == "receipt":
        receipts.record(scope, ReceiptIn.model_validate(body))
    elif act == "count":
        counts.record(scope, CountIn.model_validate(body))
    elif act == "split":
        splits.record(scope, newest(scope, body.pop("item")), SplitIn.model_validate(body))
    elif act == "reversal":
        reversals.record(scope, ReversalIn.model_validate(body))
    elif act == "disposal":
        shown = products.show(scope, body.pop("item"))
        disposals.record(scope, DisposalIn.model_validate({**body, "lot": shown["lots"][0]["code"]}))
    else:
        status = "planned" if act == "plan" else "completed"
        runs.record(scope, RunIn.model_validate({**body, "status": status}))


def _deal(scope: Scope, act: str, order: str, body: dict[str, Any]) -> None:
    if act == "supplier":
        suppliers.create(scope, SupplierIn.model_validate(body))
    elif act == "offer":
        offers.create(scope, OfferIn.model_validate(body))
    elif act == "purchase_order":
        purchase_orders.create(scope, PurchaseOrderIn.model_validate(body))
    elif act == "placement":
        purchase_orders.place(scope, order, PlacementIn.model_validate(body))
    else:
        deliveries.of_order(scope, order, DeliveryIn.model_validate(body))


def newest(scope: Scope, item: str) -> str:
    """The newest lot of an item."""
    code: str = max(materials.show(scope, item)["lots"], key=lambda lot: str(lot["received_on"]))["code"]
    return code


def _dated(today: date, value: Any) -> Any:
    """Every `today-40` in the seed as a date."""
    if isinstance(value, dict):
        return {name: _dated(today, inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_dated(today, inner) for inner in value]
    return _told(today, value) if isinstance(value, str) and RELATIVE.fullmatch(value) else value


def _told(today: date, text: str) -> str:
    """A text with each `today-40` and `year-1-11-20` (20 November of last year) as a date."""

    def day(match: re.Match[str]) -> str:
        if match["day"]:
            return f"{today.year + int(match['years'])}-{match['day']}"
        return str(today + timedelta(days=int(match["days"] or 0)))

    return RELATIVE.sub(day, text)


def report(scope: Scope) -> list[str]:
    """What the terminal says of the demo: two checks and what expires soon; nothing for another workshop."""
    questions = json.loads(SEED.read_text(encoding="utf-8"))["questions"] if SEED.exists() else []
    known = {product["code"] for product in products.list_(scope, None, 200)[0]}
    if not questions or any(question["product"] not in known for question in questions):
        return []
    lines = []
    for question in questions:
        answer = checks.check(scope, CheckIn.model_validate({"wants": [question]}))
        lines.append(f"Is there enough for {question['units']} of {question['product']}? {answer['sentence']}")
    soon = scope.today + timedelta(days=scope.workshop.expiry_warning_days)
    expiring, _ = lots.list_(
        scope, item=None, status="released", place=None, expires_before=soon, empty=False, after=None, limit=200
    )
    units = {material["code"]: " g" if material["unit"] == "g" else "" for material in materials.list_(scope, None, 200)[0]}
    units |= dict.fromkeys(known, "")
    for lot in sorted(expiring, key=lambda one: str(one["last_usable_day"])):
        word = "expired on" if lot["last_usable_day"] < scope.today else "expires on"
        lines.append(
            f"Lot {lot['code']} of {lot['item']} {word} {lot['last_usable_day']}: {lot['on_hand']}{units[lot['item']]} on hand."
        )
    return lines
