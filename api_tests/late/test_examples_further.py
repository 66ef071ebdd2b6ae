"""Worked examples by hand: money through bulk, splits and places, containers, concerns, fixed lots, small mistakes, history."""

from typing import Any

import pytest
from late.desk import Desk
from test_examples import count, day, make, named, receive, stock, took

pytest_plugins = ["late.rooms"]


@pytest.fixture
def jars(desk: Desk) -> Desk:
    """`jar`: 100 g of `solo`, without packaging."""
    desk.ask("POST", "products", {"code": "jar", "name": "Jar", "formula": "solo", "fill_g": 100, "shelf_life_days": 365})
    return desk


def fill(desk: Desk, units: int, on: int, **more: object) -> Any:
    return desk.ask("POST", "runs", {"product": "jar", "units": units, "made_on": day(on), **more})


def test_a_cost_that_comes_after_its_bulk_was_filled_and_sold(jars: Desk) -> None:
    receipt = receive(jars, 1000, 10)
    bulk = make(jars, 1000, day(12))
    filled = fill(jars, 10, 14, bulk=bulk["batch"]["lots"][0]["lot"])
    lot = filled["batch"]["lots"][0]["lot"]
    gone = jars.ask("POST", "disposals", {"lot": lot, "quantity": 2, "reason": "gift", "disposed_on": day(16)})
    assert (bulk["cost"], filled["cost"], gone["cost"]) == (None, None, None)
    jars.ask("POST", f"receipts/{receipt['receipt']}/correction", {"cost": 100})
    assert jars.ask("GET", f"runs/{bulk['batch']['code']}")["cost"] == 100
    shown = jars.ask("GET", f"runs/{filled['batch']['code']}")
    assert (shown["cost"], shown["unit_cost"], shown["estimated"]) == (100, 10, False)
    assert jars.ask("GET", f"disposals/{gone['disposal']}")["cost"] == 20
    assert jars.ask("GET", f"lots/{lot}")["cost"] == 80


def test_an_invoice_that_differs_changes_money_and_no_grams(desk: Desk) -> None:
    receipt = receive(desk, 300, 10, cost=30)
    run = make(desk, 100, day(12))
    desk.ask("POST", f"receipts/{receipt['receipt']}/correction", {"cost": 60})
    assert desk.ask("GET", f"runs/{run['batch']['code']}")["cost"] == 20
    assert desk.ask("GET", f"lots/{receipt['lot']}")["cost"] == 40
    moves = desk.ask("GET", "materials/oil/movements")["items"]
    assert sum(move["cost"] for move in moves) == 40
    assert [move["cost"] for move in moves if not move["quantity"]]


def test_a_split_keeps_its_parents_facts_and_share_of_the_cost(desk: Desk) -> None:
    parent = receive(desk, 1000, 10, cost=50, supplier_lot="SB-1", expires_on="2031-09-30", certificate="C-7")["lot"]
    part = desk.ask("POST", f"lots/{parent}/splits", {"quantity": 300, "place": "market", "split_on": day(12)})
    assert (part["parent"], part["quantity"], part["place"]) == (parent, 300, "market")
    shown, left = desk.ask("GET", f"lots/{part['lot']}"), desk.ask("GET", f"lots/{parent}")
    facts = ("supplier_lot", "certificate", "received_on", "expires_on", "status")
    assert [shown[name] for name in facts] == [left[name] for name in facts]
    assert (shown["on_hand"], shown["cost"], left["on_hand"], left["cost"]) == (300, 15, 700, 35)


def test_a_part_of_an_open_lot_is_asked_when_it_was_opened(desk: Desk) -> None:
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 30})
    lot = receive(desk, 1000, 10)["lot"]
    make(desk, 100, day(12))
    told = {"quantity": 100, "split_on": day(20)}
    part = desk.ask("POST", f"lots/{lot}/splits", told)
    assert [(one["type"], one["opened_on"]) for one in part["warnings"]] == [("part-of-an-open-lot", day(12))]
    part = desk.ask("POST", f"lots/{lot}/splits", {**told, "opened_on": day(12)})
    assert part["warnings"] == []
    assert desk.ask("GET", f"lots/{part['lot']}")["last_usable_day"] == desk.ask("GET", f"lots/{lot}")["last_usable_day"]


def test_a_count_by_place_takes_its_lots_as_one(desk: Desk) -> None:
    parent = receive(desk, 1000, 10)["lot"]
    part = desk.ask("POST", f"lots/{parent}/splits", {"quantity": 300, "place": "market", "split_on": day(12)})["lot"]
    counted = count(desk, 250, day(19), place="market")
    assert (counted["book"], counted["difference"]) == (300, -50)
    assert desk.ask("GET", f"lots/{part}")["on_hand"] == 250
    assert desk.ask("GET", f"lots/{parent}")["on_hand"] == 700


def test_a_place_that_is_not_for_production_is_left_alone(desk: Desk) -> None:
    parent = receive(desk, 100, 10)["lot"]
    desk.ask("POST", f"lots/{parent}/splits", {"quantity": 60, "place": "market", "split_on": day(11)})
    assert desk.ask("PATCH", "places/market", {"production": False})["production"] is False
    run = make(desk, 100, day(20))
    assert took(desk, run) == {parent: 40, None: 60}
    assert stock(desk) == (60, 60)


def test_a_backdated_split_leaves_less_for_draws(desk: Desk) -> None:
    parent = receive(desk, 100, 10, expires_on=day(28))["lot"]
    other = receive(desk, 100, 11, expires_on="2031-09-30")["lot"]
    run = make(desk, 80, day(15))
    desk.ask("POST", f"lots/{parent}/splits", {"quantity": 50, "split_on": f"{day(15)}T20:00:00Z", "place": "market"})
    found = took(desk, run)
    assert found[parent] == 50  # the split shows that 50 g were still in it
    assert found.get(other) == 30


def test_the_first_draw_opens_a_lot_and_moves_the_day(desk: Desk) -> None:
    desk.ask("POST", "materials", {"code": "serum", "name": "Serum", "opened_life_days": 3})
    desk.ask("POST", "formulas", {"code": "drops", "name": "Drops", "lines": [{"material": "serum", "percent": 100}]})
    lot = desk.ask("POST", "receipts", {"material": "serum", "quantity": 500, "received_on": day(10)})["lot"]
    for made, opened, last in ((17, 17, 20), (15, 15, 18)):
        desk.ask("POST", "runs", {"formula": "drops", "batch_g": 50, "made_on": day(made)})
        shown = desk.ask("GET", f"lots/{lot}")
        assert (shown["opened_on"], shown["last_usable_day"]) == (day(opened), day(last))


def test_containers_are_opened_one_at_a_time(desk: Desk) -> None:
    desk.ask("PATCH", "materials/oil", {"opened_life_days": 30})
    receive(desk, 300, 10, containers=3, cost=30)
    make(desk, 50, day(15))
    make(desk, 70, day(16))
    lots = desk.ask("GET", "lots?item=oil&empty=true")["items"]
    assert sorted(lot["on_hand"] for lot in lots) == [0, 80, 100]
    assert sorted(lot["opened_on"] or "closed" for lot in lots) == [day(15), day(16), "closed"]


def test_a_lot_rejected_after_it_was_used_marks_what_was_made(desk: Desk) -> None:
    lot = receive(desk, 500, 10)["lot"]
    run = make(desk, 100, day(15))
    assert run["concerns"] == []
    desk.ask("PATCH", f"lots/{lot}", {"status": "rejected", "status_reason": "rancid"})
    shown = desk.ask("GET", f"runs/{run['batch']['code']}")
    assert [one["lot"] for one in shown["concerns"]] == [lot]
    assert "rancid" in str(shown["concerns"])
    assert shown["batch"]["status"] == "released"
    assert desk.ask("GET", "materials/solo")["usable"] == 100


def test_a_concern_moves_with_its_draw(desk: Desk) -> None:
    bad = receive(desk, 100, 10, expires_on=day(28))["lot"]
    good = receive(desk, 100, 11, expires_on="2031-09-30")["lot"]
    run = make(desk, 100, day(15))
    desk.ask("PATCH", f"lots/{bad}", {"status": "rejected", "status_reason": "rancid"})
    earlier = make(desk, 100, day(13))
    assert (took(desk, earlier), took(desk, run)) == ({bad: 100}, {good: 100})
    assert desk.ask("GET", f"runs/{run['batch']['code']}")["concerns"] == []
    assert [one["lot"] for one in desk.ask("GET", f"runs/{earlier['batch']['code']}")["concerns"]] == [bad]


def test_an_expired_lot_by_name_leaves_the_batch_quarantined(desk: Desk) -> None:
    lot = receive(desk, 100, 10, expires_on=day(12))["lot"]
    run = make(desk, 100, day(15), **named(lot))
    assert run["batch"]["status"] == "quarantined"
    assert run["warnings"]


def test_a_plan_with_fixed_lots_takes_them_as_named(desk: Desk) -> None:
    receive(desk, 200, 10, expires_on=day(28))
    chosen = receive(desk, 200, 11, expires_on="2031-09-30")["lot"]
    wanted = {"formula": "solo", "batch_g": 100, "status": "planned", "fix_lots": True, **named(chosen)}
    plan = desk.ask("POST", "runs", wanted)
    done = desk.ask("POST", f"runs/{plan['batch']['code']}/completion", {})
    assert [(one["lot"], one["quantity"], one["chosen"]) for one in done["used"]] == [(chosen, 100, "named")]


def test_a_plan_that_fixes_what_its_sheet_shows(desk: Desk) -> None:
    first = receive(desk, 200, 10, expires_on="2031-09-30")["lot"]
    plan = desk.ask("POST", "runs", {"formula": "solo", "batch_g": 100, "status": "planned", "fix_lots": True})
    sooner = receive(desk, 200, 11, expires_on=day(28))["lot"]
    done = desk.ask("POST", f"runs/{plan['batch']['code']}/completion", {})
    assert [one["lot"] for one in done["used"]] == [first] != [sooner]


def test_42_was_24(jars: Desk) -> None:
    lot = receive(jars, 10_000, 10)["lot"]
    run = fill(jars, 42, 20)
    code = run["batch"]["code"]
    assert took(jars, run) == {lot: 4200}
    corrected = jars.ask("POST", f"runs/{code}/correction", {"units": 24})
    assert corrected["corrects"] == code
    shown = jars.ask("GET", f"runs/{code}")
    assert (shown["batch"]["code"], shown["batch"]["units"]) == (code, 24)
    assert took(jars, run) == {lot: 2400}
    assert jars.ask("GET", "products/jar")["on_hand"] == 24
    assert stock(jars) == (7600, 0)


def test_a_phone_takes_back_its_own_paper_of_the_day(desk: Desk) -> None:
    receive(desk, 500, 10)
    owner = desk.token
    desk.token = desk.ask("POST", "tokens", {"name": "phone", "scopes": ["record"]})["token"]
    own = make(desk, 42, day(20))
    desk.ask("POST", "reversals", {"document": own["batch"]["code"], "reason": "24"})
    phone, desk.token = desk.token, owner
    other = make(desk, 42, day(20))
    desk.token = phone
    desk.ask("POST", "reversals", {"document": other["batch"]["code"], "reason": "24"}, expect=(403,))


def test_the_books_of_a_day_as_known_now_and_as_they_said(desk: Desk) -> None:
    receive(desk, 500, 10, cost=50)
    make(desk, 100, day(15))
    before = desk.house.now.isoformat().replace("+00:00", "Z")
    desk.house.now = desk.house.now.replace(hour=9)
    make(desk, 50, day(14))
    now = desk.ask("GET", f"materials/oil?at={day(16)}")
    assert (now["on_hand"], now["unbooked"], now["value"]) == (350, 0, 35)
    then = desk.ask("GET", f"materials/oil?at={day(16)}&known_at={before}")
    assert (then["on_hand"], then["value"]) == (400, 40)


def test_documents_say_what_caused_what(desk: Desk) -> None:
    run = make(desk, 100, day(17))
    receipt = receive(desk, 500, 15)
    listed = desk.ask("GET", "documents?item=oil")["items"]
    assert {run["batch"]["code"], receipt["receipt"]} <= {one["document"] for one in listed}
    corrections = [one for one in listed if one["kind"] == "correction"]
    assert [(one["corrects"], one["caused_by"]) for one in corrections] == [(run["batch"]["code"], receipt["receipt"])]
