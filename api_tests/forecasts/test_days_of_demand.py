"""On which day demand counts: the day goods leave. Customers far away, open orders, and new products nobody ordered yet."""

from datetime import date, timedelta
from typing import Any

import pytest
from conftest import Bench
from forecasts.past import MONDAY, TODAY, day, every_week, mean, told


def far(bench: Bench, transit: int) -> None:
    answer = bench.client.patch("/v1/customers/Island shop", json={"transit_days": transit})
    assert answer.status_code == 200, answer.text


def test_history_counts_on_the_day_it_left_as_open_orders_do(stocked: Bench) -> None:
    """Every other week 24 were due on a Wednesday, ten days on the way: they left in the week before the week before."""
    for back in range(29, 1, -2):
        told(stocked, (f"W-{back}", day(back + 2), "wholesale", "balm-50", 24, "Island shop", day(back, 2)))
    near: Any = stocked.get("forecasts/balm-50")
    far(stocked, 10)
    moved: Any = stocked.get("forecasts/balm-50")
    assert (near["all"]["weeks_of_history"], moved["all"]["weeks_of_history"]) == (29, 31)
    assert near["all"]["known_units"] == moved["all"]["known_units"] == 0


def test_what_left_before_this_week_and_arrives_later_is_history(stocked: Bench) -> None:
    every_week(stocked, 20, weeks=20)
    lines = [{"product": "balm-50", "units": 30}]
    stocked.post("runs", product="balm-50", units=30, made_on=str(day(2)), plan="none")
    stocked.post("orders", reference="sent", channel="wholesale", customer="Island shop", placed_on=str(day(3)),
                 due_on=str(MONDAY + timedelta(days=8)), lines=lines)  # fmt: skip
    assert "wholesale" in channels(stocked), "due next week"
    far(stocked, 14)
    late = stocked.get("forecasts/balm-50")
    assert late["all"]["known_units"] == 0, "it should have left"  # type: ignore[index]
    stocked.post("orders/sent/shipments", shipped_on=str(day(1)))
    found: Any = stocked.get("forecasts/balm-50")
    whole = next(one for one in found["channels"] if one["channel"] == "wholesale")
    assert whole["weeks_of_history"] == 1
    assert stocked.get("cover/tin")["claimed"] == 0


def channels(bench: Bench) -> set[str]:
    found: Any = bench.get("forecasts/balm-50")
    return {one["channel"] for one in found["channels"]}


def test_an_open_order_is_needed_on_the_day_it_must_leave(stocked: Bench) -> None:
    every_week(stocked, 2, weeks=20)
    due = TODAY + timedelta(days=60)
    lines = [{"product": "balm-50", "units": 95}]
    stocked.post("orders", reference="big", channel="wholesale", customer="Island shop", due_on=str(due), lines=lines)
    assert date.fromisoformat(likely(stocked)) >= due - timedelta(days=8)
    far(stocked, 30)
    assert date.fromisoformat(likely(stocked)) <= due - timedelta(days=22)


def likely(bench: Bench) -> str:
    found: Any = bench.get("cover/tin")
    return str(found["runs_out"]["likely"])


def test_a_new_product_that_nobody_ordered_borrows_from_the_workshop_and_says_so(stocked: Bench) -> None:
    every_week(stocked, 20, weeks=26)
    other = {"formula": "balm", "fill_g": 50, "packaging": [{"material": "tin"}]}
    stocked.post("products", code="new-50", name="New balm", **other)
    found: Any = stocked.get("forecasts/new-50")
    assert [one["channel"] for one in found["channels"]] == ["retail"]
    assert found["all"]["borrowed_percent"] == 100
    assert found["all"]["weekly_mean"] == pytest.approx(mean(stocked), rel=0.1)
    assert "100 % of this is borrowed from the workshop's other products, as it is new" in found["sentence"]
    cover = stocked.get("cover")
    assert cover["new_products"] == ["new-50"]
    assert "New balm is new and not ordered yet: it is expected to sell as " in str(cover["sentence"])
    drivers: Any = stocked.get("cover/tin")["drivers"]
    assert {one["product"] for one in drivers} == {"balm-50", "new-50"}
    stocked.post("products", code="gift", name="Gift", contains=[{"product": "new-50", "quantity": 2}])
    inside: Any = stocked.get("forecasts/new-50")
    assert [one["channel"] for one in inside["channels"]] == [], "it is sold in sets"
    assert inside["through_sets"] == [{"product": "gift", "units": 2}]
    assert stocked.get("forecasts/gift")["channels"] == [], "a set is like nothing until that is said"
    assert stocked.get("cover")["new_products"] == []


def test_weeks_without_stock_say_at_least_this_much(stocked: Bench) -> None:
    """Both sold ten a market until six weeks ago: of one nothing was left then, of the other there still is."""
    stocked.post("receipts", material="tin", quantity=200, received_on=str(day(30)))
    for material in ("shea", "oil", "wax"):
        stocked.post("receipts", material=material, quantity=9000, received_on=str(day(30)))
    stocked.post("products", code="bar", name="Bar", formula="balm", fill_g=50)
    for product, units in (("balm-50", 100), ("bar", 140)):
        stocked.post("runs", product=product, units=units, made_on=str(day(17)), plan="none")
    both = [{"product": product, "units": 10} for product in ("balm-50", "bar")]
    for back in range(16, 6, -1):
        stocked.post("market-days", day=str(day(back, 5)), lines=both)
    assert [stocked.get(f"products/{code}")["on_hand"] for code in ("balm-50", "bar")] == [0, 40]
    out, there = mean(stocked, "market"), mean(stocked, "market", "bar")
    assert out == pytest.approx(10, abs=2)
    assert there < 0.7 * out
