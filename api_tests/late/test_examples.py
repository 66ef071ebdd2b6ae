"""Worked examples by hand: the stock. Oil alone makes `solo`, so that a batch of 100 g takes 100 g of oil."""

from decimal import Decimal
from typing import Any

import pytest
from late.desk import TODAY, Desk

pytest_plugins = ["late.rooms"]


def day(number: int) -> str:
    """A day of the month; today is the 20th."""
    return str(TODAY.replace(day=number))


def receive(desk: Desk, grams: int, on: int, **more: object) -> Any:
    return desk.ask("POST", "receipts", {"material": "oil", "quantity": grams, "received_on": day(on), **more})


def make(desk: Desk, grams: int, on: str, **more: object) -> Any:
    return desk.ask("POST", "runs", {"formula": "solo", "batch_g": grams, "made_on": on, **more})


def count(desk: Desk, grams: int, at: str, **more: object) -> Any:
    return desk.ask("POST", "counts", {"material": "oil", "counted": grams, "counted_at": at, **more})


def took(desk: Desk, run: Any) -> dict[str | None, int]:
    """Lots that a batch drew from, as known now."""
    used = desk.ask("GET", f"runs/{run['batch']['code']}")["used"]
    return {one["lot"]: one["quantity"] for one in used if one["quantity"]}


def stock(desk: Desk) -> tuple[Decimal, Decimal]:
    """Oil on hand, and unbooked."""
    item = desk.ask("GET", "materials/oil")
    return item["on_hand"], item["unbooked"]


def named(lot: str, grams: int | None = None) -> dict[str, object]:
    return {"lots": [{"material": "oil", "lot": lot, "quantity": grams}]}


def test_a_late_receipt_settles_what_was_unbooked(desk: Desk) -> None:
    run = make(desk, 700, day(17))
    assert stock(desk) == (0, 700)
    receipt = receive(desk, 5000, 16, cost=50)
    assert took(desk, run) == {receipt["lot"]: 700}
    assert stock(desk) == (4300, 0)
    shown = desk.ask("GET", f"runs/{run['batch']['code']}")
    assert shown["cost"] == 7  # 700 of 5,000 g that cost 50
    assert not shown["estimated"]
    assert desk.ask("GET", f"lots/{receipt['lot']}")["cost"] == 43
    assert [(one["lot"], one["quantity"]) for one in shown["first_used"]] == [(None, 700)]
    assert shown["changed_by"] == [receipt["receipt"]]
    moved = [(one["document"], one["from_lot"], one["to_lot"], one["quantity"]) for one in receipt["moved"]]
    assert moved == [(run["batch"]["code"], None, receipt["lot"], 700)]


def test_the_oldest_unbooked_draw_is_settled_first(desk: Desk) -> None:
    second, first = make(desk, 100, day(18)), make(desk, 100, day(16))
    lot = receive(desk, 150, 15)["lot"]
    assert took(desk, first) == {lot: 100}
    assert took(desk, second) == {lot: 50, None: 50}


def test_a_receipt_of_a_later_day_settles_nothing(desk: Desk) -> None:
    run = make(desk, 100, day(16))
    receive(desk, 500, 17)
    assert took(desk, run) == {None: 100}
    assert stock(desk) == (500, 100)


def test_a_backdated_run_takes_its_lot_and_later_draws_move_on(desk: Desk) -> None:
    soon = receive(desk, 100, 10, expires_on=day(25))["lot"]
    later = receive(desk, 150, 11, expires_on="2031-06-30")["lot"]
    run = make(desk, 100, day(18))
    assert took(desk, run) == {soon: 100}
    backdated = make(desk, 100, day(14))
    assert took(desk, backdated) == {soon: 100}
    assert took(desk, run) == {later: 100}
    assert stock(desk) == (50, 0)


def test_a_backdated_disposal_leaves_the_rest_of_a_draw_unbooked(desk: Desk) -> None:
    lot = receive(desk, 100, 10)["lot"]
    run = make(desk, 80, day(18))
    desk.ask("POST", "disposals", {"lot": lot, "quantity": 50, "reason": "spoiled", "disposed_on": day(15)})
    assert took(desk, run) == {lot: 50, None: 30}
    assert stock(desk) == (0, 30)


def test_an_expired_lot_that_a_count_shows_was_used(desk: Desk) -> None:
    lot = receive(desk, 800, 5, expires_on=day(15))["lot"]
    run = make(desk, 500, day(17))
    assert took(desk, run) == {None: 500}
    assert [one["lot"] for short in run["shortages"] for one in short["unusable"]] == [lot]
    counted = count(desk, 300, day(19))
    assert took(desk, run) == {lot: 500}
    assert counted["difference"] == 0
    assert stock(desk) == (300, 0)


def test_a_lot_named_after_assumed_draws_had_emptied_it(desk: Desk) -> None:
    first = receive(desk, 100, 10, expires_on=day(25))["lot"]
    second = receive(desk, 100, 11, expires_on="2031-06-30")["lot"]
    guessed = make(desk, 100, day(16))
    assert took(desk, guessed) == {first: 100}
    known = make(desk, 100, day(18), **named(first))
    assert took(desk, known) == {first: 100}
    assert took(desk, guessed) == {second: 100}


@pytest.mark.parametrize(
    ("told", "difference", "left"),
    [(day(19), 0, 800), (f"{day(19)}T09:00:00Z", 0, 800), (f"{day(19)}T14:00:00Z", -200, 600)],
    ids=["without a time", "in the morning", "in the afternoon"],
)
def test_a_batch_written_down_after_the_noon_count(desk: Desk, told: str, difference: int, left: int) -> None:
    receive(desk, 1000, 10)
    counted = count(desk, 800, f"{day(19)}T12:00:00Z")
    assert counted["difference"] == -200
    run = make(desk, 200, told)
    assert desk.ask("GET", f"counts/{counted['count']}")["difference"] == difference
    assert stock(desk) == (left, 0)
    assert run["warnings"]  # on which side of the count it was put


def test_what_a_count_cleared_is_settled_after_all(desk: Desk) -> None:
    run = make(desk, 300, day(16))
    counted = count(desk, 700, day(18))
    assert counted["difference"] == 1000  # 700 on the shelf against 300 below nothing
    lot = receive(desk, 1000, 15)["lot"]
    assert took(desk, run) == {lot: 300}
    assert desk.ask("GET", f"counts/{counted['count']}")["difference"] == 0
    assert stock(desk) == (700, 0)


def test_a_count_that_a_late_paper_makes_less_explained_warns(desk: Desk) -> None:
    receive(desk, 1000, 10)
    count(desk, 1000, day(18))
    assert receive(desk, 1000, 10, supplier_lot="the same again")["warnings"]
    assert stock(desk) == (1000, 0)


def test_a_receipt_corrected_after_more_was_drawn(desk: Desk) -> None:
    receipt = receive(desk, 5000, 10, cost=50)
    run = make(desk, 700, day(17))
    corrected = desk.ask("POST", f"receipts/{receipt['receipt']}/correction", {"quantity": 500})
    assert corrected["corrects"] == receipt["receipt"]
    assert {one["document"] for one in corrected["moved"]} == {run["batch"]["code"]}
    assert took(desk, run) == {receipt["lot"]: 500, None: 200}
    assert stock(desk) == (0, 200)
    shown = desk.ask("GET", f"runs/{run['batch']['code']}")
    assert shown["cost"] == 70  # 500 g at 50, and 200 g guessed at the same 0.1 a gram
    assert shown["estimated"]


def test_a_receipt_did_not_come_after_a_batch_that_names_it(desk: Desk) -> None:
    receipt = receive(desk, 100, 10)
    run = make(desk, 80, day(16), **named(receipt["lot"]))
    path = f"receipts/{receipt['receipt']}/correction"
    refused = desk.ask("POST", path, {"received_on": day(17)}, expect=(409,))
    assert refused["type"] == "/problems/lot-not-there-yet"
    assert refused["holds"] == [{"document": run["batch"]["code"], "kind": "run"}]
    assert took(desk, run) == {receipt["lot"]: 80}
    desk.ask("POST", path, {"received_on": day(16)})
    assert took(desk, run) == {receipt["lot"]: 80}


def test_a_reversed_receipt_moves_assumed_draws(desk: Desk) -> None:
    first = receive(desk, 100, 10, expires_on=day(25))
    second = receive(desk, 60, 11, expires_on="2031-06-30")
    run = make(desk, 100, day(16))
    desk.ask("POST", "reversals", {"document": first["receipt"], "reason": "not ours"})
    assert took(desk, run) == {second["lot"]: 60, None: 40}


def test_a_named_lot_holds_its_receipt_unless_settled(desk: Desk) -> None:
    first, second = receive(desk, 100, 10), receive(desk, 100, 11)
    run = make(desk, 80, day(16), **named(first["lot"]))
    back = {"document": first["receipt"], "reason": "not ours"}
    refused = desk.ask("POST", "reversals", back, expect=(409,))
    assert refused["type"] == "/problems/still-in-use"
    assert run["batch"]["code"] in str(refused)
    desk.ask("POST", "reversals", {**back, "settle": True})
    assert took(desk, run) == {second["lot"]: 80}


def test_a_release_written_down_late(desk: Desk) -> None:
    lot = receive(desk, 500, 10, status="quarantined")["lot"]
    early, late = make(desk, 100, day(14)), make(desk, 200, day(17))
    desk.ask("PATCH", f"lots/{lot}", {"status": "released", "effective_on": day(16)})
    assert took(desk, early) == {None: 100}
    assert took(desk, late) == {lot: 200}
    assert stock(desk) == (300, 100)


def test_a_run_recorded_late_settles_what_was_taken_of_its_batch(desk: Desk) -> None:
    made = desk.ask("POST", "formulas", {"code": "twice", "name": "Twice", "lines": [{"material": "solo", "percent": 100}]})
    assert made["code"] == "twice"
    second = desk.ask("POST", "runs", {"formula": "twice", "batch_g": 50, "made_on": day(18)})
    first = make(desk, 80, day(17))
    assert took(desk, second) == {first["batch"]["lots"][0]["lot"]: 50}
    assert desk.ask("GET", "materials/solo")["on_hand"] == 30


def test_dry_run_answers_the_same_and_keeps_nothing(desk: Desk) -> None:
    run = make(desk, 100, day(17))
    tried = receive(desk, 500, 15, dry_run=True)
    assert [(one["document"], one["quantity"]) for one in tried["moved"]] == [(run["batch"]["code"], 100)]
    assert took(desk, run) == {None: 100}
    assert stock(desk) == (0, 100)
    assert desk.ask("GET", "receipts")["items"] == []
    kept = receive(desk, 500, 15)
    assert len(kept["moved"]) == 1
    back = {"document": kept["receipt"], "reason": "to see", "dry_run": True}
    assert len(desk.ask("POST", "reversals", back)["moved"]) == 1
    right = {"quantity": 40, "dry_run": True}
    assert desk.ask("POST", f"receipts/{kept['receipt']}/correction", right)["moved"][0]["quantity"] == 60
    assert stock(desk) == (400, 0)
