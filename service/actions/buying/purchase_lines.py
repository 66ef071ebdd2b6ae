"""The lines of purchase orders: made from offers or free, and as an answer shows them."""

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying.offers import BOUGHT, as_core
from service.actions.receiving import given, quantity_of
from service.actions.scope import Scope
from service.core.buying.message import Wanted
from service.core.units import MOST, UNITS, money_in, money_out, quantity_out
from service.errors import FieldError, Invalid, NotFound
from service.shapes.purchases import PurchaseLineIn
from service.store import suppliers

MOST_MONEY = 10**15  # millionths, as in any figure
Came = Mapping[tuple[int, int], tuple[int, bool]]


def made(scope: Scope, supplier: Row[Any], lines: Sequence[PurchaseLineIn]) -> list[dict[str, Any]]:
    """Lines as the store keeps them; an offer is priced as it stands now."""
    offers = suppliers.offers_by_codes(scope.connection, scope.workshop.id, {line.offer for line in lines if line.offer})
    found = []
    for n, line in enumerate(lines):
        at = f"#/lines/{n}"
        row = _free(scope, line, at) if line.offer is None else _offered(supplier, offers.get(line.offer), line, at)
        if line.price is not None:
            row["price_micro"] = money_in(line.price, f"{at}/price")
            row["facts"]["price_told"] = True
        if row["packs"] * row["pack"] > MOST or row["packs"] * (row["price_micro"] or 0) > MOST_MONEY:
            raise Invalid.field(f"{at}/packs", "come to more than one line can hold", line.packs)
        found.append(row)
    return found


def _offered(supplier: Row[Any], offer: Row[Any] | None, line: PurchaseLineIn, at: str) -> dict[str, Any]:
    if offer is None or offer.supplier_id != supplier.id:
        error = FieldError("is not there", pointer=f"{at}/offer", given=line.offer)
        raise NotFound(f"there is no offer '{line.offer}' of {supplier.name}", errors=[error])
    if line.packs < offer.least_packs:
        raise Invalid.field(f"{at}/packs", "is less than the offer takes", line.packs, f"from {offer.least_packs}")
    price = as_core(offer).pack_price(line.packs)
    facts = json.loads(offer.facts) | {"article": offer.article}
    return {"item_id": offer.item_id, "offer_id": offer.id, "packs": line.packs, "pack": offer.pack, "price_micro": price,
            "facts": facts}  # fmt: skip


def _free(scope: Scope, line: PurchaseLineIn, at: str) -> dict[str, Any]:
    assert line.material is not None, "the shape asks for an offer or a material"
    item = papers.item_of(scope, line.material, f"{at}/material", *BOUGHT)
    unit, quantity = line.unit or item.unit, line.quantity or Decimal(0)
    pack = quantity_of(item, quantity, unit, f"{at}/quantity")
    facts = {"pack": given(quantity, unit), "article": None}
    return {"item_id": item.id, "offer_id": None, "packs": line.packs, "pack": pack, "price_micro": None, "facts": facts}


def goods(lines: Sequence[Row[Any]]) -> int | None:
    """What the lines cost; None while a price is not known."""
    return None if any(line.price_micro is None for line in lines) else sum(line.packs * line.price_micro for line in lines)


def left(line: Row[Any], came: Came) -> int:
    """What of a line is still to come, by what standing receipts brought."""
    got, closed = came.get((line.order_id, line.n), (0, False))
    return 0 if closed or line.closed else max(line.packs * line.pack - got, 0)


def shown(line: Row[Any], came: Came, awaited: bool, receipts: Sequence[str]) -> dict[str, Any]:
    """A line as an answer; `awaited`: its order is placed."""
    got, closed = came.get((line.order_id, line.n), (0, False))
    facts = json.loads(line.facts)
    return {
        "line": line.n,
        "material": line.code,
        "name": line.name,
        "offer": line.offer,
        "article": facts["article"],
        "packs": line.packs,
        "pack": facts["pack"],
        "quantity": quantity_out(line.packs * line.pack, line.unit),
        "price": money_out(line.price_micro),
        "cost": money_out(None if line.price_micro is None else line.packs * line.price_micro),
        "received": quantity_out(got, line.unit),
        "open": quantity_out(left(line, came) if awaited else 0, line.unit),
        "closed": closed or line.closed,
        "receipts": list(receipts),
    }


def pack_told(line: Row[Any]) -> dict[str, Any]:
    """What a pack of a line holds, as it was told."""
    pack: dict[str, Any] = json.loads(line.facts)["pack"]
    return pack


def wanted(line: Row[Any]) -> Wanted:
    """A line as the message to the supplier says it, its pack as it was told."""
    facts = json.loads(line.facts)
    return Wanted(line.packs, line.pack, line.unit, line.name, line.price_micro, facts["article"], pack_said(facts["pack"]))


def pack_said(pack: Mapping[str, Any]) -> str:
    """What a pack holds, in the words of the supplier: `5 l`, `100 pieces`."""
    words = f"{Decimal(str(pack['quantity'])):f} {WORDS[pack['unit']]}"
    return words if pack["unit"] != "piece" or pack["quantity"] == 1 else words + "s"


WORDS = {unit: unit for unit in UNITS} | {
    "us_fl_oz": "US fl oz", "imp_fl_oz": "imperial fl oz", "us_gal": "US gal", "imp_gal": "imperial gal"
}  # fmt: skip
