"""Purchase plans through the API: what they order and why, what they keep to, and the drafts made from them."""

import json
from datetime import date, timedelta
from typing import Any

import pytest
from buying.deals import TODAY, kinds, mill, offer, placed
from conftest import Bench

WEEKLY = 100  # balms sold a week: some 2.55 kg of shea, 1.56 kg of oil, 1 kg of wax
SHEA_WEEKLY = WEEKLY * 50 * 0.5 / 0.98


@pytest.fixture
def selling(stocked: Bench) -> Bench:
    """The stocked workshop, which sold a hundred balms a week for half a year."""
    rows = [f"s{week},{TODAY - timedelta(days=7 * week)},balm-50,{WEEKLY + week % 3 - 1}" for week in range(1, 27)]
    stocked.post("imports/orders", csv="\n".join(["reference,placed_on,product,units", *rows]))
    return stocked


def plan(bench: Bench, expect: int = 201, **asked: Any) -> dict[str, Any]:
    return bench.post("purchase-plans", expect, **asked)  # type: ignore[return-value]


def lines(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {line["offer"]: line for order in answer["orders"] for line in order["lines"]}


def day(text: str) -> int:
    return (date.fromisoformat(text) - TODAY).days


def test_a_plan_orders_what_runs_out_and_says_why(selling: Bench) -> None:
    mill(selling)  # a week; 9 for delivery, free from 100
    shea = offer(selling, "shea", 1, "kg", 12, article="SB-1", life_days=400)
    offer(selling, "oil", 5, "kg", 45)
    selling.post("suppliers", code="barn", name="The Barn", delivery_charge=5, lead_time_days=7)
    dear = offer(selling, "shea", 500, "g", 9, supplier="barn")
    made = plan(selling)
    assert (made["currency"], made["by"], made["budget"], made["service_level_percent"]) == ("EUR", None, None, 95)
    assert made["proven"] is True
    assert made["gap_percent"] <= 0.1
    found = lines(made)
    line = found[shea]
    assert dear not in found
    # 5 kg last some 13 days; the order after this one comes in two weeks
    assert 9 <= day(line["needed_by"]) <= 15
    assert day(line["covers_until"]) >= day(line["next_arrival_on"]) >= 10
    assert (line["article"], line["price"], line["cost"]) == ("SB-1", 12, 12 * line["packs"])
    assert line["pack"] == {"quantity": 1, "unit": "kg"}
    assert line["quantity"] == 1000 * line["packs"]
    assert line["risk_after_percent"] <= 5 <= 100
    assert line["risk_after_percent"] <= line["risk_before_percent"]
    assert line["next_best"] == {"offer": dear, "supplier": "barn", "packs": 2 * line["packs"], "cost": 18 * line["packs"] + 5}
    assert line["why"].startswith(
        f"{line['packs']} x 1 kg of Shea butter from The Mill for {line['cost']:.2f} EUR; to be there by "
    )
    assert "the next best offer, The Barn's" in line["why"]
    goods = sum(one["cost"] for one in found.values())
    (order,) = made["orders"]
    assert (order["supplier"], order["name"], order["goods"]) == ("mill", "The Mill", pytest.approx(goods))
    assert order["delivery"] == (0 if goods >= 100 else 9)
    assert made["total"] == pytest.approx(made["goods"] + made["delivery"]) == order["total"]
    assert sum(one["delivery_share"] for one in found.values()) == pytest.approx(order["delivery"])
    costs = made["costs"]
    parts = costs["goods"] + costs["delivery"] + costs["capital"] + costs["running_out"] - costs["saved_later"]
    assert parts == pytest.approx(costs["total"], abs=0.01)
    # nobody offers wax or tins: 2 kg of wax last two weeks
    assert [(one["material"], one["available_on"]) for one in made["late"]] == [("tin", None), ("wax", None)]
    assert made["sentence"].splitlines()[0].startswith("Order ")
    assert line["why"] in made["sentence"].splitlines()
    kept = selling.get(f"purchase-plans/{made['code']}")
    assert kept == made
    text = selling.client.get(f"/v1/purchase-plans/{made['code']}", headers={"Accept": "text/plain"})
    assert text.text == made["sentence"] + "\n"


def test_what_nobody_offers_is_told_and_nothing_is_ordered(selling: Bench) -> None:
    made = plan(selling)
    assert (made["orders"], made["total"], made["proven"], made["gap_percent"]) == ([], 0, True, 0)
    assert {one["material"]: one["available_on"] for one in made["late"]} == dict.fromkeys(("shea", "oil", "wax", "tin"))
    assert "Tin may run out on " in made["sentence"]
    assert "nobody offers it" in made["sentence"]
    mill(selling)
    offer(selling, "shea", 1, "kg", 12)
    assert plan(selling, materials=["tin"])["orders"] == []


def test_nothing_is_bought_for_a_product_outside_its_season(selling: Bench) -> None:
    """Sold from 120 days on: an order is due later. In season the same workshop is short."""
    mill(selling)
    for material in ("shea", "oil", "wax"):
        offer(selling, material, 1, "kg", 12)

    def season(first: int, last: int) -> None:
        days = {"sold_from": TODAY + timedelta(days=first), "sold_until": TODAY + timedelta(days=last)}
        told = {name: f"{one:%m-%d}" for name, one in days.items()}
        assert selling.client.patch("/v1/products/balm-50", json=told).status_code == 200

    season(120, 200)
    out_of_season = plan(selling, materials=["shea", "oil", "wax"])
    assert (out_of_season["orders"], out_of_season["late"]) == ([], [])
    season(-200, 100)
    assert plan(selling, materials=["shea", "oil", "wax"])["orders"] != []


def test_its_orders_are_drafted_once_and_what_is_placed_counts(selling: Bench) -> None:
    mill(selling)
    for material, price in (("shea", 12), ("oil", 9), ("wax", 15)):
        offer(selling, material, 1, "kg", price)
    offer(selling, "tin", 50, "piece", 14)
    first = plan(selling)
    assert first["purchase_orders"] == []
    drafted = selling.post(f"purchase-plans/{first['code']}/orders")
    (order,) = drafted["purchase_orders"]  # type: ignore[misc]
    assert (order["state"], order["supplier"], order["note"]) == ("draft", "mill", f"Purchase plan {first['code']}")
    assert {line["offer"]: line["packs"] for line in order["lines"]} == {code: one["packs"] for code, one in lines(first).items()}
    assert order["total"] == first["total"]
    assert drafted["sentence"] == f"1 purchase order drafted from {first['code']}: {order['code']}."
    assert selling.get(f"purchase-plans/{first['code']}")["purchase_orders"] == [order["code"]]
    again = selling.client.post(f"/v1/purchase-plans/{first['code']}/orders", json={})
    assert (again.status_code, again.json()["purchase_orders"]) == (409, [order["code"]])
    assert len(selling.get("purchase-orders")["items"]) == 1  # type: ignore[arg-type]
    selling.post(f"purchase-orders/{order['code']}/placement", 200)
    second = plan(selling)
    assert second["orders"] == [], "what is on order is on its way"
    nothing = selling.client.post(f"/v1/purchase-plans/{second['code']}/orders", json={})
    assert (nothing.status_code, nothing.json()["type"]) == (409, "/problems/conflict")
    codes = [one["code"] for one in selling.get("purchase-plans")["items"]]  # type: ignore[attr-defined]
    assert codes == [second["code"], first["code"]]
    page = selling.client.get("/v1/purchase-plans?limit=1")
    assert [one["code"] for one in page.json()["items"]] == [second["code"]]
    older = selling.client.get(page.links["next"]["url"]).json()["items"]
    assert [one["code"] for one in older] == [first["code"]]


def test_a_budget_a_day_and_a_preference(selling: Bench) -> None:
    mill(selling, smallest_order=0)
    plain = offer(selling, "shea", 1, "kg", 10)
    organic = offer(selling, "shea", 1, "kg", 14, claims=["organic"])
    wax = offer(selling, "wax", 1, "kg", 15)
    free = plan(selling, service_level=0.9)
    assert free["service_level_percent"] == 90
    assert plain in lines(free)
    tight = plan(selling, budget=50, by=str(TODAY + timedelta(days=56)))
    assert tight["total"] <= 50
    assert tight["left_out"]
    for left in tight["left_out"]:
        assert left["risk_without_percent"] > left["risk_with_percent"]
        assert left["sentence"] in tight["sentence"]
    far = plan(selling, by=str(TODAY + timedelta(days=56)), materials=["shea"])
    assert far["materials"] == ["shea"]
    assert lines(far)[plain]["quantity"] >= 1000 * 8 * SHEA_WEEKLY / 1000 - 5000
    assert day(lines(far)[plain]["covers_until"]) >= 56
    assert day(lines(far)[plain]["next_arrival_on"]) >= 56
    kept = plan(selling, prefer=["organic"])
    found = lines(kept)
    assert organic in found
    assert plain not in found
    assert found[organic]["next_best"]["offer"] == plain
    assert found[organic]["claims"] == ["organic"]
    missing = [one["material"] for one in kept["warnings"] if one["type"] == "preference-not-met"]
    assert missing == (["wax"] if wax in found else [])


def test_another_supplier_another_currency_and_no_time(selling: Bench) -> None:
    mill(selling, currency="GBP", rate="1.25", lead_time_days=40)
    pounds = offer(selling, "shea", 1, "kg", 8)
    selling.post("suppliers", code="far", name="Far Away", currency="CHF", lead_time_days=3)
    offer(selling, "shea", 1, "kg", 1, supplier="far")
    made = plan(selling, materials=["shea"])
    line = lines(made)[pounds]
    assert line["price"] == 10, "8 GBP at 1.25"
    assert kinds(made) == ["rate-not-known"]
    (late,) = made["late"]
    assert late["material"] == "shea"
    assert 9 <= day(late["runs_out"]) <= 15
    assert day(late["available_on"]) >= 35
    assert late["sentence"] in made["sentence"]
    selling.client.patch("/v1/materials/shea", json={"lead_time_days": 3}).raise_for_status()
    assert plan(selling, materials=["shea"])["late"] == [], "its own lead time stands before the supplier's"
    selling.client.patch("/v1/suppliers/far", json={"rate": "1.05"}).raise_for_status()
    only = plan(selling, materials=["shea"], suppliers=["mill"])
    assert [order["supplier"] for order in only["orders"]] == ["mill"]


def test_wrong_questions_are_refused_and_keep_nothing(selling: Bench) -> None:
    mill(selling)
    offer(selling, "shea", 1, "kg", 10)
    selling.client.patch("/v1/materials/wax", json={"active": False}).raise_for_status()
    selling.post("suppliers", code="gone", name="Gone", active=False)
    late = str(TODAY + timedelta(days=200))
    wrong: list[tuple[dict[str, Any], int, str]] = [
        ({"suppliers": ["nobody"]}, 404, "#/suppliers/0"), ({"materials": ["shea", "salt"]}, 404, "#/materials/1"),
        ({"materials": ["balm-50"]}, 404, "#/materials/0"), ({"suppliers": ["mill", "gone"]}, 422, "#/suppliers/1"),
        ({"materials": ["wax"]}, 422, "#/materials/0"), ({"by": str(TODAY - timedelta(days=1))}, 422, "#/by"),
        ({"by": late}, 422, "#/by"), ({"service_level": 0.3}, 422, "#/service_level"),
        ({"service_level": 100}, 422, "#/service_level"), ({"budget": -1}, 422, "#/budget"),
        ({"suppliers": []}, 422, "#/suppliers"),
        ({"colour": "red"}, 422, "#/colour"),
    ]  # fmt: skip
    for body, status, pointer in wrong:
        answer = selling.client.post("/v1/purchase-plans", json=body)
        assert (answer.status_code, [one.get("pointer") for one in answer.json()["errors"]]) == (status, [pointer]), (
            body,
            answer.text,
        )
    assert selling.get("purchase-plans")["items"] == []
    assert selling.client.get("/v1/purchase-plans/Q-0001").status_code == 404
    assert selling.client.post("/v1/purchase-plans/Q-0001/orders", json={}).status_code == 404


def test_a_key_gives_the_same_plan_again_and_capital_has_a_price(selling: Bench) -> None:
    mill(selling)
    offer(selling, "shea", 1, "kg", 10)
    headers = {"Idempotency-Key": "sunday"}
    first = selling.client.post("/v1/purchase-plans", json={"materials": ["shea"]}, headers=headers)
    again = selling.client.post("/v1/purchase-plans", json={"materials": ["shea"]}, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert json.loads(again.text) == json.loads(first.text)
    assert again.headers["Idempotent-Replay"] == "true"
    other = selling.client.post("/v1/purchase-plans", json={"materials": ["oil"]}, headers=headers)
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency-key-reused")
    assert len(selling.get("purchase-plans")["items"]) == 1  # type: ignore[arg-type]
    workshop = selling.get("workshop")
    assert workshop["capital_percent_per_year"] == 10
    answer = selling.client.patch("/v1/workshop", json={"capital_percent_per_year": 25.5})
    assert answer.json()["capital_percent_per_year"] == 25.5
    refused = selling.client.patch("/v1/workshop", json={"capital_percent_per_year": 0})
    assert refused.status_code == 422
    placed(selling, {"offer": "F-0001", "packs": 20})
    assert plan(selling, materials=["shea"])["sentence"] == "Nothing needs to be ordered today."
