"""What a purchase plan answers where there is little to plan with, and what its text says beside the lines."""

from datetime import date, timedelta
from typing import Any

import pytest
from buying.deals import TODAY, house_, kinds, mill, offer, owner_  # noqa: F401 (fixtures)
from conftest import Bench
from contract.inprocess import House

from service.api import purchase_plans

LATER = str(TODAY + timedelta(days=21))


def plan(bench: Bench, **asked: Any) -> dict[str, Any]:
    return bench.post("purchase-plans", **asked)  # type: ignore[return-value]


def text(bench: Bench, **asked: Any) -> list[str]:
    answer = bench.client.post("/v1/purchase-plans", json=asked, headers={"Accept": "text/plain"})
    assert answer.status_code == 201, answer.text
    return answer.text.splitlines()


def wanted(bench: Bench, units: int = 200) -> None:
    """An order that is due in two weeks: 200 balms ask for 5.1 kg of shea, 3.1 kg of oil, 2 kg of wax and 200 tins."""
    bench.post(
        "orders", reference="big", channel="wholesale", due_on=str(TODAY + timedelta(days=14)),
        lines=[{"product": "balm-50", "units": units}],
    )  # fmt: skip


def test_a_workshop_with_nothing_has_nothing_to_order(house: House) -> None:
    with house.client(house.new_workshop()) as client:
        empty = Bench(client)
        for asked in ({}, {"budget": 50, "prefer": ["organic"], "by": LATER}):
            made = plan(empty, **asked)
            assert (made["orders"], made["late"], made["left_out"], made["warnings"]) == ([], [], [], [])
            assert (made["proven"], made["gap_percent"], made["total"], made["costs"]["total"]) == (True, 0, 0, 0)
            assert made["sentence"] == "Nothing needs to be ordered today."
        empty.post("materials", code="oil", name="Oil")
        assert text(empty) == text(empty, materials=["oil"]) == ["Nothing needs to be ordered today."], "never used"


def test_without_offers_it_says_what_nobody_offers(stocked: Bench) -> None:
    wanted(stocked)
    made = plan(stocked)
    assert (made["orders"], made["proven"]) == ([], True)
    short = {one["material"]: one for one in made["late"]}
    assert {"shea", "tin"} <= short.keys()
    for one in short.values():
        assert (one["available_on"], one["risk_percent"]) == (None, 100)
        assert date.fromisoformat(one["runs_out"]) <= TODAY + timedelta(days=21)
        assert one["sentence"].endswith(", and nobody offers it today.")
    assert made["sentence"].splitlines()[0] == f"Nobody offers what needs to be ordered. {len(short)} cannot be had in time."
    mill(stocked)
    stocked.post("suppliers", code="barn", name="The Barn")
    offer(stocked, "shea", 1, "kg", 10)
    asked = plan(stocked, suppliers=["barn"], materials=["tin"])
    assert asked["sentence"].startswith("None of these suppliers offers what needs to be ordered.")
    assert asked["late"][0]["sentence"].endswith(", and none of these suppliers offers it today.")


def test_without_history_an_order_is_enough(stocked: Bench) -> None:
    mill(stocked)
    shea = offer(stocked, "shea", 2, "lb", 10)
    wanted(stocked)
    made = plan(stocked, materials=["shea"], by=LATER)
    [[line]] = [order["lines"] for order in made["orders"]]
    assert (line["offer"], line["packs"], line["risk_before_percent"], line["risk_after_percent"]) == (shea, 2, 100, 0)
    assert line["why"].startswith("2 x 2 lb of Shea butter from The Mill for 20.00 EUR; to be there by ")
    assert line["why"].endswith("; none of it is expected to expire unused; there is no other offer.")
    assert made["sentence"].startswith("Order 1 line for 29.00 EUR: The Mill (29.00 EUR, 9.00 EUR of it delivery).\n")


def test_a_budget_that_allows_nothing_is_not_a_need_for_nothing(stocked: Bench) -> None:
    mill(stocked)
    offer(stocked, "shea", 1, "kg", 30)
    wanted(stocked)
    assert text(stocked, materials=["shea"], by=LATER, budget=10) == [
        "Nothing can be ordered within the budget.",
        "The budget left out 1 pack of Shea butter (30.00 EUR): the risk of running out is 100 % instead of 0 %.",
    ]


def test_its_text_says_what_it_warns_of(stocked: Bench) -> None:
    mill(stocked)
    offer(stocked, "shea", 1, "kg", 30, claims=["Fair Trade", "organic", "organic"])
    assert stocked.get("offers")["items"][0]["claims"] == ["Fair Trade", "organic"]  # type: ignore[index]
    stocked.post("suppliers", code="far", name="Far Away", currency="CHF")
    offer(stocked, "wax", 1, "kg", 9, supplier="far")
    wanted(stocked)
    unknown = "What Far Away offers is left out: no rate of its currency is known."
    assert unknown in text(stocked)
    assert kinds(plan(stocked, materials=["shea"], by=LATER)) == [], "it offers no shea"
    assert kinds(plan(stocked, suppliers=["mill"])) == [], "it was not asked for"
    assert kinds(plan(stocked, materials=["shea"], by=LATER, prefer=["fair trade", "Organic"])) == []
    unmet = plan(stocked, materials=["shea"], by=LATER, prefer=["vegan", "organic"])
    assert [one["sentence"] for one in unmet["warnings"]] == ["Nobody offers Shea butter as vegan."]
    [line] = unmet["orders"][0]["lines"]
    assert line["why"].endswith("; nobody offers it as vegan.")


def test_a_plan_for_which_there_was_no_time_says_so(stocked: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    mill(stocked)
    offer(stocked, "shea", 1, "kg", 30)
    wanted(stocked)
    monkeypatch.setattr(purchase_plans, "LONGEST", 0.0)
    made = plan(stocked, materials=["shea"], by=LATER)
    assert (made["orders"], made["proven"], made["gap_percent"], kinds(made)) == ([], False, None, ["not-proven"])
    first, *_, last = made["sentence"].splitlines()
    assert first == "No order was found in the time there was."
    assert last == "The time for planning ran out: this is the best plan found, how good it is, is not known."


def test_a_plan_is_not_drafted_against_what_an_offer_takes(stocked: Bench) -> None:
    mill(stocked)
    shea = offer(stocked, "shea", 1, "kg", 30)
    wanted(stocked)
    made = plan(stocked, materials=["shea"], by=LATER)
    stocked.client.patch(f"/v1/offers/{shea}", json={"least_packs": 5}).raise_for_status()
    refused = stocked.post(f"purchase-plans/{made['code']}/orders", 409)
    assert refused["detail"] == f"offer {shea} takes 5 packs or more now, and purchase plan {made['code']} has 1: plan again"
    stocked.client.patch(f"/v1/offers/{shea}", json={"least_packs": 1, "price": 31}).raise_for_status()
    drafted: Any = stocked.post(f"purchase-plans/{made['code']}/orders")
    assert [order["goods"] for order in drafted["purchase_orders"]] == [31], "at the price of today"


def test_what_is_offered_from_a_day_to_come_is_named_with_the_day_it_can_be_there(stocked: Bench) -> None:
    mill(stocked)
    wanted(stocked)
    start = TODAY + timedelta(days=25)
    for days in (5, 0):
        offer(stocked, "shea", 1, "kg", 9, valid_from=str(start + timedelta(days=days)))
    stocked.post("suppliers", code="barn", name="The Barn", active=False)
    offer(stocked, "shea", 1, "kg", 9, supplier="barn", valid_from=str(TODAY + timedelta(days=20)))
    [late] = plan(stocked, materials=["shea"])["late"]
    assert late["available_on"] == str(start + timedelta(days=7)), "the mill takes a week"
    assert ", before any order can come; it can be there on " in late["sentence"]
    stocked.client.patch("/v1/materials/shea", json={"lead_time_days": 2}).raise_for_status()
    [sooner] = plan(stocked, materials=["shea"])["late"]
    assert sooner["available_on"] == str(start + timedelta(days=2))
    stocked.client.patch("/v1/suppliers/barn", json={"active": True}).raise_for_status()
    [barn] = plan(stocked, materials=["shea"])["late"]
    assert barn["available_on"] == str(TODAY + timedelta(days=22))
    [mills] = plan(stocked, materials=["shea"], suppliers=["mill"])["late"]
    assert mills["available_on"] == sooner["available_on"]
