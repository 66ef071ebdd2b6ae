"""What a person at the bench found: openings, parts set apart, receipts corrected field by field, and the history."""

from typing import Any

import pytest
from late.desk import Desk
from test_examples import count, day, make, receive, stock, took

pytest_plugins = ["late.rooms"]


def facts(desk: Desk, lot: str, *names: str) -> list[Any]:
    shown = desk.ask("GET", f"lots/{lot}")
    return [shown[name] for name in names]


def test_a_disposal_opens_its_lot_whenever_it_is_told(desk: Desk) -> None:
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 5})
    receipt = receive(desk, 400, 10, expires_on="2031-06-30", cost=20)
    gone = {"lot": receipt["lot"], "quantity": 10, "reason": "tester", "disposed_on": day(18)}
    desk.ask("POST", "disposals", gone)
    in_order = facts(desk, receipt["lot"], "opened_on", "last_usable_day")
    assert in_order == [day(18), day(23)]
    desk.ask("POST", f"receipts/{receipt['receipt']}/correction", {"cost": 30})
    make(desk, 5, day(19))
    make(desk, 1, day(18))  # all is drawn again
    assert facts(desk, receipt["lot"], "opened_on", "last_usable_day") == in_order


def test_a_batch_of_unknown_cost_is_no_estimate_whenever_it_is_told(desk: Desk) -> None:
    """`mix` takes oil and wax: of the oil a part is guessed at, of the wax nothing is known."""
    receive(desk, 10, 10, cost=1)
    first = desk.ask("POST", "runs", {"formula": "mix", "batch_g": 100, "made_on": day(12)})
    lot = first["batch"]["lots"][0]["lot"]
    assert facts(desk, lot, "cost", "estimated") == [None, False]
    receive(desk, 1, 9, cost=1)
    assert facts(desk, lot, "cost", "estimated") == [None, False]


def test_a_box_for_the_market_stays_out_of_production_in_every_redraw(desk: Desk) -> None:
    desk.ask("PATCH", "places/market", {"production": False})
    tub = receive(desk, 50, 10)["lot"]
    box = desk.ask("POST", f"lots/{tub}/splits", {"quantity": 10, "place": "market", "split_on": day(11)})["lot"]
    run = make(desk, 80, day(15))
    assert took(desk, run) == {tub: 40, None: 40}
    assert desk.house.proof(desk.workshop) == []
    make(desk, 5, day(14))
    assert took(desk, run) == {tub: 35, None: 45}
    assert facts(desk, box, "on_hand", "place") == [10, "market"]


def test_a_named_tub_is_opened_before_the_rest_is_drawn(desk: Desk) -> None:
    """Two tubs; 30 g are named of the second: it is open then, is to be used up first, and the first stays closed."""
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 5})
    first, second = receive(desk, 200, 10, containers=2, expires_on="2031-06-30")["lots"]
    run = make(desk, 80, day(15), lots=[{"material": "oil", "lot": second, "quantity": 30}])
    assert took(desk, run) == {second: 80}
    assert [facts(desk, lot, "opened_on") for lot in (first, second)] == [[None], [day(15)]]
    assert desk.house.proof(desk.workshop) == []


def test_two_lines_of_one_material_open_one_tub(desk: Desk) -> None:
    """The first line opens the named tub; the second, which names nothing, goes on with it."""
    lines = [{"material": "oil", "percent": 60}, {"material": "oil", "percent": 40}]
    desk.ask("POST", "formulas", {"code": "twice", "name": "Twice", "lines": lines})
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 5})
    first, second = receive(desk, 200, 10, containers=2, expires_on="2031-06-30")["lots"]
    named = [{"material": "oil", "lot": second, "quantity": 30}]
    run = desk.ask("POST", "runs", {"formula": "twice", "batch_g": 90, "made_on": day(15), "lots": named})
    assert [(one["lot"], one["quantity"]) for one in run["used"]] == [(second, 30), (second, 24), (second, 36)]
    assert facts(desk, first, "opened_on") == [None]
    assert desk.house.proof(desk.workshop) == []


def test_a_wrong_unit_is_put_right_by_the_unit_alone(desk: Desk) -> None:
    receipt = receive(desk, 5, 10, cost=25)
    run = make(desk, 700, day(12))
    path = f"receipts/{receipt['receipt']}/correction"
    assert desk.ask("POST", path, {"unit": "kg"})["quantity"] == 5000
    shown = desk.ask("GET", f"receipts/{receipt['receipt']}")
    assert (shown["quantity"], shown["given"]) == (5000, {"quantity": 5, "unit": "kg"})
    assert took(desk, run) == {receipt["lot"]: 700}
    desk.ask("POST", path, {"quantity": 6})
    assert desk.ask("POST", path, {"unit": "kg"})["quantity"] == 6000  # the last number that was told
    assert desk.ask("POST", path, {"unit": "piece"}, expect=(422,))["errors"][0]["pointer"] == "#/unit"


def test_a_null_says_that_there_is_none_or_is_refused(desk: Desk) -> None:
    receipt = receive(desk, 100, 10, expires_on=day(28), supplier_lot="A", cost=5)
    path = f"receipts/{receipt['receipt']}/correction"
    for name in ("quantity", "unit", "received_on", "cost"):
        assert desk.ask("POST", path, {name: None}, expect=(422,))["errors"][0]["pointer"] == f"#/{name}"
    desk.ask("POST", path, {"expires_on": None, "supplier_lot": None})
    names = ("expires_on", "expires_assumed", "supplier_lot", "cost", "last_usable_day")
    assert facts(desk, receipt["lot"], *names) == [None, False, None, 5, None]
    desk.ask("PATCH", "materials/oil", {"shelf_life_days": 30})
    desk.ask("POST", path, {"expires_on": None})
    assert facts(desk, receipt["lot"], *names[:2]) == ["2031-04-09", True]


def test_a_suppliers_lot_put_right_reaches_what_was_split_off(desk: Desk) -> None:
    receipt = receive(desk, 1000, 10, supplier_lot="T1", certificate="C1")
    part = desk.ask("POST", f"lots/{receipt['lot']}/splits", {"quantity": 300, "split_on": day(11)})["lot"]
    again = desk.ask("POST", f"lots/{part}/splits", {"quantity": 100, "split_on": day(12)})["lot"]
    desk.ask("PATCH", f"lots/{part}", {"certificate": "its own"})
    desk.ask("POST", f"receipts/{receipt['receipt']}/correction", {"supplier_lot": "T2", "certificate": "C2", "cost": 10})
    assert facts(desk, part, "supplier_lot", "certificate", "cost") == ["T2", "its own", 2]
    assert facts(desk, again, "supplier_lot", "cost") == ["T2", 1]


def test_a_lot_that_never_was_is_not_counted(desk: Desk) -> None:
    receipt = receive(desk, 500, 10)
    part = desk.ask("POST", f"lots/{receipt['lot']}/splits", {"quantity": 50, "split_on": day(11)})
    run = make(desk, 100, day(12))
    for paper in (run["batch"]["code"], part["split"], receipt["receipt"]):
        desk.ask("POST", "reversals", {"document": paper, "reason": "a mistake"})
    for lot in (receipt["lot"], part["lot"], run["batch"]["lots"][0]["lot"]):
        for at in (day(12), day(20)):
            refused = desk.ask("POST", "counts", {"lot": lot, "counted": 70, "counted_at": at}, expect=(409,))
            assert (refused["type"], refused["lot"]) == ("/problems/conflict", lot)
    assert count(desk, 70, day(20))["difference"] == 70
    assert took(desk, make(desk, 10, day(15))) == {None: 10}


@pytest.mark.parametrize("told", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-10:00", "1999-12-31"])
def test_a_time_outside_the_calendar_is_refused(desk: Desk, told: str) -> None:
    refused = desk.ask("POST", "receipts", {"material": "oil", "quantity": 1, "received_on": told}, expect=(422,))
    assert refused["errors"][0] == {
        "detail": "must be from 2000-01-01 to 2199-12-31", "pointer": "#/received_on", "given": told
    }  # fmt: skip
    desk.ask("GET", f"materials/oil?at={told.replace('+', '%2B')}", expect=(422,))


def test_a_place_with_a_slash_in_its_name(desk: Desk) -> None:
    receive(desk, 100, 10, place="shelf 1/2")
    assert desk.ask("PATCH", "places/shelf 1%2F2", {"production": False})["production"] is False
    assert desk.ask("GET", "places/shelf 1%2F2")["on_hand"] == [{"item": "oil", "quantity": 100}]
    assert took(desk, make(desk, 10, day(20))) == {None: 10}


def test_documents_by_what_stands_on_them(desk: Desk) -> None:
    tub, other = receive(desk, 500, 10), receive(desk, 500, 11)
    run = make(desk, 100, day(15), lots=[{"material": "oil", "lot": other["lot"]}])
    owner, phone = desk.token, desk.ask("POST", "tokens", {"name": "phone", "scopes": ["record"]})
    desk.token = phone["token"]
    counted = count(desk, 850, day(18))
    desk.token = owner

    def listed(**wanted: str) -> list[str]:
        query = "&".join(f"{name}={value}" for name, value in wanted.items())
        return [one["document"] for one in desk.ask("GET", f"documents?{query}")["items"]]

    assert listed(kind="receipt") == [other["receipt"], tub["receipt"]]
    assert listed(lot=other["lot"]) == [run["batch"]["code"], other["receipt"]]
    assert listed(token="phone") == listed(token=phone["code"]) == [counted["count"]]
    assert listed(**{"from": day(11)}, until=day(15)) == [run["batch"]["code"], other["receipt"]]
    assert listed(item="oil", kind="count", until=day(17)) == []
    assert desk.ask("GET", "documents?kind=invoice", expect=(422,))["errors"][0]["parameter"] == "kind"
    assert desk.ask("GET", "documents?until=tomorrow", expect=(422,))["errors"][0]["parameter"] == "until"
    desk.ask("GET", "documents?lot=L-9999", expect=(404,))


def test_a_run_as_it_was_first_written_and_as_it_was_known_since(desk: Desk) -> None:
    """700 g unbooked; a day later 500 g are found to have come without a cost, then for 5; then it was 600 g that were made."""
    start = desk.house.now
    code = make(desk, 700, day(17))["batch"]["code"]

    def at(later: int) -> Any:
        desk.house.now = start.replace(hour=start.hour + later)
        return desk.ask

    came = at(1)("POST", "receipts", {"material": "oil", "quantity": 500, "received_on": day(16)})
    at(2)("POST", f"receipts/{came['receipt']}/correction", {"cost": 5})
    corrected = at(3)("POST", f"runs/{code}/correction", {"batch_g": 600})["correction"]
    at(4)("POST", f"runs/{code}/correction", {"batch_g": 500})
    seen = []
    for hour in range(5):
        moment = start.replace(hour=start.hour + hour, minute=30).isoformat().replace("+", "%2B")
        run = desk.ask("GET", f"runs/{code}?known_at={moment}")
        seen.append(([(use["lot"] is None, use["quantity"]) for use in run["used"]], run["cost"], len(run["changed_by"])))
        assert run["batch"]["lots"][0]["cost"] == run["cost"]
        assert run["batch"]["lots"][0]["quantity"] == [700, 700, 700, 600, 500][hour]
        assert (run["sentence"] == f"Batch {code} as corrected by {corrected}.") is (hour == 3)
    assert seen == [
        ([(True, 700)], None, 0),
        ([(False, 500), (True, 200)], None, 1),
        ([(False, 500), (True, 200)], 7, 2),
        ([(False, 500), (True, 100)], 6, 3),
        ([(False, 500)], 5, 4),
    ]
    desk.ask("GET", f"runs/{code}?known_at={day(19)}", expect=(404,))


def test_a_value_that_was_not_known_then_is_null(desk: Desk) -> None:
    receipt = receive(desk, 500, 10)
    before = desk.house.now.isoformat().replace("+", "%2B")
    desk.house.now = desk.house.now.replace(hour=9)
    desk.ask("POST", f"receipts/{receipt['receipt']}/correction", {"cost": 50})
    assert desk.ask("GET", f"materials/oil?at={day(12)}&known_at={before}")["value"] is None
    assert desk.ask("GET", f"materials/oil?at={day(12)}")["value"] == 50
    assert stock(desk) == (500, 0)


def test_a_lot_that_a_count_found_and_a_late_delivery_explains_may_be_counted_again(desk: Desk) -> None:
    """130 g are found, then the delivery that was behind it is told: that lot is empty; yet 5 g more are found in its jar."""
    found = count(desk, 130, day(13))
    lot = desk.ask("GET", "lots?item=oil")["items"][0]["code"]
    receipt = receive(desk, 500, 11)["lot"]
    assert facts(desk, lot, "on_hand") == [0]
    again = desk.ask("POST", "counts", {"lot": lot, "counted": 5, "counted_at": day(15)})
    assert (again["book"], again["difference"]) == (0, 5)
    assert desk.house.proof(desk.workshop) == []
    make(desk, 10, day(14))  # all is drawn again
    assert facts(desk, lot, "on_hand") == [5]
    assert facts(desk, receipt, "on_hand") == [120]
    assert desk.ask("GET", f"counts/{found['count']}")["difference"] == -370
    desk.ask("POST", "reversals", {"document": again["count"], "reason": "another's"})
    assert facts(desk, lot, "on_hand") == [0]
    assert desk.house.proof(desk.workshop) == []


def test_what_a_count_found_is_opened_by_its_first_draw_whenever_it_is_told(desk: Desk) -> None:
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 5})
    make(desk, 48, day(18))
    count(desk, 130, day(13))
    lot = desk.ask("GET", "lots?item=oil")["items"][0]["code"]
    assert facts(desk, lot, "on_hand", "opened_on", "last_usable_day") == [82, day(18), day(23)]


def test_a_plan_keeps_the_lots_it_fixed_of_materials_that_its_completion_does_not_name(desk: Desk) -> None:
    oils = [receive(desk, 100, 10)["lot"], receive(desk, 100, 11)["lot"]]
    waxes = [desk.ask("POST", "receipts", {"material": "wax", "quantity": 100, "received_on": day(on)})["lot"] for on in (10, 11)]
    told = [{"material": "wax", "lot": waxes[1]}, {"material": "oil", "lot": oils[1]}]
    plan = desk.ask("POST", "runs", {"formula": "mix", "batch_g": 50, "status": "planned", "fix_lots": True, "lots": told})
    path = f"runs/{plan['batch']['code']}/completion"
    run = desk.ask("POST", path, {"made_on": day(20), "lots": [{"material": "oil", "lot": oils[0]}]})
    assert {(one["lot"], one["chosen"]) for one in run["used"]} == {(oils[0], "named"), (waxes[1], "named")}


def test_a_late_cost_says_whose_cost_it_changed(desk: Desk) -> None:
    receipt = receive(desk, 1000, 10)
    run = make(desk, 100, day(12))["batch"]["code"]
    gone = desk.ask("POST", "disposals", {"lot": receipt["lot"], "quantity": 10, "reason": "tester", "disposed_on": day(13)})
    told = {"cost": 50, "dry_run": True}
    tried = desk.ask("POST", f"receipts/{receipt['receipt']}/correction", told)
    money = [(one["document"], one["from_lot"], one["to_lot"], one["quantity"], one["cost"]) for one in tried["moved"]]
    assert money == [(run, receipt["lot"], receipt["lot"], 0, 5), (gone["disposal"], receipt["lot"], receipt["lot"], 0, 0.5)]
    assert tried["sentence"].endswith(f"; batch {run} and disposal {gone['disposal']} cost more or less than before.")
    assert desk.ask("GET", f"runs/{run}")["cost"] is None


def test_a_reversal_says_what_is_unbooked_and_what_a_count_finds(desk: Desk) -> None:
    receipt = receive(desk, 1000, 10)
    twice = receive(desk, 1000, 11)
    run = make(desk, 600, day(12))["batch"]["code"]
    counted = count(desk, 400, day(13))["count"]
    undone = desk.ask("POST", "reversals", {"document": twice["receipt"], "reason": "told twice"})
    assert undone["sentence"] == f"Receipt {twice['receipt']} is reversed; count {counted} now agrees with the books."
    desk.ask("POST", "reversals", {"document": counted, "reason": "a guess"})
    undone = desk.ask("POST", "reversals", {"document": receipt["receipt"], "reason": "another's"})
    assert undone["sentence"] == (
        f"Receipt {receipt['receipt']} is reversed; 600 g of Oil is unbooked now (batch {run}): enter what brought it, or count."
    )


def test_what_is_not_stocked_is_never_unbooked(desk: Desk) -> None:
    """Water from the tap is on the sheet and costs nothing, whatever comes late."""
    desk.ask("POST", "materials", {"code": "water", "name": "Water", "stocked": False})
    lines = [{"material": "oil", "percent": 40}, {"material": "water", "percent": "rest"}]
    desk.ask("POST", "formulas", {"code": "thin", "name": "Thin", "lines": lines})
    receive(desk, 1000, 10, cost=10)
    runs = [
        desk.ask("POST", "runs", {"formula": "thin", "batch_g": 100, "made_on": day(on)})["batch"]["code"] for on in (12, 13, 14)
    ]
    undone = desk.ask("POST", "reversals", {"document": runs[0], "reason": "another day"})
    assert undone["moved"] == []
    told = desk.ask("POST", "receipts", {"material": "water", "quantity": 500, "received_on": day(11)})
    assert (told["moved"], facts(desk, told["lot"], "on_hand")) == ([], [500])
    assert desk.ask("GET", "materials/water")["unbooked"] == 0
    assert [float(desk.ask("GET", f"runs/{run}")["cost"]) for run in runs[1:]] == [0.4, 0.4]
    desk.ask("PATCH", "materials/water", {"stocked": True}, expect=(422,))
    assert desk.house.proof(desk.workshop) == []
