"""Offers: what suppliers ask for packs of materials, and what that makes of a kilogram or a piece."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying.suppliers import rate_of, supplier_of, terms
from service.actions.paging import onward
from service.actions.receiving import given, quantity_of
from service.actions.scope import Scope
from service.core.buying.offers import Break, Offer, Terms, price_of
from service.core.units import NANO, exchanged, money_in, money_out, quantity_out
from service.errors import Invalid, NotFound
from service.shapes.buying import OfferIn, OfferPatch, Pack, PriceBreak
from service.store import items, suppliers
from service.store.items import ItemRow

SERIES = "F"
BOUGHT = ("ingredient", "packaging")
PLAIN = ("article", "least_packs", "life_days", "claims", "valid_from", "valid_until")
NEEDED = ("pack", "price", "breaks", "least_packs", "claims")


def create(scope: Scope, body: OfferIn) -> dict[str, Any]:
    """A new offer of a bought material."""
    supplier = supplier_of(scope, body.supplier, "#/supplier")
    item = papers.item_of(scope, body.material, "#/material", *BOUGHT)
    values = {name: getattr(body, name) for name in PLAIN} | _pack(item, body.pack)
    values["price_micro"] = money_in(body.price, "#/price")
    values["breaks"] = _breaks(body.breaks, values["price_micro"], body.least_packs)
    _check_days(body.valid_from, body.valid_until)
    code = papers.code_for(scope, SERIES)
    values |= {"id": scope.new_id(), "code": code, "supplier_id": supplier.id, "item_id": item.id}
    suppliers.add_offer(scope.connection, scope.workshop.id, values)
    return show(scope, code)


def _pack(item: ItemRow, pack: Pack) -> dict[str, Any]:
    """What a pack holds, in the item's smallest unit; and as it was told."""
    quantity = quantity_of(item, pack.quantity, pack.unit, "#/pack/quantity")
    return {"pack": quantity, "facts": {"pack": given(pack.quantity, pack.unit)}}


def _breaks(breaks: Sequence[PriceBreak], price: int, least: int) -> list[list[int]]:
    """Price breaks by packs; each is a larger number at a lower price than the one before."""
    found: list[list[int]] = []
    packs = max(least, 1)
    for n, step in enumerate(breaks):
        micro = money_in(step.price, f"#/breaks/{n}/price")
        if step.packs <= packs:
            raise Invalid.field(
                f"#/breaks/{n}/packs", "must rise from the smallest number of packs", step.packs, f"from {packs + 1}"
            )
        if micro >= price:
            below = f"below {money_out(price)}"
            raise Invalid.field(f"#/breaks/{n}/price", "must be lower than for fewer packs", str(step.price), below)
        found.append([step.packs, micro])
        packs, price = step.packs, micro
    return found


def _check_days(first: date | None, last: date | None) -> None:
    if first is not None and last is not None and last < first:
        raise Invalid.field("#/valid_until", "is before `valid_from`", str(last), f"from {first}")


def edit(scope: Scope, code: str, patch: OfferPatch) -> dict[str, Any]:
    """Change what was sent; orders keep the prices that they were drafted with."""
    row = offer_of(scope, code)
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in NEEDED:
        if name in sent and sent[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    values = {name: sent[name] for name in PLAIN if name in sent}
    if patch.pack is not None:
        values |= _pack(items.by_ids(scope.connection, scope.workshop.id, [row.item_id])[row.item_id], patch.pack)
    if patch.price is not None:
        values["price_micro"] = money_in(patch.price, "#/price")
    if {"price", "breaks", "least_packs"} & sent.keys():
        breaks = patch.breaks if patch.breaks is not None else _as_told(row)
        values["breaks"] = _breaks(breaks, values.get("price_micro", row.price_micro), values.get("least_packs", row.least_packs))
    _check_days(values.get("valid_from", row.valid_from), values.get("valid_until", row.valid_until))
    if values:
        suppliers.change_offer(scope.connection, scope.workshop.id, row.id, values)
    return show(scope, code)


def _as_told(row: Row[Any]) -> list[PriceBreak]:
    return [PriceBreak(packs=packs, price=money_out(price)) for packs, price in json.loads(row.breaks)]


def offer_of(scope: Scope, code: str) -> Row[Any]:
    """An offer by its code."""
    row = suppliers.offers_by_codes(scope.connection, scope.workshop.id, [code]).get(code)
    if row is None:
        raise NotFound(f"there is no offer '{code}'")
    return row


def as_core(row: Row[Any], rate_nano: int = NANO) -> Offer:
    """An offer's row as the core counts with it; each price is converted at the rate, half to even to the millionth."""
    steps = tuple(Break(packs, exchanged(price, rate_nano)) for packs, price in json.loads(row.breaks))
    return Offer(
        row.code, row.supplier, row.material, row.pack, exchanged(row.price_micro, rate_nano), steps, row.least_packs,
        row.life_days, frozenset(json.loads(row.claims)), row.valid_from, row.valid_until,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Standing:
    """An offer that can be ordered, with its supplier's terms, in the workshop's currency; None where no rate is known."""

    row: Row[Any]
    offer: Offer | None
    terms: Terms | None


def standing(scope: Scope) -> list[Standing]:
    """Offers that can be ordered today, of active suppliers and materials, by code."""
    found = []
    for row in suppliers.standing_offers(scope.connection, scope.workshop.id, scope.today):
        rate = rate_of(scope, row)
        offer, its = (None, None) if rate is None else (as_core(row, rate), terms_of(row, rate))
        found.append(Standing(row, offer, its))
    return found


def terms_of(row: Row[Any], rate_nano: int = NANO) -> Terms:
    """The terms of an offer's supplier, at a rate."""
    return terms(row, rate_nano, row.supplier)


def cheapest(scope: Scope) -> dict[int, Row[Any]]:
    """By item the offer by which it comes cheapest with its share of delivery, ordered alone; any, where no rate is known."""
    found: dict[int, tuple[tuple[bool, int, str], Row[Any]]] = {}
    for one in standing(scope):
        landed = price_of(one.offer, one.terms, one.row.unit).landed if one.offer and one.terms else 0
        key = one.offer is None, landed, one.row.code
        if one.row.item_id not in found or key < found[one.row.item_id][0]:
            found[one.row.item_id] = key, one.row
    return {item: row for item, (_, row) in found.items()}


def show(scope: Scope, code: str) -> dict[str, Any]:
    """An offer with its prices of a kilogram or a piece."""
    return _shown(scope, offer_of(scope, code))


def list_(
    scope: Scope, supplier: str | None, material: str | None, after: str | None, limit: int
) -> tuple[list[dict[str, Any]], str | None]:
    """Offers by code, of a supplier, of a material; an unknown one has none."""
    of = suppliers.by_code(scope.connection, scope.workshop.id, supplier) if supplier is not None else None
    item = items.by_code(scope.connection, scope.workshop.id, material) if material is not None else None
    if (supplier is not None and of is None) or (material is not None and item is None):
        return [], None
    ids = (of.id if of is not None else None), (item.id if item is not None else None)
    rows = suppliers.offers_page(scope.connection, scope.workshop.id, *ids, after, limit + 1)
    return [_shown(scope, row) for row in rows[:limit]], onward(rows, limit, "code")


def _shown(scope: Scope, row: Row[Any]) -> dict[str, Any]:
    offer, its, rate = as_core(row), terms_of(row), rate_of(scope, row)
    home = None if rate is None else price_of(as_core(row, rate), terms_of(row, rate), row.unit)
    prices = [(packs, price, price_of(offer, its, row.unit, packs)) for packs, _, price in offer.tiers()]
    return {
        "code": row.code,
        "supplier": row.supplier,
        "material": row.material,
        "article": row.article,
        "pack": json.loads(row.facts)["pack"],
        "quantity": quantity_out(row.pack, row.unit),
        "currency": row.currency,
        "price": money_out(row.price_micro),
        "breaks": [{"packs": packs, "price": money_out(price)} for packs, price in json.loads(row.breaks)],
        "least_packs": row.least_packs,
        "life_days": row.life_days,
        "claims": json.loads(row.claims),
        "valid_from": row.valid_from,
        "valid_until": row.valid_until,
        "per": "kg" if row.unit == "g" else "piece",
        "unit_prices": [
            {"packs": packs, "price": money_out(price), "goods": money_out(each.goods), "delivered": money_out(each.landed)}
            for packs, price, each in prices
        ],
        "goods_price": None if home is None else money_out(home.goods),
        "delivered_price": None if home is None else money_out(home.landed),
    }
