"""Orders over the API: accepted, changed, cancelled; their states follow what was shipped; customers' terms."""

from pathlib import Path

import httpx
import pytest
from conftest import Server
from contract.inprocess import running
from contract.registry import World
from orders.shop import Shop, opened
from sqlalchemy import text

from service.actions.verify import verify
from service.store.engine import make_engine
from service.store.writer import Reader


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


def test_an_order_is_shown_as_it_was_accepted(shop: Shop) -> None:
    lines = [{"product": "salve", "units": 12, "unit_price": "6,40"}, {"product": "salve", "units": 2, "unit_price": 0}]
    made = shop.post("orders", reference="W-7 #2", channel="wholesale", customer="Café Ólafur", due_on=shop.day(9), lines=lines)
    assert made == shop.get("orders/W-7%20%232") == shop.get("orders")["items"][0]
    shown = {name: made[name] for name in ("channel", "customer", "placed_on", "due_on", "ship_by", "state", "total", "note")}
    assert shown == {
        "channel": "wholesale", "customer": "Café Ólafur", "placed_on": shop.day(0), "due_on": shop.day(9),
        "ship_by": shop.day(9), "state": "open", "total": 76.8, "note": None,
    }  # fmt: skip
    first = {
        "line": 1,
        "product": "salve",
        "units": 12,
        "unit_price": 6.4,
        "shipped": 0,
        "returned": 0,
        "open": 12,
        "imported": False,
    }
    assert made["lines"] == [first, first | {"line": 2, "units": 2, "unit_price": 0, "open": 2}]
    assert made["sentence"] == f"Order W-7 #2 for Café Ólafur is open: 14 to ship, due on {shop.said(9)}."


def test_a_reference_belongs_to_one_order_and_may_be_left_to_the_service(shop: Shop) -> None:
    shop.order(1, "O-0001")
    assert shop.order(1, "O-0001", 409)["type"] == "/problems/code-taken"
    made = shop.post("orders", lines=[{"product": "salve", "units": 1}])
    assert made["reference"] == "O-0002"  # the service's own number, past the one that is taken
    assert made["total"] is None  # a price that is not told is not known


def test_what_cannot_be_an_order_is_refused(shop: Shop) -> None:
    assert shop.order(1, placed_on=shop.day(1), expect=422)["errors"][0]["pointer"] == "#/placed_on"
    for reference in ("a/b", " a", "..", "a\nb", "x" * 65):
        assert shop.order(1, reference, 422)["errors"][0]["pointer"] == "#/reference"
    said = shop.post("orders", 404, lines=[{"product": "shea", "units": 1}])
    assert said["errors"][0]["pointer"] == "#/lines/0/product"
    shop.post("orders", 422, lines=[])
    assert shop.get("orders") == {"items": []}


def test_the_state_follows_shipments_and_their_reversal(shop: Shop) -> None:
    shop.make(10)
    shop.order(10)
    first = shop.ship(lines=[{"product": "salve", "units": 4}])
    order = shop.get("orders/o-1")
    assert (order["state"], order["lines"][0]["shipped"], order["lines"][0]["open"]) == ("partly_shipped", 4, 6)
    second = shop.ship()
    order = shop.get("orders/o-1")
    assert (order["state"], order["lines"][0]["open"]) == ("shipped", 0)
    assert order["shipments"] == [first["shipment"], second["shipment"]]
    assert shop.ship(expect=409)["state"] == "shipped"
    shop.post("reversals", document=second["shipment"], reason="came back at once")
    order = shop.get("orders/o-1")
    assert (order["state"], order["lines"][0]["open"], order["shipments"]) == ("partly_shipped", 6, [first["shipment"]])
    shop.post("reversals", document=first["shipment"], reason="a mistake")
    assert shop.get("orders/o-1")["state"] == "open"
    assert shop.stock()["on_hand"] == 10
    assert shop.verified()


def test_lines_change_only_while_nothing_is_shipped(shop: Shop) -> None:
    shop.make(4)
    shop.order(3)
    changed = shop.patch("orders/o-1", lines=[{"product": "salve", "units": 4}], due_on=shop.day(5), customer="Nell", note="gift")
    assert changed["lines"][0]["units"] == 4
    assert (changed["due_on"], changed["customer"], changed["note"]) == (shop.day(5), "Nell", "gift")
    sent = shop.ship(lines=[{"product": "salve", "units": 1}])["shipment"]
    assert shop.patch("orders/o-1", 409, lines=[{"product": "salve", "units": 2}])["state"] == "partly_shipped"
    shop.post("reversals", document=sent, reason="a mistake")
    assert shop.patch("orders/o-1", lines=[{"product": "salve", "units": 2}])["lines"][0]["open"] == 2


def test_a_cancelled_order_claims_nothing_until_it_is_open_again(shop: Shop) -> None:
    shop.order(5)
    assert shop.stock("shea")["claimed"] == 300
    assert shop.patch("orders/o-1", state="cancelled")["lines"][0]["open"] == 0
    assert shop.stock("shea")["claimed"] == 0
    shop.ship(expect=409)
    assert shop.patch("orders/o-1", state="open")["state"] == "open"
    assert shop.stock("shea")["claimed"] == 300


def test_a_shipped_order_cannot_be_cancelled(shop: Shop) -> None:
    shop.make(1)
    shop.order(1)
    shop.ship()
    assert shop.patch("orders/o-1", 409, state="cancelled")["state"] == "shipped"


def test_an_order_is_changed_only_as_it_was_read(shop: Shop) -> None:
    shop.order(1)
    tag = shop.client.get("/v1/orders/o-1").headers["etag"]
    shop.patch("orders/o-1", note="first")
    late = shop.client.patch("/v1/orders/o-1", json={"note": "second"}, headers={"If-Match": tag})
    assert late.status_code == 412
    assert shop.get("orders/o-1")["note"] == "first"


def test_customers_have_terms_and_are_known_by_their_orders(shop: Shop) -> None:
    shop.order(1, customer="Corner shop", due_on=shop.day(10), channel="wholesale")
    none = {"customer": "Corner shop", "transit_days": 0, "min_life_days": 0, "smallest_order": None, "open_orders": ["o-1"]}
    assert shop.get("customers/Corner%20shop") == none
    told = shop.patch("customers/Corner%20shop", transit_days=3, smallest_order="8,50")
    assert told == none | {"transit_days": 3, "smallest_order": 8.5}
    order = shop.get("orders/o-1")
    assert order["ship_by"] == shop.day(7)
    assert [one["type"] for one in order["warnings"]] == ["below-smallest-order"]  # 8 is less than 8.50
    assert shop.patch("customers/Nobody%20yet", min_life_days=90)["min_life_days"] == 90
    assert [one["customer"] for one in shop.get("customers")["items"]] == ["Corner shop", "Nobody yet"]
    shop.get("customers/Somebody%20else", 404)
    shop.patch("customers/Corner%20shop", 422, transit_days=None)


def test_invoice_numbers_and_customers_with_slashes_are_addressed_too(shop: Shop) -> None:
    """A shop's export has them: the order is shipped, the customer has terms."""
    batch = shop.make(4)["batch"]["code"]
    rows = f"RE/2026/7,{shop.day(-1)},{shop.day(9)},Nell/Co?,salve,3,open"
    shop.post("imports/orders", csv=f"order,date,due,customer,product,units,status\n{rows}\n")
    reference, customer = "orders/RE%2F2026%2F7", "customers/Nell%2FCo%3F"
    assert shop.patch(customer, transit_days=2)["open_orders"] == ["RE/2026/7"]
    assert shop.get(customer)["customer"] == "Nell/Co?"
    assert shop.get(reference)["ship_by"] == shop.day(7)
    assert shop.patch(reference, note="by post")["note"] == "by post"
    assert shop.post(f"{reference}/shipments")["order"] == "RE/2026/7"
    assert shop.post(f"{reference}/returns", batch=batch, units=1, condition="dented")["customer"] == "Nell/Co?"
    assert shop.get("orders/RE/2026/7")["state"] == "shipped"
    shop.get("orders/RE%2F2026%2F8", 404)


def test_orders_are_listed_by_state_channel_and_customer(shop: Shop) -> None:
    shop.order(1, "a", channel="wholesale", customer="Nell")
    shop.order(1, "b", channel="market")
    shop.order(1, "c", customer="Nell")
    shop.patch("orders/c", state="cancelled")
    for query, found in (("", "cba"), ("state=open", "ba"), ("channel=wholesale", "a"), ("customer=Nell", "ca"),
                         ("state=open&customer=Nell", "a")):  # fmt: skip
        assert [one["reference"] for one in shop.get(f"orders?{query}")["items"]] == list(found)


def test_cases_warn_where_they_are_not_whole(shop: Shop) -> None:
    assert shop.patch("products/salve", case_units=6)["case_units"] == 6
    warned = [{"type": "not-whole-cases", "sentence": "8 of Salve, 100 g are not whole cases of 6.", "product": "salve",
               "units": 8, "case_units": 6}]  # fmt: skip
    assert shop.order(8, channel="wholesale")["warnings"] == warned
    assert shop.order(8, "r-1", channel="retail")["warnings"] == []
    assert shop.plan(8)["warnings"] == warned
    assert shop.plan(12)["warnings"] == []
    asked = {"wants": [{"product": "salve", "units": 3}, {"product": "salve", "units": 5}]}
    assert shop.post("checks", 200, **asked)["warnings"] == warned
    assert [shop.post("checks", 200, order=one)["warnings"] for one in ("o-1", "r-1")] == [warned, []]
    shop.make(12)
    assert warned[0] in shop.ship()["warnings"]
    assert "not-whole-cases" not in str(shop.ship("r-1"))
    assert shop.patch("products/salve", case_units=None)["case_units"] is None
    assert shop.post("checks", 200, **asked)["warnings"] == []


def test_verify_sees_an_order_whose_state_is_not_what_its_shipments_make_it(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/books.db"
    with running(url) as house, house.client(house.new_workshop()) as client:
        world = World(client)
        half = world.order()
        world.post(f"orders/{half}/shipments", lines=[{"product": world.product, "units": 1}])
    engine = make_engine(url, 2)
    assert Reader(engine).read(verify) == []
    with engine.begin() as connection:
        connection.execute(text("""UPDATE "order" SET state = 'open' WHERE workshop_id IS NOT NULL"""))
    assert [said.partition(": ")[2] for said in Reader(engine).read(verify)] == [
        f"law 3: order {half} says open, its shipments make it partly_shipped"
    ]
    engine.dispose()
