"""A delivery note booked whole: shares that sum exactly, money at a rate, ordered against delivered, and taken back."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from decimal import Decimal
from typing import Any

from buying.deals import TODAY, broken, house_, kinds, mill, offer, open_, owner_, placed, shown  # noqa: F401 (fixtures)
from conftest import Bench
from contract.inprocess import House

WAX = {"material": "wax", "quantity": 500, "price": 30}
THREE = [WAX, {"material": "oil", "quantity": 500, "price": 30}, {"material": "shea", "quantity": 500, "price": 30}]


def lot(bench: Bench, code: str) -> Any:
    return bench.get(f"lots/{code}")


def test_the_delivery_charge_is_shared_to_the_last_millionth(house: House, bench: Bench) -> None:
    """10 over three equal lines: 3.333334 and twice 3.333333."""
    mill(bench)
    made: Any = bench.post("deliveries", supplier="mill", delivery_charge=10, lines=THREE, note_number="DN 1")
    assert [line["delivery_share"] for line in made["lines"]] == [3.333334, 3.333333, 3.333333]
    assert [line["cost"] for line in made["lines"]] == [33.333334, 33.333333, 33.333333]
    assert (made["charged"], made["delivery_charge"], made["cost"], made["rate"]) == (90, 10, 100, 1)
    assert sum(Decimal(str(lot(bench, line["lot"])["cost"])) for line in made["lines"]) == 100
    assert [lot(bench, line["lot"])["supplier"] for line in made["lines"]] == ["The Mill"] * 3
    assert (made["purchase_order"], made["state"], made["warnings"]) == (None, None, [])
    again = bench.get(f"deliveries/{made['delivery']}")
    assert again == made | {"moved": []}
    assert bench.get("deliveries?supplier=mill")["items"] == [again]
    assert broken(house) == []


def test_shares_follow_value_and_containers_share_their_line(bench: Bench) -> None:
    """6 over 10 and 20: 2 and 4. Two containers of the second bear 12 each; a gift of the house bears nothing."""
    mill(bench)
    lines = [
        {"material": "wax", "quantity": 1000, "price": 10},
        {"material": "oil", "packs": 2, "quantity": 1, "unit": "kg", "price": 10, "containers": 2, "supplier_lot": "O-7"},
        {"material": "tin", "quantity": 5, "price": 0, "status": "quarantined"},
    ]
    made: Any = bench.post("deliveries", supplier="mill", delivery_charge=6, lines=lines)
    assert [(line["delivery_share"], line["cost"]) for line in made["lines"]] == [(2, 12), (4, 24), (0, 0)]
    assert [lot(bench, code)["cost"] for code in made["lines"][1]["lots"]] == [12, 12]
    assert lot(bench, made["lines"][1]["lot"])["supplier_lot"] == "O-7"
    assert lot(bench, made["lines"][2]["lot"])["status"] == "quarantined"
    given: Any = bench.get(f"receipts/{made['lines'][1]['receipt']}")
    assert (given["given"], given["delivery"], given["purchase_order"]) == ({"quantity": 2, "unit": "kg"}, made["delivery"], None)
    free: Any = bench.post("deliveries", supplier="mill", delivery_charge=4, lines=[line | {"price": 0} for line in lines[:2]])
    assert [line["cost"] for line in free["lines"]] == [2, 2], "without a value it is shared evenly"


def test_other_money_is_converted_half_to_even_to_the_millionth(bench: Bench) -> None:
    """10.01 x 1.2345678 = 12.358023678, and 1 x 1.2345678 for delivery; at a rate of a half 0.000003 is 0.0000015: 0.000002."""
    mill(bench, currency="GBP", rate="1.2")
    line = {"material": "wax", "quantity": 500, "price": "10.01"}
    made: Any = bench.post("deliveries", supplier="mill", rate="1.2345678", delivery_charge=1, lines=[line])
    assert (made["currency"], made["rate"], made["charged"], made["delivery_charge"]) == ("GBP", 1.2345678, 10.01, 1)
    assert (made["lines"][0]["delivery_share"], made["cost"]) == (1.234568, 13.592592)
    known: Any = bench.post("deliveries", supplier="mill", lines=[line | {"price": 10}])
    assert (known["rate"], known["cost"]) == (1.2, 12), "the supplier's rate, where none is told"
    half: Any = bench.post(
        "deliveries", supplier="mill", rate="0.5", lines=[line | {"price": "0.000003"}, line | {"price": "0.000001"}]
    )
    assert [one["cost"] for one in half["lines"]] == [0.000002, 0]
    dollars: Any = bench.post("deliveries", 422, supplier="mill", currency="USD", lines=[line])
    assert dollars["errors"][0]["pointer"] == "#/rate"
    assert bench.post("deliveries", supplier="mill", currency="USD", rate=2, lines=[line])["cost"] == 20.02
    refused: Any = bench.post("deliveries", 422, supplier="mill", currency="EUR", rate=2, lines=[line])
    assert refused["errors"][0]["pointer"] == "#/rate"


def test_all_that_was_ordered_came_as_ordered(bench: Bench) -> None:
    mill(bench)
    shea = offer(bench, "shea", 5, "kg", 60, breaks=[{"packs": 2, "price": 50}])
    code = placed(bench, {"offer": shea, "packs": 2}, {"material": "tin", "quantity": 100, "price": 20})
    made: Any = bench.post(f"purchase-orders/{code}/deliveries")
    assert (made["state"], made["purchase_order"], made["warnings"]) == ("received", code, [])
    assert [(line["line"], line["quantity"], line["cost"]) for line in made["lines"]] == [(1, 10_000, 100), (2, 100, 20)]
    order = shown(bench, code)
    assert [(line["received"], line["open"], len(line["receipts"])) for line in order["lines"]] == [(10_000, 0, 1), (100, 0, 1)]
    assert order["deliveries"] == [made["delivery"]]
    assert made["sentence"].startswith(f"Delivery {made['delivery']} from The Mill: 10 kg of Shea butter booked as lot ")
    assert made["sentence"].endswith(f"Purchase order {code} is received.")
    refused: Any = bench.post(f"purchase-orders/{code}/deliveries", 422)
    assert refused["errors"][0]["pointer"] == "#/lines"


def test_ordered_against_delivered(bench: Bench) -> None:
    """Ordered: 2 x 5 kg at 60, 100 tins for 20, delivery free. Came: one pack at 62, 110 tins, wax, and 9 for delivery."""
    mill(bench)
    shea = offer(bench, "shea", 5, "kg", 60)
    code = placed(bench, {"offer": shea, "packs": 2}, {"material": "tin", "quantity": 100, "price": 20})
    lines = [{"line": 1, "packs": 1, "price": 62}, {"material": "tin", "quantity": 110, "price": 20}, WAX]
    made: Any = bench.post(f"purchase-orders/{code}/deliveries", lines=lines, delivery_charge=9)
    assert kinds(made) == [
        "quantity-differs", "price-differs", "quantity-differs", "price-differs", "not-ordered", "delivery-charge-differs",
    ]  # fmt: skip
    said = [warning["sentence"] for warning in made["warnings"]]
    assert said[0] == "Line 1, Shea butter: 5 kg came of 10 kg awaited; 5 kg still to come."
    assert said[1] == "Line 1, Shea butter: 62.00 EUR was charged for 5 kg, by the order it is 60.00 EUR."
    assert said[2] == "Line 2, Tin: 110 pieces came, 10 pieces more than was awaited."
    assert (made["warnings"][3]["ordered"], made["warnings"][3]["charged"]) == (22, 20)
    assert said[5] == "Delivery: 9.00 EUR was charged, by the order it is 0.00 EUR."
    assert [line["line"] for line in made["lines"]] == [1, 2, None]
    assert (made["state"], open_(bench, code), bench.get("materials/shea")["on_order"]) == ("partly_received", [5000, 0], 5000)
    last: Any = bench.post(
        f"purchase-orders/{code}/deliveries", lines=[{"line": 1, "quantity": "4.9", "unit": "kg", "close": True}]
    )
    assert kinds(last) == ["quantity-differs"]
    assert last["warnings"][0]["sentence"].endswith("4.9 kg came of 5 kg awaited; no more is awaited.")
    assert last["lines"][0]["charged"] == 58.8, "4.9 kg of what costs 60 for 5"
    assert (last["state"], shown(bench, code)["lines"][0]["closed"]) == ("received", True)


def test_two_lots_of_one_line_are_looked_at_together(bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "packs": 2, "quantity": 1, "unit": "kg", "price": 15})
    lines = [{"line": 1, "packs": 1, "supplier_lot": "A", "expires_on": "2035-01"}, {"line": 1, "supplier_lot": "B"}]
    made: Any = bench.post(f"purchase-orders/{code}/deliveries", lines=lines, delivery_charge=9)
    assert (made["warnings"], made["state"]) == ([], "received")
    assert [(line["quantity"], line["supplier_lot"], line["cost"]) for line in made["lines"]] == [
        (1000, "A", 19.5),
        (1000, "B", 19.5),
    ]
    assert made["lines"][0]["expires_on"] == "2035-01-31"


def test_its_sentence_says_which_lot_came_too_old(bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1, "unit": "kg"}, {"material": "shea", "quantity": 1, "unit": "kg"})
    made: Any = bench.post(f"purchase-orders/{code}/deliveries", lines=[{"line": 1, "expires_on": "2020-05"}, {"line": 2}])
    assert kinds(made) == ["lot-expired"]
    assert (
        f"booked as lot {made['lines'][0]['lot']}. This lot expired on 2020-05-31: it will not be drawn. 1 kg of Shea"
        in (made["sentence"])
    )


def test_a_reversal_opens_the_line_again_and_a_correction_follows(house: House, bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1000, "price": 40}, {"material": "tin", "quantity": 10, "price": 5})
    made: Any = bench.post(f"purchase-orders/{code}/deliveries", lines=[{"line": 1, "quantity": 900, "close": True}, {"line": 2}])
    wax, tin = (line["receipt"] for line in made["lines"])
    assert (made["state"], open_(bench, code)) == ("received", [0, 0])
    bench.post("reversals", document=wax, reason="another mill's")
    assert (shown(bench, code)["state"], open_(bench, code)) == ("partly_received", [1000, 0])
    assert [line["reversed"] for line in bench.get(f"deliveries/{made['delivery']}")["lines"]] == [True, False]  # type: ignore[attr-defined]
    bench.post(f"receipts/{tin}/correction", quantity=7)
    assert (shown(bench, code)["state"], open_(bench, code)) == ("partly_received", [1000, 3])
    bench.post("reversals", document=tin, reason="not ours")
    assert (shown(bench, code)["state"], open_(bench, code)) == ("placed", [1000, 10])
    bench.post(f"purchase-orders/{code}/cancellation", 200)
    assert broken(house) == []


def test_a_plain_receipt_may_be_for_a_line(bench: Bench) -> None:
    mill(bench)
    wax = {"material": "wax", "quantity": 1000, "price": 40}
    code = placed(bench, wax, {"material": "tin", "quantity": 10, "price": 5}, wax)
    came: Any = bench.post("receipts", material="tin", quantity=10, cost=6, purchase_order=code)
    assert (came["purchase_order"], came["line"], came["delivery"], came["supplier"]) == (code, 2, None, "The Mill")
    assert kinds(came) == ["price-differs"]
    assert bench.get(f"receipts/{came['receipt']}")["line"] == 2
    body = {"material": "wax", "quantity": 950, "purchase_order": code}
    refused: Any = bench.post("receipts", 422, **body)
    assert (refused["errors"][0]["pointer"], refused["errors"][0]["allowed"]) == ("#/line", "1, 3")
    came = bench.post("receipts", **body, line=3, close=True)
    assert (kinds(came), open_(bench, code)) == (["quantity-differs"], [1000, 0, 0])
    for wrong, status in ((body | {"line": 2}, 422), (body | {"line": 9}, 422), (body | {"purchase_order": "P-9"}, 404)):
        bench.post("receipts", status, **wrong)
    bench.post("receipts", 422, material="wax", quantity=5, close=True)
    plain: Any = bench.post("receipts", material="wax", quantity=5)
    assert (plain["purchase_order"], plain["line"], plain["delivery"]) == (None, None, None)


def test_a_late_delivery_note_settles_what_was_made_without_it(house: House, stocked: Bench) -> None:
    """Three days ago 3 kg of wax too little was there for a run; the note of four days ago is booked today."""
    mill(stocked)
    day = TODAY - timedelta(days=4)
    code = placed(stocked, {"material": "wax", "quantity": 4000, "price": 80}, on=day - timedelta(days=5))
    stocked.post("receipts", material="oil", quantity=10_000, cost=80)
    stocked.post("receipts", material="shea", quantity=10_000, cost=90)
    used = [{"material": "wax", "quantity": 2500}]
    made: Any = stocked.post("runs", product="balm-50", units=100, made_on=str(TODAY - timedelta(days=3)), used=used)
    assert [short["short"] for short in made["shortages"] if short["material"] == "wax"] == [2500]
    ask = {"delivered_on": str(day), "delivery_charge": 20}
    dry: Any = stocked.post(f"purchase-orders/{code}/deliveries", 200, **ask, dry_run=True)
    assert len(dry["moved"]) == 1
    assert shown(stocked, code)["state"] == "placed"
    assert stocked.get("deliveries")["items"] == []
    booked: Any = stocked.post(f"purchase-orders/{code}/deliveries", **ask)
    assert booked["moved"] == dry["moved"]
    moved = booked["moved"][0]
    assert (moved["item"], moved["from_lot"], moved["to_lot"], moved["quantity"]) == (
        "wax",
        None,
        booked["lines"][0]["lot"],
        2500,
    )
    assert moved["cost"] == 62.5, "(80 + 20) x 2.5 of 4 kg"
    assert lot(stocked, booked["lines"][0]["lot"])["on_hand"] == 1500
    assert "batch B-0001 now shows lot" in booked["sentence"]
    assert broken(house) == []


def test_all_or_nothing_and_once(bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1000, "price": 40}, {"material": "tin", "quantity": 3, "price": 5})
    path = f"/v1/purchase-orders/{code}/deliveries"
    wrong = {"lines": [{"line": 1}, {"line": 2, "containers": 9}]}  # found out when the first is booked already
    refused = bench.client.post(path, json=wrong)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "#/lines/1/containers")
    assert (bench.get("receipts")["items"], bench.get("deliveries")["items"], open_(bench, code)) == ([], [], [1000, 3])
    body = {"note_number": "77", "lines": [{"line": 1}]}
    first, again = (bench.client.post(path, json=body, headers={"Idempotency-Key": "note 77"}) for _ in range(2))
    assert (first.status_code, again.status_code, again.headers["idempotent-replay"]) == (201, 201, "true")
    assert first.json() == again.json()
    assert len(bench.get("receipts")["items"]) == 1  # type: ignore[arg-type]
    second: Any = bench.post(f"purchase-orders/{code}/deliveries", note_number="77", lines=[{"line": 2}])
    assert kinds(second) == ["note-booked-before"]
    assert second["warnings"][0]["deliveries"] == [first.json()["delivery"]]


WRONG_DELIVERIES: list[tuple[dict[str, Any], int, str]] = [
    ({"lines": [{"line": 3}]}, 422, "#/lines/0/line"),
    ({"lines": [{"line": 1, "material": "tin"}]}, 422, "#/lines/0/line"),
    ({"lines": [{"material": "none", "quantity": 1}]}, 404, "#/lines/0/material"),
    ({"lines": [{"material": "shea"}]}, 422, "#/lines/0/quantity"),
    ({"lines": [{"line": 1}, {"line": 1}]}, 422, "#/lines/1/quantity"),
    ({"lines": [{"line": 1, "quantity": 1, "unit": "l"}]}, 422, "#/lines/0/unit"),
    ({"lines": [{"material": "shea", "quantity": 5, "close": True}]}, 422, "#/lines/0/close"),
    ({"lines": [{"material": "shea", "quantity": 5}], "delivery_charge": 5}, 422, "#/lines/0/price"),
    ({"lines": [{"line": 1}], "currency": "USD", "rate": 2}, 422, "#/lines/0/price"),
    ({"delivered_on": str(TODAY + timedelta(days=2))}, 422, "#/delivered_on"),
    ({"delivered_on": str(TODAY - timedelta(days=9))}, 422, "#/delivered_on"),
    ({"lines": [{"line": 1, "unit": "kg"}]}, 422, "#/lines/0"),
]


def test_what_is_wrong_about_a_delivery_is_said(bench: Bench) -> None:
    mill(bench)
    code = placed(bench, {"material": "wax", "quantity": 1000, "price": 40}, {"material": "tin", "quantity": 3, "price": 5})
    for body, status, pointer in WRONG_DELIVERIES:
        refused: Any = bench.post(f"purchase-orders/{code}/deliveries", status, **body)
        assert refused["errors"][0]["pointer"] == pointer
    assert bench.get("receipts")["items"] == []


def test_a_draft_is_not_received(bench: Bench) -> None:
    mill(bench)
    code = str(bench.post("purchase-orders", supplier="mill", lines=[WAX])["code"])
    assert bench.post(f"purchase-orders/{code}/deliveries", 409)["state"] == "draft"
    bench.post("purchase-orders/P-9/deliveries", 404)
    bench.post("deliveries", 404, supplier="none", lines=[WAX])
    bench.post("deliveries", 422, supplier="mill", lines=[])
    refused: Any = bench.post("deliveries", 422, supplier="mill", lines=[{"line": 1}])
    assert refused["errors"][0]["pointer"] == "#/lines/0/line"


def test_notes_with_the_same_materials_are_booked_at_once(house: House, bench: Bench) -> None:
    """In whatever order their lines stand, and whatever orders they are for: all are booked, none waits for ever."""
    mill(bench)
    codes = [placed(bench, *THREE) for _ in range(2)]

    def book(n: int) -> int:
        turn = [THREE[(at + n) % 3] for at in range(3)][:: 1 if n % 2 else -1]
        return bench.client.post(f"/v1/purchase-orders/{codes[n % 2]}/deliveries", json={"lines": turn}).status_code

    with ThreadPoolExecutor(6) as pool:
        assert set(pool.map(book, range(12))) == {201}
    for material in ("wax", "oil", "shea"):
        assert bench.get(f"materials/{material}")["on_hand"] == 6000
    assert [shown(bench, code)["state"] for code in codes] == ["received"] * 2
    assert broken(house) == []
