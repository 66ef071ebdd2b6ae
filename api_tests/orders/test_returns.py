"""Returns become quarantined lots, children of the batch's; a market day is an order that was shipped at once."""

import httpx
import pytest
from conftest import Server
from orders.shop import Shop, opened


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


def sold(shop: Shop, units: int, made: int = 10) -> str:
    """A batch of salve, some of which went to Nell."""
    batch = str(shop.make(made)["batch"]["code"])
    shop.order(units, customer="Nell")
    shop.ship()
    return batch


def give_back(shop: Shop, expect: int = 201, **more: object) -> dict[str, object]:
    return shop.post("orders/o-1/returns", expect, **{"units": 1, "condition": "dented", **more})


def test_what_comes_back_waits_in_quarantine(shop: Shop) -> None:
    batch = sold(shop, 6)
    back = give_back(shop, batch=batch, units=2, place="returns box", note="lid")
    lot = shop.get(f"lots/{back['lot']}")
    assert (lot["status"], lot["status_reason"], lot["on_hand"]) == ("quarantined", "returned: dented", 2)
    assert lot["place"] == back["place"] == "returns box"
    assert (lot["last_usable_day"], lot["cost"]) == (shop.day(200), 2.54)  # a tin of salve costs 1.27
    shown = {name: back[name] for name in ("return", "order", "customer", "parent", "product", "units", "condition", "warnings")}
    assert shown == {"return": "N-0001", "order": "o-1", "customer": "Nell", "parent": batch, "product": "salve", "units": 2,
                     "condition": "dented", "warnings": []}  # fmt: skip
    assert back == shop.get("returns/N-0001") == shop.get("returns")["items"][0]
    salve = shop.stock()
    assert (salve["on_hand"], salve["usable"], salve["quarantined"]) == (6, 4, 2)
    order = shop.get("orders/o-1")
    assert (order["state"], order["lines"][0]["returned"], order["returns"]) == ("shipped", 2, ["N-0001"])
    assert shop.verified()


def test_a_return_settles_nothing(shop: Shop) -> None:
    batch = sold(shop, 6)
    shop.order(8, "o-2")
    later = shop.ship("o-2")
    assert sum(one["units"] for one in later["taken"] if one["lot"] is None) == 4
    back = give_back(shop, batch=batch, units=2)
    assert back["moved"] == []
    assert shop.stock()["unbooked"] == 4
    shop.patch(f"lots/{back['lot']}", status="released", effective_on=shop.day(0))
    assert shop.verified()


def test_what_came_back_and_is_released_is_sold_again(shop: Shop) -> None:
    batch = sold(shop, 10)
    lot = give_back(shop, batch=batch, units=2)["lot"]
    shop.patch(f"lots/{lot}", status="released")
    shop.order(2, "o-2")
    assert [(one["lot"], one["units"]) for one in shop.ship("o-2")["taken"]] == [(lot, 2)]
    assert shop.verified()


def test_no_more_comes_back_than_left(shop: Shop) -> None:
    batch = sold(shop, 6)
    assert give_back(shop, 422, batch=batch, units=7)["errors"][0]["allowed"] == "up to 6"
    give_back(shop, batch=batch, units=5)
    assert give_back(shop, 422, batch=batch, units=2)["errors"][0]["allowed"] == "up to 1"


def test_a_batch_that_the_books_did_not_send_is_asked_about(shop: Shop) -> None:
    sold(shop, 6)
    other = shop.make(3)["batch"]["code"]
    back = give_back(shop, batch=other)
    assert [(one["type"], one["units"]) for one in back["warnings"]] == [("not-shipped-from-this-batch", 0)]
    shop.post("orders/o-1/returns", 404, batch="B-9999", units=1, condition="?")
    shea = shop.get("lots?item=shea")["items"][0]["code"]
    assert give_back(shop, 422, batch=shea)["errors"][0]["pointer"] == "#/batch"


def test_a_return_is_reversed_and_its_lot_goes(shop: Shop) -> None:
    batch = sold(shop, 6)
    back = give_back(shop, batch=batch, units=2)
    assert shop.post("reversals", 409, document=batch, reason="x")["holds"] == [{"document": back["return"], "kind": "return"}]
    gone = shop.post("disposals", lot=back["lot"], quantity=1, reason="damaged")["disposal"]
    assert shop.post("reversals", 409, document=back["return"], reason="x")["holds"] == [{"document": gone, "kind": "disposal"}]
    shop.post("reversals", document=gone, reason="x")
    shop.post("reversals", document=back["return"], reason="it was another order's")
    assert shop.get("returns/N-0001")["reversed"]
    assert shop.get("orders/o-1")["lines"][0]["returned"] == 0
    assert shop.stock()["quarantined"] == 0
    assert shop.verified()


def test_a_late_return_stands_before_a_later_count(shop: Shop) -> None:
    """Counted 5 yesterday: 4 were left in the books; with the one that came back before, all is explained."""
    batch = shop.make(10, made_on=shop.day(-9))["batch"]["code"]
    shop.order(6)
    shop.ship(shipped_on=shop.day(-8))
    count = shop.post("counts", product="salve", counted=5, counted_at=shop.day(-1))
    assert count["difference"] == 1
    give_back(shop, batch=batch, returned_on=shop.day(-3))
    assert shop.get(f"counts/{count['count']}")["difference"] == 0
    assert shop.stock()["on_hand"] == 5
    assert shop.verified()


def test_a_late_cost_reaches_what_came_back(shop: Shop) -> None:
    tins = shop.post("receipts", material="tin", quantity=10)
    batch = shop.make(4, lots=[{"material": "tin", "lot": tins["lot"]}])["batch"]["code"]
    shop.order(2)
    shop.ship()
    lot = give_back(shop, batch=batch)["lot"]
    assert shop.get(f"lots/{lot}")["cost"] is None
    shop.post(f"receipts/{tins['receipt']}/correction", cost=20)
    assert shop.get(f"lots/{lot}")["cost"] == 2.92  # 0.60 of shea, 0.32 of oil, a tin of 2
    assert shop.verified()


def test_a_rejected_ingredient_concerns_what_came_back_and_went_out_again(shop: Shop) -> None:
    """Law 8: from the lot that came back to the batch, and on to what it was made of."""
    shea = shop.get("lots?item=shea")["items"][0]["code"]
    batch = sold(shop, 10)
    lot = give_back(shop, batch=batch)["lot"]
    shop.patch(f"lots/{lot}", status="released")
    shop.order(1, "o-2")
    sent = shop.ship("o-2")["shipment"]
    shop.patch(f"lots/{shea}", status="rejected")
    assert [one["lot"] for one in shop.get(f"shipments/{sent}")["concerns"]] == [shea]


def test_a_batch_of_two_sizes_asks_which_came_back(shop: Shop) -> None:
    shop.post("products", code="salve-30", name="Salve, 30 g", formula="base", fill_g=30)
    filled = [{"product": "salve", "units": 5}, {"product": "salve-30", "units": 5}]
    batch = shop.post("runs", formula="base", filled=filled)["batch"]["code"]
    shop.post("orders", reference="o-1", lines=[{"product": "salve", "units": 2}, {"product": "salve-30", "units": 2}])
    shop.ship()
    assert give_back(shop, 422, batch=batch)["errors"][0]["pointer"] == "#/product"
    assert give_back(shop, batch=batch, product="salve-30")["product"] == "salve-30"
    assert shop.get("orders/o-1")["lines"][1]["returned"] == 1


def test_a_market_day_draws_finished_stock_and_is_demand_of_its_channel(shop: Shop) -> None:
    batch = shop.make(10, made_on=shop.day(-3))["batch"]["code"]
    lines = [{"product": "salve", "units": 7, "unit_price": 9.5}]
    sold_ = shop.post("market-days", day=shop.day(-1), lines=lines, note="rain")
    assert [(one["lot"], one["units"]) for one in sold_["taken"]] == [(batch, 7)]
    assert (sold_["channel"], sold_["shipped_on"], sold_["order"]) == ("market", shop.day(-1), f"market-{shop.day(-1)}")
    order = shop.get(f"orders/{sold_['order']}")
    shown = {name: order[name] for name in ("channel", "placed_on", "due_on", "state", "total", "note", "shipments")}
    assert shown == {"channel": "market", "placed_on": shop.day(-1), "due_on": shop.day(-1), "state": "shipped", "total": 66.5,
                     "note": "rain", "shipments": [sold_["shipment"]]}  # fmt: skip
    again = shop.post("market-days", day=shop.day(-1), lines=[{"product": "salve", "units": 5}])
    assert again["order"] == f"market-{shop.day(-1)}-2"
    assert shop.stock()["unbooked"] == 2
    assert shop.stock()["claimed"] == 0
    shop.post("reversals", document=again["shipment"], reason="counted twice")
    assert shop.get(f"orders/{again['order']}")["state"] == "cancelled"
    assert (shop.stock()["on_hand"], shop.stock()["unbooked"], shop.stock("shea")["claimed"]) == (3, 0, 0)
    assert shop.verified()


@pytest.mark.parametrize("reason", ["tester", "sample", "gift", "damaged"])
def test_what_is_given_away_is_no_demand(shop: Shop, reason: str) -> None:
    shop.make(20, made_on=shop.day(-30))
    rows = "".join(f"R-{week},{shop.day(-7 * week)},salve,6\n" for week in range(1, 13))
    shop.post("imports/orders", csv=f"order,date,product,units\n{rows}")
    before = shop.get("forecasts/salve")
    lot = shop.get("products/salve")["batches"][0]["code"]
    shop.post("disposals", lot=lot, quantity=9, reason=reason, disposed_on=shop.day(-8))
    assert shop.stock()["on_hand"] == 11
    assert shop.get("forecasts/salve") == before
    shop.post("market-days", day=shop.day(-8), lines=[{"product": "salve", "units": 9}])
    assert shop.get("forecasts/salve") != before, "what a market sold is"


def test_a_market_day_lies_behind_and_names_each_product_once(shop: Shop) -> None:
    shop.post("market-days", 422, day=shop.day(1), lines=[{"product": "salve", "units": 1}])
    shop.post("market-days", 422, lines=[{"product": "salve", "units": 1}, {"product": "salve", "units": 2}])
    shop.post("market-days", 404, lines=[{"product": "none", "units": 1}])
    assert shop.get("orders") == {"items": []}


def test_what_came_back_must_have_been_shipped(shop: Shop) -> None:
    batch = sold(shop, 6)
    back = give_back(shop, batch=batch, units=2)
    no = shop.post("reversals", 409, document="H-0001", reason="another order's")
    assert (no["type"], no["holds"]) == ("/problems/still-in-use", [{"document": back["return"], "kind": "return"}])
    assert shop.get("orders/o-1")["state"] == "shipped"
    shop.post("reversals", document=back["return"], reason="another order's")
    shop.post("reversals", document="H-0001", reason="another order's")
    assert (shop.stock()["on_hand"], shop.get("orders/o-1")["state"]) == (10, "open")
    assert shop.verified()


def test_what_a_correction_moved_is_told_at_what_it_costs_now(shop: Shop) -> None:
    """42 were told, 24 were made: of 30 shipped 6 are unbooked, at what a tin of the 24 costs."""
    batch = shop.make(42)["batch"]["code"]
    shop.order(30)
    sent = shop.ship()["shipment"]
    corrected = shop.post(f"runs/{batch}/correction", units=24)
    [moved] = [one for one in corrected["moved"] if one["quantity"]]
    assert (moved["document"], moved["from_lot"], moved["to_lot"], moved["quantity"]) == (sent, batch, None, 6)
    [unbooked] = [one for one in shop.get(f"shipments/{sent}")["taken"] if one["lot"] is None]
    assert moved["cost"] == unbooked["cost"]
    assert "6 pieces of Salve, 100 g is unbooked now" in corrected["sentence"]
