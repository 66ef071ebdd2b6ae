"""What may be put right of an order, what is said of it, and cases in a batch plan."""

from typing import Any

import httpx
import pytest
from conftest import Server
from orders.shop import Shop, opened


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


def test_the_channel_and_the_day_of_an_order_are_put_right(shop: Shop) -> None:
    shop.order(4)
    changed = shop.patch("orders/o-1", channel="market", placed_on=shop.day(-3))
    assert (changed["channel"], changed["placed_on"], changed["state"]) == ("market", shop.day(-3), "open")
    for wrong in ({"channel": None}, {"placed_on": None}, {"placed_on": shop.day(1)}, {"channel": "fair"}, {"one_off": "maybe"}):
        shop.patch("orders/o-1", 422, **wrong)
    assert shop.get("orders/o-1") == changed


def test_whether_such_orders_come_again_is_kept_with_the_order(shop: Shop) -> None:
    assert shop.order(4)["one_off"] is None
    assert shop.order(40, "wedding", one_off=True)["one_off"] is True
    assert shop.patch("orders/o-1", one_off=False)["one_off"] is False
    assert shop.patch("orders/o-1", note="told")["one_off"] is False
    assert [one["one_off"] for one in shop.get("orders")["items"]] == [True, False]


def test_a_batch_plan_warns_of_what_is_not_whole_cases(shop: Shop) -> None:
    shop.patch("products/salve", case_units=6)
    shop.order(8, due_on=shop.day(20))
    asked = {"until": shop.day(30)}
    [warning] = shop.post("batch-plans", 200, **asked)["warnings"]
    assert (warning["type"], warning["product"], warning["units"], warning["case_units"]) == ("not-whole-cases", "salve", 8, 6)
    shop.order(4, "o-2", due_on=shop.day(21))
    assert shop.post("batch-plans", 200, **asked)["warnings"] == [], "both together are two cases"


def test_what_is_filled_from_bulk_counts_towards_whole_cases(shop: Shop) -> None:
    """Six tins are wanted: four are filled from the 400 g that are there, two from a batch."""
    shop.patch("products/salve", case_units=6)
    shop.post("runs", formula="base", batch_g=400)
    shop.order(6, due_on=shop.day(20))
    plan = shop.post("batch-plans", 200, until=shop.day(30))
    assert [(one["product"], one["units"]) for one in plan["from_bulk"]] == [("salve", 4)]
    assert [one["filled"] for one in plan["batches"]] == [[{"product": "salve", "units": 2}]]
    assert [one["type"] for one in plan["warnings"]] == ["fill-from-bulk"]


def test_a_check_of_an_order_says_that_it_is_too_small(shop: Shop) -> None:
    shop.patch("customers/Nell", smallest_order="100")
    shop.order(12, customer="Nell", due_on=shop.day(20))  # 96 of 100
    [warning] = shop.post("checks", 200, order="o-1")["warnings"]
    assert (warning["type"], warning["smallest_order"]) == ("below-smallest-order", 100)
    assert warning["sentence"] == "96 is less than the smallest order of Nell, 100."
    shop.order(13, "o-2", customer="Nell", due_on=shop.day(20))
    assert shop.post("checks", 200, order="o-2")["warnings"] == []


def test_what_is_left_of_whole_cases_is_no_part_of_a_case(shop: Shop) -> None:
    """Two cases of six were ordered and seven tins are gone; what one asks for beside the order is judged by itself."""
    shop.patch("products/salve", case_units=6)
    shop.order(12, channel="wholesale")
    shop.make(7)
    shop.ship(lines=[{"product": "salve", "units": 7}])
    assert shop.post("checks", 200, order="o-1")["warnings"] == []
    [warning] = shop.post("checks", 200, order="o-1", wants=[{"product": "salve", "units": 5}])["warnings"]
    assert (warning["type"], warning["units"]) == ("not-whole-cases", 5)


def test_a_product_is_not_like_itself(shop: Shop) -> None:
    refused = shop.patch("products/salve", 422, like=["salve"])
    assert [(one["pointer"], one["given"], one["allowed"]) for one in refused["errors"]] == [
        ("#/like", "salve", "other products")
    ]


FORMS = [
    ("POST", "orders", {"lines": [{"product": "Lip Salve", "units": 1}]}, "/lines/0/product",
     "must be lower-case letters, digits and hyphens between them", "lower-case letters, digits and hyphens between them"),
    ("PATCH", "products/salve", {"sold_from": "13-01", "sold_until": "12-24"}, "/sold_from",
     "must be a month and day like 10-01", "a month and day like 10-01"),
    ("PATCH", "products/salve", {"sold_from": "02-30", "sold_until": "12-24"}, "/sold_from",
     "is not a day of the calendar", None),
    ("POST", "batch-plans", {"until": "2027-02-30"}, "/until", "must be a date like 2027-01-31", None),
    ("POST", "batch-plans", {"until": None}, "/until", "must be a date like 2027-01-31", None),
    ("PATCH", "workshop", {"currency": "euro"}, "/currency", "must be three capital letters, a currency of ISO 4217 like EUR",
     "three capital letters, a currency of ISO 4217 like EUR"),
    ("POST", "market-days", {"lines": [{"product": "salve", "units": 1}] * 2}, "/lines",
     "must hold each product once, with its total of the day", None),
]  # fmt: skip


@pytest.mark.parametrize(("method", "path", "body", "pointer", "detail", "allowed"), FORMS)
def test_a_wrong_form_is_told_in_words(
    shop: Shop, method: str, path: str, body: Any, pointer: str, detail: str, allowed: str | None
) -> None:
    [error] = shop.ask(method, path, 422, body)["errors"]
    assert (error["pointer"], error["detail"], error.get("allowed")) == (f"#{pointer}", detail, allowed)
    text = shop.client.request(method, f"/v1/{path}", json=body, headers={"Accept": "text/plain"}).text
    assert text == f"{pointer.removeprefix('/').replace('/', '.')}: {detail}\n"


@pytest.mark.parametrize("query", ["orders?state=done", "orders?channel=fair", "runs?state=done", "purchase-orders?state=done"])
def test_a_list_names_the_states_there_are(shop: Shop, query: str) -> None:
    [error] = shop.get(query, 422)["errors"]
    assert error["parameter"] == query.partition("?")[2].partition("=")[0]
    assert error["given"] in ("done", "fair")
    assert error["allowed"].startswith("one of '")
