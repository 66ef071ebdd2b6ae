"""Shipments: first expired first out, named batches, short dates, what is beyond the books, late papers, reversals."""

from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from conftest import Server
from orders.shop import Shop, opened


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


def taken(shipment: dict[str, object]) -> list[tuple[object, object, object]]:
    return [(one["lot"], one["units"], one["chosen"]) for one in shipment["taken"]]  # type: ignore[attr-defined]


def types(of: list[dict[str, object]]) -> list[object]:
    return [one["type"] for one in of]


def test_a_shipment_takes_what_expires_first(shop: Shop) -> None:
    new = shop.make(5)["batch"]["code"]
    old = shop.make(5, made_on=shop.day(-20))["batch"]["code"]
    shop.order(7, customer="Nell", channel="wholesale")
    sent = shop.ship(note="by bicycle")
    assert taken(sent) == [(old, 5, "assumed"), (new, 2, "assumed")]
    # A tin of salve: 60 g of shea at 0.01, 40 g of oil at 0.008, a tin at 0.35.
    assert sent["cost"] == round(7 * (0.6 + 0.32 + 0.35), 6)
    assert sent["lines"] == [{"product": "salve", "units": 7, "unit_price": 8}]
    assert sent["sentence"] == f"7 of Salve, 100 g shipped to Nell ({sent['shipment']})."
    assert (sent["warnings"], sent["concerns"], sent["moved"], sent["shipment"]) == ([], [], [], "H-0001")
    assert sent == shop.get("shipments/H-0001") == shop.get("shipments")["items"][0]
    moves = [one for one in shop.get("products/salve/movements")["items"] if one["kind"] == "shipment"]
    assert [(one["lot"], one["quantity"]) for one in moves] == [(old, -5), (new, -2)]
    assert shop.stock()["on_hand"] == 3
    assert shop.verified()


def test_named_batches_are_taken_instead(shop: Shop) -> None:
    shop.make(5, made_on=shop.day(-20))
    new = shop.make(5)["batch"]["code"]
    shop.order(6)
    sent = shop.ship(lots=[{"lot": new, "units": 2}], lines=[{"product": "salve", "units": 4}])
    assert taken(sent)[0] == (new, 2, "named")
    assert sum(one["units"] for one in sent["taken"]) == 4
    shop.ship(lots=[{"lot": "B-9999"}], expect=404)
    shea = shop.get("lots?item=shea")["items"][0]["code"]
    [error] = shop.ship(lots=[{"lot": shea}], expect=422)["errors"]
    assert (error["pointer"], error["given"], error["allowed"]) == ("#/lots/0/lot", shea, "a lot of salve")


def test_what_rests_or_is_not_released_is_shipped_only_by_name_and_is_a_concern(shop: Shop) -> None:
    shop.post("formulas", code="soap", name="Soap", rest_days=30, lines=[{"material": "shea", "percent": 100}])
    shop.post("products", code="bar", name="Bar", formula="soap", fill_g=100)
    batch = shop.make(10, "bar")["batch"]["code"]
    shop.post("orders", reference="b", customer="Nell", lines=[{"product": "bar", "units": 6}])
    by_itself = shop.ship("b", lines=[{"product": "bar", "units": 1}])
    assert taken(by_itself) == [(None, 1, "unbooked")]
    assert types(by_itself["warnings"]) == ["sold-beyond-the-books", "not-shipped-by-itself"]
    assert (by_itself["warnings"][1]["lot"], by_itself["warnings"][1]["why"]) == (batch, "resting")
    shop.post("reversals", document=by_itself["shipment"], reason="it was not")
    named = shop.ship("b", lines=[{"product": "bar", "units": 2}], lots=[{"lot": batch}])
    assert taken(named) == [(batch, 2, "named")]
    assert types(named["warnings"]) == ["lot-resting"]
    assert types(named["concerns"]) == ["shipped-unfit"]
    concern = shop.get(f"runs/{batch}")["concerns"]
    assert [(one["type"], one["shipment"], one["reason"]) for one in concern] == [("shipped-unfit", named["shipment"], "resting")]
    shop.patch(f"lots/{batch}", status="quarantined", status_reason="smells")
    held = shop.ship("b", lines=[{"product": "bar", "units": 1}], lots=[{"lot": batch}])
    assert types(held["warnings"]) == ["lot-quarantined"]
    assert types(held["concerns"]) == ["shipped-unfit", "lot-quarantined"]
    assert types(shop.get(f"shipments/{named['shipment']}")["concerns"]) == ["shipped-unfit", "lot-quarantined"]
    shop.post("reversals", document=held["shipment"], reason="stopped at the door")
    shop.post("reversals", document=named["shipment"], reason="stopped at the door")
    assert "shipped-unfit" not in types(shop.get(f"runs/{batch}")["concerns"])
    assert shop.verified()


def test_a_shipment_tells_of_a_rejected_ingredient(shop: Shop) -> None:
    shea = shop.get("lots?item=shea")["items"][0]["code"]
    shop.make(2)
    shop.order(2)
    sent = shop.ship()["shipment"]
    shop.patch(f"lots/{shea}", status="rejected", status_reason="supplier's letter")
    concerns = shop.get(f"shipments/{sent}")["concerns"]
    assert [(one["type"], one["lot"]) for one in concerns] == [("lot-rejected", shea)]


def test_a_customer_who_refuses_short_dates_gets_a_later_batch(shop: Shop) -> None:
    """200 days of shelf life; on arrival, two days on the way, at least 180 must be left."""
    short = shop.make(5, made_on=shop.day(-19))["batch"]["code"]
    enough = shop.make(5, made_on=shop.day(-18))["batch"]["code"]
    shop.patch("customers/Corner shop", transit_days=2, min_life_days=180)
    shop.order(3, customer="Corner shop", channel="wholesale")
    assert taken(shop.ship()) == [(enough, 3, "assumed")]
    shop.order(3, "o-2", customer="Corner shop", channel="wholesale")
    rest = shop.ship("o-2")
    assert taken(rest) == [(enough, 2, "assumed"), (None, 1, "unbooked")]
    assert [(one["lot"], one["why"]) for one in rest["warnings"] if "lot" in one] == [(short, "short-dated")]
    shop.order(1, "o-3", customer="Corner shop", channel="wholesale")
    named = shop.ship("o-3", lots=[{"lot": short}])
    assert taken(named) == [(short, 1, "named")]
    assert types(named["warnings"]) == ["short-dated"]
    shop.order(4, "o-4")  # anybody else takes it
    assert taken(shop.ship("o-4")) == [(short, 4, "assumed")]
    assert shop.verified()


def test_finished_stock_that_is_set_apart_is_sold_too(shop: Shop) -> None:
    batch = shop.make(5)["batch"]["code"]
    shop.patch("places/market box", production=False)
    box = shop.post(f"lots/{batch}/splits", quantity=3, place="market box")["lot"]
    assert shop.stock()["set_apart"] == 3
    shop.order(5)
    sent = shop.ship()
    assert sorted(taken(sent)) == sorted([(batch, 2, "assumed"), (box, 3, "assumed")])
    assert shop.verified()


def test_units_sold_before_their_batch_is_recorded_are_settled_by_it(shop: Shop) -> None:
    shop.order(4)
    sent = shop.ship(shipped_on=shop.day(-5))
    assert taken(sent) == [(None, 4, "unbooked")]
    assert shop.stock()["unbooked"] == 4
    made = shop.make(6, made_on=shop.day(-6))
    batch = made["batch"]["code"]
    assert [(one["document"], one["from_lot"], one["to_lot"], one["quantity"]) for one in made["moved"]] == [
        (sent["shipment"], None, batch, 4)
    ]
    now = shop.get(f"shipments/{sent['shipment']}")
    assert (taken(now), now["warnings"], now["cost"]) == ([(batch, 4, "assumed")], [], round(4 * 1.27, 6))
    salve = shop.stock()
    assert (salve["on_hand"], salve["unbooked"]) == (2, 0)
    assert shop.verified()


def test_a_batch_made_later_does_not_settle_what_was_sold_before(shop: Shop) -> None:
    shop.order(4)
    shop.ship(shipped_on=shop.day(-5))
    shop.make(6, made_on=shop.day(-4))
    assert (shop.stock()["on_hand"], shop.stock()["unbooked"]) == (6, 4)
    shop.post("counts", product="salve", counted=2)
    assert (shop.stock()["on_hand"], shop.stock()["unbooked"]) == (2, 0)
    assert shop.verified()


def test_a_late_shipment_takes_what_it_would_have_taken(shop: Shop) -> None:
    old = shop.make(5, made_on=shop.day(-20))["batch"]["code"]
    new = shop.make(5, made_on=shop.day(-10))["batch"]["code"]
    shop.order(5, "first")
    shop.order(4, "second")
    later = shop.ship("first", shipped_on=shop.day(-5))
    assert taken(later) == [(old, 5, "assumed")]
    late = shop.ship("second", shipped_on=shop.day(-8))
    assert taken(late) == [(old, 4, "assumed")]
    assert taken(shop.get(f"shipments/{later['shipment']}")) == [(old, 1, "assumed"), (new, 4, "assumed")]
    assert [(one["document"], one["from_lot"], one["to_lot"], one["quantity"]) for one in late["moved"]] == [
        (later["shipment"], old, new, 4)
    ]
    assert late["sentence"].endswith(f"; shipment {later['shipment']} now shows lot {new}.")
    assert shop.verified()


def test_a_batch_cannot_be_named_before_it_was_made_nor_a_shipment_lie_ahead(shop: Shop) -> None:
    batch = shop.make(5, made_on=shop.day(-5))["batch"]["code"]
    shop.order(5)
    assert shop.ship(lots=[{"lot": batch}], shipped_on=shop.day(-6), expect=409)["type"] == "/problems/lot-not-there-yet"
    shop.ship(shipped_on=shop.day(1), expect=422)
    assert shop.get("orders/o-1")["state"] == "open"


def test_a_named_batch_that_is_too_small_gives_what_it_has(shop: Shop) -> None:
    small = shop.make(2)["batch"]["code"]
    other = shop.make(5, made_on=shop.day(-1))["batch"]["code"]
    shop.order(4)
    sent = shop.ship(lots=[{"lot": small}])
    assert taken(sent) == [(small, 2, "named"), (other, 2, "assumed")]
    assert shop.verified()


def test_strict_refuses_what_the_books_do_not_hold(shop: Shop) -> None:
    batch = shop.make(2)["batch"]["code"]
    shop.order(3)
    said = shop.ship(strict=True, expect=409)
    assert (said["type"], said["shortages"]) == ("/problems/not-enough-stock", [{"product": "salve", "short": 1}])
    shop.patch(f"lots/{batch}", status="quarantined")
    said = shop.ship(strict=True, lines=[{"product": "salve", "units": 2}], lots=[{"lot": batch}], expect=409)
    assert said["lots"] == [{"lot": batch, "why": "quarantined"}]
    assert shop.get("shipments") == {"items": []}
    assert shop.stock()["on_hand"] == 2


def test_a_dry_run_keeps_nothing(shop: Shop) -> None:
    shop.make(2)
    shop.order(2)
    assert taken(shop.ship(dry_run=True, expect=200))[0][1] == 2
    assert (shop.get("orders/o-1")["state"], shop.stock()["on_hand"]) == ("open", 2)


def test_more_than_was_ordered_is_recorded_and_said(shop: Shop) -> None:
    shop.make(9)
    shop.order(5)
    sent = shop.ship(lines=[{"product": "salve", "units": 7}])
    assert [(one["type"], one["units"]) for one in sent["warnings"]] == [("more-than-ordered", 2)]
    order = shop.get("orders/o-1")
    assert (order["state"], order["lines"][0]["shipped"], order["lines"][0]["open"]) == ("shipped", 7, 0)
    shop.order(1, "o-2")
    assert shop.ship("o-2", lines=[{"product": "soap", "units": 1}], expect=404)
    shop.post("products", code="box", name="Box", contains=[{"product": "salve"}])
    [error] = shop.ship("o-2", lines=[{"product": "box", "units": 1}], expect=422)["errors"]
    assert (error["pointer"], error["given"], error["allowed"]) == ("#/lines/0/product", "box", "one of salve")


def test_units_go_to_the_lines_of_their_product_in_order(shop: Shop) -> None:
    shop.make(9)
    lines = [{"product": "salve", "units": 2, "unit_price": 8}, {"product": "salve", "units": 4, "unit_price": 7}]
    shop.post("orders", reference="two", lines=lines)
    sent = shop.ship("two", lines=[{"product": "salve", "units": 1}, {"product": "salve", "units": 2}])
    assert [(one["units"], one["unit_price"]) for one in sent["lines"]] == [(2, 8), (1, 7)]
    assert [line["open"] for line in shop.get("orders/two")["lines"]] == [0, 3]
    assert [(one["units"], one["unit_price"]) for one in shop.ship("two")["lines"]] == [(3, 7)]


def test_a_batch_that_a_shipment_names_is_not_reversed(shop: Shop) -> None:
    batch = shop.make(5)["batch"]["code"]
    shop.order(2)
    sent = shop.ship(lots=[{"lot": batch}])["shipment"]
    refused = shop.post("reversals", 409, document=batch, reason="twice")
    assert refused["holds"] == [{"document": sent, "kind": "shipment"}]
    shop.post("reversals", document=sent, reason="twice")
    shop.post("reversals", document=batch, reason="twice")
    assert shop.post("reversals", 409, document=sent, reason="again")["type"] == "/problems/already-reversed"
    assert shop.stock()["on_hand"] == 0
    assert shop.verified()


def test_a_batch_that_a_shipment_only_took_leaves_it_unbooked(shop: Shop) -> None:
    batch = shop.make(5)["batch"]["code"]
    shop.order(2)
    sent = shop.ship()["shipment"]
    shop.post("reversals", document=batch, reason="never made")
    assert taken(shop.get(f"shipments/{sent}")) == [(None, 2, "unbooked")]
    assert shop.verified()


def test_a_late_cost_reaches_what_was_shipped(shop: Shop) -> None:
    made = shop.post("receipts", material="tin", quantity=10, supplier_lot="dear")["lot"]
    shop.make(4, lots=[{"material": "tin", "lot": made}])
    shop.order(2)
    sent = shop.ship()["shipment"]
    assert shop.get(f"shipments/{sent}")["cost"] is None
    receipt = next(one["receipt"] for one in shop.get("receipts")["items"] if one["lot"] == made)
    shop.post(f"receipts/{receipt}/correction", cost=20)
    assert shop.get(f"shipments/{sent}")["cost"] == round(2 * (0.6 + 0.32 + 2), 6)
    assert shop.verified()


def test_the_books_balance_by_item(shop: Shop) -> None:
    """Law 3: received + made = on hand - unbooked + used + sold less returned + disposed + what counts found missing."""
    batch = shop.make(12)["batch"]["code"]
    shop.order(6)
    shop.ship()
    shop.post("orders/o-1/returns", batch=batch, units=2, condition="dented")
    shop.post("disposals", lot=batch, quantity=1, reason="tester")
    shop.post("counts", lot=batch, counted=4)  # one is missing
    shop.order(9, "o-2")
    shop.ship("o-2")  # 4 are there, 5 are beyond the books
    salve = shop.stock()
    moved: dict[str, int] = {}
    for one in shop.get("products/salve/movements?limit=200")["items"]:
        if one["lot"] is not None or one["kind"] == "shipment":
            moved[one["kind"]] = moved.get(one["kind"], 0) + one["quantity"]
    assert moved == {"run": 12, "shipment": -15, "return": 2, "disposal": -1, "count": -1}
    assert moved["run"] == (salve["on_hand"] - salve["unbooked"]) + (15 - 2) + 1 + 1
    assert (salve["on_hand"], salve["quarantined"], salve["unbooked"]) == (2, 2, 5)
    assert shop.verified()


def test_two_who_ship_the_same_order_at_once_ship_it_once(shop: Shop) -> None:
    shop.make(10)
    shop.order(6)

    def ship(_: int) -> int:
        with shop.server.client(shop.client.headers["Authorization"].removeprefix("Bearer ")) as client:
            return client.post("/v1/orders/o-1/shipments", json={}).status_code

    with ThreadPoolExecutor(6) as pool:
        assert sorted(pool.map(ship, range(6))) == [201, 409, 409, 409, 409, 409]
    assert shop.stock()["on_hand"] == 4
    assert shop.verified()
