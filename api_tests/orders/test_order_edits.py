"""What may be put right of an order, what is said of it, and cases in a batch plan."""

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
