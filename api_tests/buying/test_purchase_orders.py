"""Purchase orders: drafted from offers or free, said to the supplier, printed, placed, cancelled."""

from datetime import timedelta
from typing import Any

from buying.deals import TODAY, draft, house_, kinds, mill, offer, open_, owner_, placed, shown  # noqa: F401 (fixtures)
from conftest import Bench
from contract.inprocess import House

PRINTED = "text/html,application/xhtml+xml,*/*;q=0.8"  # as a browser asks


def test_a_draft_of_offers_and_free_lines_by_hand(bench: Bench) -> None:
    """3 packs at the price of two or more (55), 2 packs of half a kilogram at 7.25: 165 + 14.50, delivery free from 100."""
    mill(bench)
    shea = offer(bench, "shea", 5, "kg", 60, breaks=[{"packs": 2, "price": 55}], article="SB-5")
    code = draft(
        bench, {"offer": shea, "packs": 3}, {"material": "wax", "packs": 2, "quantity": "0,5", "unit": "kg", "price": 7.25}
    )
    order = shown(bench, code)
    assert (order["state"], order["currency"], order["placed_on"], order["late"]) == ("draft", "EUR", None, False)
    assert (order["goods"], order["delivery"], order["total"]) == (179.5, 0, 179.5)
    assert [(line["quantity"], line["price"], line["cost"], line["open"]) for line in order["lines"]] == [
        (15_000, 55, 165, 0), (1000, 7.25, 14.5, 0),
    ]  # fmt: skip
    assert order["lines"][1]["pack"] == {"quantity": 0.5, "unit": "kg"}
    assert order["sentence"] == f"Purchase order {code} to The Mill is a draft: 2 lines, 179.50 EUR."
    workshop = bench.get("workshop")["name"]
    text = bench.client.get(f"/v1/purchase-orders/{code}", headers={"Accept": "text/plain"})
    assert text.headers["content-type"].startswith("text/plain")
    assert text.text == order["message"] + "\n"
    assert order["message"].splitlines() == [
        f"Order {code} from {workshop}",
        "3 x 5 kg Shea butter (article SB-5), 55.00 EUR each",
        "2 x 0.5 kg Beeswax, 7.25 EUR each",
        "Goods 179.50 EUR, delivery free, total 179.50 EUR",
    ]


def test_what_a_page_to_print_shows_is_escaped(bench: Bench) -> None:
    bench.post("suppliers", code="mill", name="Mill & <b>Sons</b>", delivery_charge=9)
    shea = offer(bench, "shea", 5, "kg", 60, article='"><script>alert(1)</script>')
    tins = {"material": "tin", "quantity": 50, "price": 0}
    code = draft(bench, {"offer": shea, "packs": 1}, tins, note="ring <the bell>\nside door")
    page = bench.client.get(f"/v1/purchase-orders/{code}", headers={"Accept": PRINTED})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "<script" not in page.text
    assert "<b>" not in page.text
    assert "Mill &amp; &lt;b&gt;Sons&lt;/b&gt;" in page.text
    assert "ring &lt;the bell&gt;<br>side door" in page.text
    assert "http" not in page.text, "nothing is loaded from anywhere"
    for part in (
        f"<h1>Order {code} from {bench.get('workshop')['name']}</h1>",
        "Shea butter",
        "5 kg",
        "50 pieces",
        "60.00",
        "9.00",
        "69.00",
    ):
        assert part in page.text
    assert bench.client.get(f"/v1/purchase-orders/{code}").headers["content-type"] == "application/json"
    assert bench.client.get(f"/v1/purchase-orders/{code}", headers={"Accept": "*/*"}).json()["code"] == code


def test_a_draft_says_what_no_longer_holds(bench: Bench) -> None:
    mill(bench)
    shea = offer(bench, "shea", 1, "kg", 12)
    code = draft(bench, {"offer": shea, "packs": 1})
    assert kinds(shown(bench, code)) == ["below-smallest-order"]
    bench.client.patch(f"/v1/offers/{shea}", json={"price": 21})
    assert kinds(shown(bench, code)) == ["below-smallest-order", "offer-differs"]
    changed = bench.client.patch(f"/v1/purchase-orders/{code}", json={"lines": [{"offer": shea, "packs": 1}]}).json()
    assert (changed["goods"], changed["delivery"], kinds(changed)) == (21, 9, [])
    bench.client.patch(f"/v1/offers/{shea}", json={"valid_until": str(TODAY - timedelta(days=1))})
    assert kinds(shown(bench, code)) == ["offer-not-valid"]
    bench.client.patch(f"/v1/purchase-orders/{code}", json={"lines": [{"offer": shea, "packs": 1, "price": 20.5}]})
    assert shown(bench, code)["goods"] == 20.5


def test_a_price_that_is_not_known_is_not_nothing(bench: Bench) -> None:
    mill(bench)
    code = draft(bench, {"material": "wax", "quantity": 500})
    order = shown(bench, code)
    assert (order["goods"], order["delivery"], order["total"], order["lines"][0]["cost"]) == (None, None, None, None)
    assert order["message"].splitlines()[1:] == ["1 x 500 g Beeswax, price to be confirmed"]


def test_placing_dates_and_closing(bench: Bench) -> None:
    mill(bench)
    lines = {"material": "wax", "quantity": 1000, "price": 40}, {"material": "tin", "quantity": 50, "price": 20}
    code = draft(bench, *lines)
    order: Any = bench.post(f"purchase-orders/{code}/placement", 200)
    assert (order["state"], order["placed_on"], order["expected_on"]) == ("placed", str(TODAY), str(TODAY + timedelta(days=7)))
    assert (order["delivery"], open_(bench, code)) == (9, [1000, 50])
    assert order["sentence"].startswith(
        f"Purchase order {code} to The Mill is placed: 2 lines, 69.00 EUR; Beeswax and Tin awaited, "
    )
    bench.client.patch("/v1/suppliers/mill", json={"delivery_charge": 20})
    assert shown(bench, code)["delivery"] == 9, "what was placed stands"
    bench.post(f"purchase-orders/{code}/placement", 409)
    patch: Any = lambda **body: bench.client.patch(f"/v1/purchase-orders/{code}", json=body)  # noqa: E731
    assert patch(lines=[lines[0]]).status_code == 409
    earlier = TODAY - timedelta(days=9)
    moved = patch(placed_on=str(earlier)).json()
    assert (moved["expected_on"], moved["late"]) == (str(earlier + timedelta(days=7)), True)
    moved = patch(expected_on=str(TODAY + timedelta(days=2)), placed_on=str(TODAY), note="rang them").json()
    assert (moved["expected_on"], moved["late"], moved["note"]) == (str(TODAY + timedelta(days=2)), False, "rang them")
    assert patch(placed_on=str(TODAY + timedelta(days=1))).json()["errors"][0]["pointer"] == "#/placed_on"
    assert patch(expected_on=str(earlier)).json()["errors"][0]["pointer"] == "#/expected_on"
    assert patch(closed=[3]).json()["errors"][0]["pointer"] == "#/closed/0"
    assert patch(closed=[1, 2]).status_code == 409, "then it is cancelled"
    assert [line["open"] for line in patch(closed=[2]).json()["lines"]] == [1000, 0]
    assert bench.get("materials/tin")["on_order"] == 0
    assert [line["open"] for line in patch(closed=[]).json()["lines"]] == [1000, 50]
    assert bench.get("materials/tin")["on_order"] == 50


def test_an_order_is_cancelled_while_nothing_came(bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1000, "price": 40})
    assert bench.get("materials/wax")["on_order"] == 1000
    cancelled: Any = bench.post(f"purchase-orders/{code}/cancellation", 200, reason="out of stock there")
    assert (cancelled["state"], cancelled["lines"][0]["open"]) == ("cancelled", 0)
    assert bench.get("materials/wax")["on_order"] == 0
    for act in ("placement", "cancellation", "deliveries"):
        assert bench.post(f"purchase-orders/{code}/{act}", 409)["state"] == "cancelled"
    assert bench.client.patch(f"/v1/purchase-orders/{code}", json={"closed": [1]}).status_code == 409
    half = placed(bench, {"material": "wax", "quantity": 1000, "price": 40})
    bench.post(f"purchase-orders/{half}/deliveries", lines=[{"line": 1, "quantity": 400}])
    refused = bench.post(f"purchase-orders/{half}/cancellation", 409)
    assert refused["detail"] == f"purchase order {half} is partly received: close the lines that will not come"


def test_orders_are_found(bench: Bench) -> None:
    mill(bench)
    bench.post("suppliers", code="abbey", name="Abbey", lead_time_days=2)
    wax = {"material": "wax", "quantity": 1000, "price": 40}
    late = placed(bench, wax, on=TODAY - timedelta(days=30))
    soon = placed(bench, {"material": "oil", "quantity": 1000, "price": 40})
    other = str(bench.post("purchase-orders", supplier="abbey", lines=[wax])["code"])
    codes: Any = lambda query: [one["code"] for one in bench.get(f"purchase-orders?{query}")["items"]]  # type: ignore[attr-defined] # noqa: E731
    assert codes("") == [other, soon, late]
    assert codes("state=placed") == [soon, late]
    assert codes("supplier=abbey") == [other]
    assert codes("material=wax") == [other, late]
    assert codes("late=true") == [late]
    assert codes("supplier=none") == []
    unknown: Any = bench.client.get("/v1/purchase-orders?state=lost").json()["errors"][0]
    assert (unknown["parameter"], unknown["allowed"].split()[:3]) == ("state", ["one", "of", "'draft',"])
    bench.post(f"purchase-orders/{late}/deliveries")
    assert codes("late=true") == []


WRONG_LINES: list[tuple[dict[str, Any], int, str]] = [
    ({"offer": "F-9999"}, 404, "#/lines/0/offer"),
    ({"offer": "F-0002"}, 404, "#/lines/0/offer"),  # another supplier's
    ({"offer": "F-0001", "packs": 2}, 422, "#/lines/0/packs"),  # at least three
    ({"offer": "F-0001", "packs": 3, "quantity": 5}, 422, "#/lines/0"),
    ({"offer": "F-0001", "material": "shea", "quantity": 5}, 422, "#/lines/0"),
    ({"material": "shea"}, 422, "#/lines/0"),
    ({"material": "balm-50", "quantity": 5}, 404, "#/lines/0/material"),
    ({"material": "shea", "quantity": 5, "unit": "l"}, 422, "#/lines/0/unit"),
    ({"material": "shea", "quantity": 0}, 422, "#/lines/0/quantity"),
    ({"material": "shea", "quantity": 900_000_000, "packs": 900_000}, 422, "#/lines/0/packs"),
]


def test_what_is_wrong_about_a_line_is_said(bench: Bench) -> None:
    mill(bench)
    bench.post("suppliers", code="abbey", name="Abbey")
    offer(bench, "shea", 1, "kg", 12, least_packs=3)
    offer(bench, "shea", 1, "kg", 12, supplier="abbey")
    for line, status, pointer in WRONG_LINES:
        refused: Any = bench.post("purchase-orders", status, supplier="mill", lines=[line])
        assert refused["errors"][0]["pointer"] == pointer
    assert bench.get("purchase-orders")["items"] == []


def test_a_phone_books_deliveries_and_orders_nothing(house: House, bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1000, "price": 40})
    phone: Any = bench.post("tokens", name="phone", scopes=["record"])
    with house.client(phone["token"]) as client:
        line = {"material": "wax", "quantity": 1000}
        assert client.post("/v1/purchase-orders", json={"supplier": "mill", "lines": [line]}).status_code == 403
        assert client.post("/v1/suppliers", json={"code": "x", "name": "X"}).status_code == 403
        assert client.get(f"/v1/purchase-orders/{code}").status_code == 200
        assert client.post(f"/v1/purchase-orders/{code}/deliveries", json={}).status_code == 201
