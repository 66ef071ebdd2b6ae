"""Suppliers' terms and offers: what a kilogram or a piece really costs, in whose money, and what is refused."""

from datetime import timedelta
from typing import Any

import pytest
from buying.deals import TODAY, house_, mill, offer, owner_  # noqa: F401 (fixtures)
from conftest import Bench


def test_a_supplier_is_made_changed_and_listed(bench: Bench) -> None:
    made: Any = bench.post("suppliers", code="mill", name="The Mill", delivery_charge="8,50", free_delivery_from=120)
    assert (made["currency"], made["rate"]) == ("EUR", 1)
    assert (made["delivery_charge"], made["free_delivery_from"], made["smallest_order"]) == (8.5, 120, 0)
    assert (made["lead_time_days"], made["review_days"], made["active"]) == (None, 7, True)
    lead = made["lead_times"]  # nothing is known: the workshop's usual 14 days, spread as deliveries are
    assert (lead["count"], lead["seen_percent"], lead["within_50"]) == (0, 0, 14)
    assert 14 < lead["within_90"] <= lead["within_95"]
    changed = bench.client.patch("/v1/suppliers/mill", json={"lead_time_days": 4, "notes": "shut on Mondays"}).json()
    assert (changed["lead_times"]["within_50"], changed["notes"], changed["name"]) == (4, "shut on Mondays", "The Mill")
    bench.post("suppliers", code="abbey", name="Abbey")
    assert [one["code"] for one in bench.get("suppliers")["items"]] == ["abbey", "mill"]  # type: ignore[attr-defined]


def test_what_is_wrong_about_a_supplier_is_said(bench: Bench) -> None:
    mill(bench)
    bench.post("suppliers", 409, code="mill", name="Another")
    for wrong, pointer in (
        ({"rate": 1.2}, "#/rate"),
        ({"currency": "eur"}, "#/currency"),
        ({"delivery_charge": -1}, "#/delivery_charge"),
    ):
        refused: Any = bench.post("suppliers", 422, **{"code": "other", "name": "Other", **wrong})
        assert refused["errors"][0]["pointer"] == pointer
    for patch, pointer in (({"name": None}, "#/name"), ({"delivery_charge": None}, "#/delivery_charge")):
        refused = bench.client.patch("/v1/suppliers/mill", json=patch).json()
        assert (refused["status"], refused["errors"][0]["pointer"]) == (422, pointer)
    assert bench.client.patch("/v1/suppliers/mill", json={"currency": "GBP"}).json()["rate"] is None
    offer(bench, "shea", 1, "kg", 10)
    refused = bench.client.patch("/v1/suppliers/mill", json={"currency": "USD"}).json()
    assert (refused["status"], refused["currency"]) == (409, "GBP")
    assert bench.client.get("/v1/suppliers/none").status_code == 404


def test_the_price_of_a_kilogram_by_hand(bench: Bench) -> None:
    """5 l at 0.9 g/ml is 4.5 kg. One pack at 36 with 9 for delivery: 8 and 10 a kilogram. From 4 packs at 27: 108 is enough for
    free delivery, 6 a kilogram either way."""
    mill(bench)
    bench.client.patch("/v1/materials/oil", json={"density_g_per_ml": "0.9"})
    made: Any = bench.get(f"offers/{offer(bench, 'oil', 5, 'l', 36, breaks=[{'packs': 4, 'price': 27}], article='OO-5')}")
    assert (made["quantity"], made["pack"], made["per"]) == (4500, {"quantity": 5, "unit": "l"}, "kg")
    assert made["unit_prices"] == [
        {"packs": 1, "price": 36, "goods": 8, "delivered": 10},
        {"packs": 4, "price": 27, "goods": 6, "delivered": 6},
    ]
    assert (made["goods_price"], made["delivered_price"]) == (8, 10)


def test_a_small_order_bears_the_delivery_of_the_smallest_one(bench: Bench) -> None:
    """100 tins at 10, of a smallest order of 20: half of 9 for delivery; 0.1 and 0.145 a piece."""
    mill(bench)
    made: Any = bench.get(f"offers/{offer(bench, 'tin', 100, 'piece', 10)}")
    assert (made["per"], made["goods_price"], made["delivered_price"]) == ("piece", 0.1, 0.145)


def test_other_money_needs_a_rate_to_be_compared(bench: Bench) -> None:
    mill(bench, currency="GBP")
    code = offer(bench, "shea", 2, "kg", 16)
    made: Any = bench.get(f"offers/{code}")
    assert (made["currency"], made["goods_price"], made["delivered_price"]) == ("GBP", None, None)
    assert made["unit_prices"] == [{"packs": 1, "price": 16, "goods": 8, "delivered": 11.6}]  # 7.20 of 9: 16 of 20
    for currency in ("CHF", "EUR"):
        assert bench.client.patch("/v1/workshop", json={"currency": currency}).json()["currency"] == currency
    bench.client.patch("/v1/suppliers/mill", json={"rate": "1.25"})
    assert bench.client.patch("/v1/workshop", json={"currency": "CHF"}).status_code == 409, "what a pound costs is in euro"
    made = bench.get(f"offers/{code}")
    assert (made["goods_price"], made["delivered_price"]) == (10, 14.5)
    assert made["unit_prices"][0]["goods"] == 8


def test_offers_are_changed_and_found(bench: Bench) -> None:
    mill(bench)
    bench.post("suppliers", code="abbey", name="Abbey")
    shea = offer(bench, "shea", 5, "kg", 60, claims=["organic", "fair trade"], life_days=400, valid_until=str(TODAY))
    wax = offer(bench, "wax", 1, "kg", 18, supplier="abbey")
    codes: Any = lambda query: [one["code"] for one in bench.get(f"offers?{query}")["items"]]  # type: ignore[attr-defined] # noqa: E731
    assert codes("") == [shea, wax]
    assert codes("supplier=abbey") == [wax]
    assert codes("material=shea") == [shea]
    assert codes("material=nothing") == []
    changed = bench.client.patch(
        f"/v1/offers/{shea}", json={"price": 58, "claims": ["organic"], "breaks": [{"packs": 2, "price": 55}]}
    )
    assert changed.json()["unit_prices"][1]["goods"] == 11
    assert (changed.json()["claims"], changed.json()["life_days"], changed.json()["price"]) == (["organic"], 400, 58)
    assert bench.client.patch(f"/v1/offers/{shea}", json={"pack": {"quantity": 2, "unit": "lb"}}).json()["quantity"] == 907.185


WRONG_OFFERS: list[tuple[dict[str, Any], int, str]] = [
    ({"supplier": "none"}, 404, "#/supplier"),
    ({"material": "balm"}, 404, "#/material"),
    ({"pack": {"quantity": 1, "unit": "l"}}, 422, "#/pack/unit"),
    ({"pack": {"quantity": 0, "unit": "kg"}}, 422, "#/pack/quantity"),
    ({"pack": {"quantity": 3, "unit": "piece"}}, 422, "#/pack/unit"),
    ({"least_packs": 0}, 422, "#/least_packs"),
    ({"breaks": [{"packs": 1, "price": 5}]}, 422, "#/breaks/0/packs"),
    ({"breaks": [{"packs": 3, "price": 9}, {"packs": 3, "price": 8}]}, 422, "#/breaks/1/packs"),
    ({"breaks": [{"packs": 3, "price": 10}]}, 422, "#/breaks/0/price"),
    ({"valid_from": "2030-02-01", "valid_until": "2030-01-31"}, 422, "#/valid_until"),
]


def test_what_is_wrong_about_an_offer_is_said(bench: Bench) -> None:
    mill(bench)
    body = {"supplier": "mill", "material": "shea", "pack": {"quantity": 1, "unit": "kg"}, "price": 10}
    for wrong, status, pointer in WRONG_OFFERS:
        refused: Any = bench.post("offers", status, **{**body, **wrong})
        assert refused["errors"][0]["pointer"] == pointer
    assert bench.get("offers")["items"] == []


SAID: list[tuple[str, dict[str, Any], str, str]] = [
    ("suppliers", {"currency": "eur"}, "three capital letters, a currency of ISO 4217 like EUR", "same"),
    ("suppliers", {"code": "The Mill"}, "lower-case letters, digits and hyphens between them", "same"),
    ("suppliers", {"review_days": 99_999}, "at most 36500", "same"),
    ("offers", {"least_packs": -2}, "at least 1", "same"),
    ("offers", {"breaks": [{"packs": 3, "price": 8}, {"packs": 2, "price": 7}]}, "from 4", "rise from"),
    ("offers", {"breaks": [{"packs": 3, "price": 8}, {"packs": 5, "price": 9}]}, "below 8", "lower than for fewer packs"),
    ("offers", {"valid_from": "2030-02-01", "valid_until": "2030-01-31"}, "from 2030-02-01", "is before `valid_from`"),
    ("purchase-plans", {"service_level": 100}, "at most 99.9", "same"),
    ("purchase-plans", {"service_level": 0.4}, "at least 50", "same"),
]


@pytest.mark.parametrize(("path", "wrong", "allowed", "detail"), SAID)
def test_what_is_allowed_is_said(bench: Bench, path: str, wrong: dict[str, Any], allowed: str, detail: str) -> None:
    """`same`: the detail says it too."""
    mill(bench)
    bodies: dict[str, dict[str, Any]] = {
        "suppliers": {"code": "barn", "name": "The Barn"},
        "offers": {"supplier": "mill", "material": "shea", "pack": {"quantity": 1, "unit": "kg"}, "price": 10},
    }
    refused: Any = bench.post(path, 422, **{**bodies.get(path, {}), **wrong})
    [error] = refused["errors"]
    assert error["allowed"] == allowed
    assert (allowed if detail == "same" else detail) in error["detail"]
    assert error["detail"] in refused["detail"]


def test_a_later_offer_is_not_the_cheapest_today(bench: Bench) -> None:
    """The lead time of the cover comes from the cheapest offer that can be ordered today."""
    mill(bench)
    bench.post("suppliers", code="abbey", name="Abbey", lead_time_days=3)
    offer(bench, "shea", 1, "kg", 10)
    offer(bench, "shea", 1, "kg", 5, supplier="abbey", valid_from=str(TODAY + timedelta(days=1)))
    found: Any = bench.get("cover/shea")
    assert (found["lead_time"]["supplier"], found["lead_time"]["likely_days"]) == ("mill", 7)
    offer(bench, "shea", 1, "kg", 9, supplier="abbey")
    found = bench.get("cover/shea")
    assert (found["lead_time"]["supplier"], found["lead_time"]["from"], found["lead_time"]["likely_days"]) == (
        "abbey",
        "supplier",
        3,
    )
    bench.client.patch("/v1/suppliers/abbey", json={"active": False})
    assert bench.get("cover/shea")["lead_time"]["supplier"] == "mill"  # type: ignore[index]
    bench.client.patch("/v1/materials/shea", json={"lead_time_days": 11})
    assert bench.get("cover/shea")["lead_time"] == {
        "likely_days": 11, "service_level_days": 11, "from": "material", "supplier": None, "seen": 0, "seen_percent": 0,
    }  # fmt: skip
