"""What is said of each cause, how long before, and what keeps an open one open."""

import json
from dataclasses import asdict, replace
from datetime import date, timedelta

import pytest

from service.core.alerts.causes import KINDS, causes
from service.core.alerts.facts import Cause, Demand, Facts, Item, Purchase, Severity, Stock, UseUp

TODAY = date(2026, 3, 10)
KG = 1_000_000


def days(count: int) -> date:
    return TODAY + timedelta(days=count)


def only(facts: Facts, *open_now: tuple[str, str]) -> Cause:
    [found] = causes(facts, open_now)
    return found


def demand(**more: object) -> Facts:
    return Facts(TODAY, demands=(Demand("O12", "the market hall", days(20), **more),))  # type: ignore[arg-type]


SHEA = Item("shea", "Shea butter", "g")
OIL = Stock("L1", "oil", "Olive oil", "g", 2 * KG)


def test_what_is_kept_as_json_is_the_same_cause_again() -> None:
    """Else every look would find something new in what it read back."""
    ways = (UseUp("balm", "Balm", 66, KG, (("Beeswax", 460_500, "g"), ("Tin", 3, "piece"))),)
    found = causes(
        Facts(
            TODAY,
            (replace(SHEA, order_by=TODAY, runs_out=days(3), arrives=days(9), unbooked=-1_234),
             Item("wax", "Beeswax", "g", order_by=TODAY, runs_out=days(3), arrives=days(9), on_order=KG, expected_on=days(9)),
             Item("balm", "Balm", "piece", order_by=days(-2), runs_out=TODAY, product=True, make=30, on_hand=2, unbooked=-1)),
            (replace(OIL, last_day=days(20)), replace(OIL, code="L2", last_day=days(60), unused=KG, use_up=ways),
             replace(OIL, code="L3", last_day=days(-2)), replace(OIL, code="L4", retest_on=TODAY),
             Stock("B7-1", "soap", "Soap", "piece", 40, ready_on=TODAY, batch="B7", waits=True, usable=False)),
            (Demand("O12", None, days(3), (("Shea butter", 500_000, "g"),), days(9)),),
            (Purchase("P3", "north", days(-1)),),
        )
    )  # fmt: skip
    assert {one.kind for one in found} == set(KINDS)
    for one in found:
        assert json.loads(json.dumps(one.facts)) == one.facts
        assert json.loads(json.dumps(asdict(one.act))) == asdict(one.act)
        assert (one.act.method == "GET") <= (not one.act.body)


@pytest.mark.parametrize(
    ("lead", "out", "comes"),
    [
        (4, "since 9 March; it may run out on 14 March", None),
        (9, "since 4 March; it may run out on 14 March, and what is ordered today would come on 19 March", "2026-03-19"),
    ],
)
def test_what_an_order_of_today_would_miss_is_said_with_the_order(lead: int, out: str, comes: str | None) -> None:
    item = replace(SHEA, order_by=days(3 - lead), runs_out=days(4), arrives=days(lead))
    found = only(Facts(TODAY, (item,)))
    assert (found.kind, found.sentence) == ("order-now", f"Shea butter is to be ordered {out}.")
    assert (found.facts["arrives"], found.act.path) == (comes, "/v1/purchase-plans")


def test_an_order_that_would_miss_it_is_urgent_though_its_day_has_moved_on_a_little() -> None:
    item = replace(SHEA, order_by=days(2), runs_out=days(4), arrives=days(4))
    found = only(Facts(TODAY, (item,)), ("order-now", "shea"))
    assert (found.severity, found.sentence) == (
        Severity.WARNING, "Shea butter is to be ordered by 12 March; it may run out on 14 March.",
    )  # fmt: skip
    found = only(Facts(TODAY, (replace(item, arrives=days(9)),)), ("order-now", "shea"))
    assert (found.severity, found.sentence) == (
        Severity.URGENT,
        "Shea butter is to be ordered today; it may run out on 14 March, and what is ordered today would come on 19 March.",
    )


def test_what_an_order_of_today_would_miss_is_said_before_its_order_by_day_too() -> None:
    """The day to which it surely lasts and the order-by day are two questions to the forecast."""
    item = replace(SHEA, order_by=days(1), runs_out=days(4), arrives=days(9))
    found = only(Facts(TODAY, (item,)))
    assert found.sentence == "Shea butter may run out on 14 March; what is ordered today would come on 19 March."
    assert (found.kind, found.facts["order_by"]) == ("runs-out-before-delivery", None)
    assert only(replace(Facts(days(1)), items=(item,)), found.key).kind == "order-now", "one thing, told once"


@pytest.mark.parametrize(
    ("expected", "arrives", "sentence"),
    [
        (6, 6, "Shea butter may run out on 14 March; the next delivery is expected on 16 March."),
        (-1, 5, "Shea butter may run out on 14 March; the next delivery was expected on 9 March, and may now come on 15 March."),
        (4, 4, None),
        (-1, 4, None),
    ],
)
def test_what_is_on_order_may_come_too_late(expected: int, arrives: int, sentence: str | None) -> None:
    """`order_by` counts what is on order: that it will be enough says nothing of when it comes."""
    coming = replace(SHEA, order_by=days(30), runs_out=days(4), arrives=days(arrives), on_order=KG, expected_on=days(expected))
    found = causes(Facts(TODAY, (coming,)))
    assert [(one.kind, one.sentence) for one in found] == ([] if sentence is None else [("runs-out-before-delivery", sentence)])
    assert all((one.act.path, one.facts["on_order"]) == ("/v1/cover/shea", 1000) for one in found)


def test_an_order_that_is_too_small_does_not_silence_order_now() -> None:
    """Its own order-by day says whether more is needed than is on order."""
    item = replace(SHEA, order_by=TODAY, runs_out=days(20), arrives=days(6), on_order=KG, expected_on=days(6))
    found = only(Facts(TODAY, (item,)))
    assert found.sentence == "More Shea butter is to be ordered today; what is on order may not last until it comes."
    assert (found.act.path, found.facts["on_order"]) == ("/v1/purchase-plans", 1000)
    assert only(Facts(TODAY, (replace(item, runs_out=TODAY, arrives=TODAY),))).sentence == (
        "More Shea butter is to be ordered at once; what is on order may not last until it comes."
    )
    assert causes(Facts(TODAY, (replace(item, order_by=days(1)),))) == []


@pytest.mark.parametrize(("order_by", "when"), [(0, "today"), (-2, "since 8 March")])
def test_a_delivery_that_is_late_and_too_small_is_one_thing(order_by: int, when: str) -> None:
    """That it may run out before anything comes is the more pressing, and says that more is to be ordered."""
    item = replace(SHEA, order_by=days(order_by), runs_out=days(4), arrives=days(6), on_order=KG, expected_on=days(6))
    found = only(Facts(TODAY, (item,)), ("order-now", "shea"))
    assert found.sentence == (
        f"Shea butter may run out on 14 March; the next delivery is expected on 16 March; more is to be ordered {when}."
    )
    assert (found.kind, found.act.path) == ("runs-out-before-delivery", "/v1/purchase-plans")
    assert found.facts["order_by"] == str(days(order_by))
    in_time = replace(item, arrives=days(4), expected_on=days(4))
    assert only(Facts(TODAY, (in_time,))).kind == "order-now"
    assert only(Facts(TODAY, (in_time,)), found.key).kind == found.kind, "what is told stays what is told for some days"


def test_what_has_run_out_is_said_so() -> None:
    item = replace(SHEA, order_by=days(-14), runs_out=TODAY, arrives=days(14))
    assert only(Facts(TODAY, (item,))).sentence == (
        "Shea butter is to be ordered at once: it may have run out, and what is ordered today would come on 24 March."
    )
    little = replace(item, on_hand=5)
    assert only(Facts(TODAY, (little,))).sentence == (
        "Shea butter is to be ordered at once: it may run out today, and what is ordered today would come on 24 March."
    )
    awaited = replace(little, order_by=None, on_order=5, expected_on=days(14))
    assert only(Facts(TODAY, (awaited,))).sentence == "Shea butter may run out today; the next delivery is expected on 24 March."


def test_a_product_is_to_be_made_while_it_is_made_to_stock() -> None:
    balm = Item("balm", "Balm", "piece", order_by=TODAY, runs_out=days(3), product=True, make=48, on_hand=5)
    found = only(Facts(TODAY, (balm,)))
    assert found.sentence == "Balm is to be made today; it may run out on 13 March."
    assert found.act.body == {"wants": [{"product": "balm", "units": 48}], "use_finished": False}
    none_left = Facts(TODAY, (replace(balm, on_hand=0),))
    assert causes(none_left) == []  # one that is made when it is ordered
    assert only(none_left, ("order-now", "balm")).kind == "order-now"  # the last was sold since it opened


@pytest.mark.parametrize(
    ("spare", "kept", "severity", "end"),
    [
        (3, True, None, ""),
        (2, True, Severity.WARNING, ": to go out in time it must be made by 12 March."),
        (0, True, Severity.URGENT, ": to go out in time it must be made today."),
        (-1, True, Severity.URGENT, " and is at risk: it is not ready; it could be ready on 31 March."),
        (2, False, None, ""),
    ],
)
def test_an_order_is_told_before_it_must_be_begun(spare: int, kept: bool, severity: Severity | None, end: str) -> None:
    found = causes(demand(ready_on=days(20 - spare), to_make=kept))
    assert [(one.severity, one.sentence) for one in found] == (
        [] if severity is None else [(severity, f"Order O12 for the market hall is due on 30 March{end}")]
    )


def test_what_an_order_lacks_is_told_when_little_time_is_left() -> None:
    lacking = {"short": (("Tin", 6, "piece"),), "to_make": True}
    assert causes(demand(ready_on=days(12), **lacking)) == []  # eight days to spare: the order-by day of tins says more
    found = only(demand(ready_on=days(13), **lacking))
    assert (found.severity, found.facts["short"]) == (Severity.WARNING, ["Tin"])
    assert found.sentence == (
        "Order O12 for the market hall is due on 30 March and is at risk: 6 pieces of Tin are missing; "
        "it could be ready on 23 March."
    )
    assert only(demand(ready_on=days(10), **lacking), ("customer-order-at-risk", "O12")).kind == "customer-order-at-risk"
    assert causes(demand(ready_on=days(9), **lacking), [("customer-order-at-risk", "O12")]) == []


def test_an_order_that_could_have_left_is_to_be_shipped() -> None:
    found = only(Facts(TODAY, demands=(Demand("O/3", None, days(-1), ready_on=TODAY, leave_on=days(-3)),)))
    assert found.sentence == "Order O/3 was due on 9 March and has not been shipped."
    assert (found.act.method, found.act.path, found.act.body) == ("POST", "/v1/orders/O%2F3/shipments", {})
    assert causes(Facts(TODAY, demands=(Demand("O3", None, days(1), ready_on=TODAY, leave_on=TODAY),))) == []


def test_a_batch_in_quarantine_waits_for_its_release() -> None:
    batch = Stock("B7", "soap", "Soap", "piece", 40, ready_on=days(-2), batch="B7", usable=False, waits=True)
    found = only(Facts(TODAY, stocks=(batch,)))
    assert found.sentence == "Batch B7 of Soap is ready since 8 March: 40 pieces, in quarantine until it is released."
    assert (found.act.path, found.act.body) == ("/v1/lots/B7", {"status": "released"})
    assert causes(Facts(TODAY, stocks=(replace(batch, ready_on=days(-7)),))) == []
    assert causes(Facts(TODAY, stocks=(replace(batch, ready_on=days(1)),))) == []


def test_what_will_not_be_sold_is_said_of_products() -> None:
    lot = Stock("B9", "balm", "Balm", "piece", 24, last_day=days(60), unused=24, product=True)
    found = only(Facts(TODAY, stocks=(lot,)))
    assert found.sentence == "All 24 pieces of Balm (lot B9) may still be unsold when it expires after 9 May."
    assert (found.act.method, found.act.path) == ("GET", "/v1/lots/B9")
