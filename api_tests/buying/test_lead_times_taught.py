"""What deliveries teach of a supplier's lead time, what the cover makes of it, and stock that is still to come."""

import re
from datetime import date, timedelta
from typing import Any

from buying.deals import TODAY, house_, mill, offer, owner_, placed  # noqa: F401 (fixtures)
from conftest import Bench

from service.core.buying.lead_times import learn

TIN = {"material": "tin", "quantity": 100, "price": 20}


def delivered(bench: Bench, ago: int, took: int, **more: Any) -> dict[str, Any]:
    """An order placed so many days ago that came so many days later."""
    code = placed(bench, TIN, on=TODAY - timedelta(days=ago))
    return bench.post(f"purchase-orders/{code}/deliveries", delivered_on=str(TODAY - timedelta(days=ago - took)), **more)


def taught(bench: Bench) -> dict[str, Any]:
    return bench.get("suppliers/mill")["lead_times"]  # type: ignore[return-value]


def needed(bench: Bench, units: int, days: int) -> None:
    """An order of so many tins' worth that is due on a day."""
    due = str(TODAY + timedelta(days=days))
    line = [{"product": "balm-50", "units": units}]
    bench.post("orders", channel="wholesale", placed_on=str(TODAY), due_on=due, lines=line)


def test_deliveries_teach_the_lead_time_by_hand(bench: Bench) -> None:
    """It says 7 days and takes 12. Three deliveries weigh 1 + 2^(-1/12) + 2^(-2/12) = 2.835; what is stated weighs 4: 41.5 %."""
    mill(bench)
    assert (taught(bench)["count"], taught(bench)["seen_percent"], taught(bench)["within_50"]) == (0, 0, 7)
    first = delivered(bench, 60, 12)
    before = taught(bench)
    delivered(bench, 50, 12)
    delivered(bench, 40, 12)
    found = taught(bench)
    assert (found["count"], found["seen_percent"]) == (3, 41.5)
    assert 7 < before["mean"] < found["mean"] < 12
    assert (before["within_50"], found["within_50"]) == (9, 12)
    code = placed(bench, TIN)
    assert bench.get(f"purchase-orders/{code}")["expected_on"] == str(TODAY + timedelta(days=found["within_50"]))
    bench.post("reversals", document=first["lines"][0]["receipt"], reason="not ours")
    assert taught(bench)["count"] == 2


def test_the_first_receipt_teaches_whenever_it_is_booked(bench: Bench) -> None:
    """An order that came in two parts took until the first; papers are read in the order in which the goods came."""
    mill(bench)
    code = placed(bench, TIN, on=TODAY - timedelta(days=30))
    for days, quantity in ((10, 40), (25, 60)):  # the second is booked first
        on = str(TODAY - timedelta(days=days))
        bench.post(f"purchase-orders/{code}/deliveries", delivered_on=on, lines=[{"line": 1, "quantity": quantity}])
    delivered(bench, 90, 20)
    stood = learn(7, [20, 5])
    found = taught(bench)
    assert (found["count"], found["mean"], found["within_90"]) == (2, round(stood.mean, 1), stood.within(0.9))
    receipt = bench.get("receipts")["items"][1]  # type: ignore[index]
    assert receipt["quantity"] == 60
    bench.post(f"receipts/{receipt['receipt']}/correction", received_on=str(TODAY - timedelta(days=18)))
    assert taught(bench)["mean"] == round(learn(7, [20, 12]).mean, 1)
    bench.post("receipts", material="tin", quantity=5, supplier="The Mill")
    assert taught(bench)["count"] == 2, "what was not ordered here teaches nothing"


def test_the_cover_reckons_with_the_suppliers_real_lead_time(bench: Bench) -> None:
    mill(bench)
    offer(bench, "tin", 100, "piece", 20)
    bench.post("receipts", material="tin", quantity=50)
    needed(bench, 100, 60)
    stated: Any = bench.get("cover/tin")
    lead = stated["lead_time"]
    assert (lead["from"], lead["supplier"], lead["seen"], lead["likely_days"]) == ("supplier", "mill", 0, 7)
    out = date.fromisoformat(stated["runs_out"]["likely"])
    assert stated["runs_out"]["early"] == stated["runs_out"]["late"], "the one order is certain"
    assert stated["order_by"] == str(out - timedelta(days=lead["service_level_days"]))
    assert lead["service_level_days"] > 7
    for ago in (200, 170, 140, 110, 80, 50):
        made = delivered(bench, ago, 21)
        bench.post("disposals", lot=made["lines"][0]["lot"], quantity=100, reason="lost")
    real: Any = bench.get("cover/tin")
    assert (real["lead_time"]["seen"], real["lead_time"]["likely_days"], real["runs_out"]) == (6, 21, stated["runs_out"])
    assert real["order_by"] == str(out - timedelta(days=real["lead_time"]["service_level_days"]))
    assert real["order_by"] < stated["order_by"]


def test_stock_on_order_in_the_cover(bench: Bench) -> None:
    """50 tins are there, 100 are needed by day 60: out before. 100 that come within days close that; those of day 90 do not."""
    mill(bench)
    bench.post("receipts", material="tin", quantity=50)
    needed(bench, 100, 60)
    alone: Any = bench.get("cover/tin")
    assert (alone["on_order"], alone["arrivals"], alone["with_orders"]) == (0, [], alone["runs_out"])
    late = placed(bench, TIN, expected_on=str(TODAY + timedelta(days=90)))
    waiting: Any = bench.get("cover/tin")
    assert (waiting["on_order"], waiting["with_orders"]) == (100, alone["runs_out"])
    assert waiting["arrivals"] == [
        {"purchase_order": late, "line": 1, "supplier": "mill", "quantity": 100, "expected_on": str(TODAY + timedelta(days=90))}
    ]
    assert re.search(r" 100 pieces on order, expected [^,]+, may come too late", waiting["sentence"])
    assert bench.get("materials/tin")["on_order"] == 100
    bench.client.patch(f"/v1/purchase-orders/{late}", json={"expected_on": str(TODAY + timedelta(days=20))})
    soon: Any = bench.get("cover/tin")
    assert (soon["runs_out"], soon["with_orders"]["late"], soon["order_by"]) == (alone["runs_out"], None, None)
    assert re.search(r"\. With 100 pieces on order, expected [^,]+, it lasts beyond [^,;]+\.$", soon["sentence"])
    bench.post(f"purchase-orders/{late}/deliveries", lines=[{"line": 1, "quantity": 30, "close": True}])
    part: Any = bench.get("cover/tin")
    assert (part["on_order"], part["usable"], part["with_orders"]) == (0, 80, part["runs_out"])
    assert part["runs_out"]["likely"] > alone["runs_out"]["likely"]


def test_an_order_that_is_overdue_is_awaited_as_if_it_were_new(bench: Bench) -> None:
    """Placed half a year ago, never seen: it may come, but nothing says that it is about to."""
    mill(bench)
    bench.post("receipts", material="tin", quantity=50)
    needed(bench, 100, 60)
    placed(bench, TIN, on=TODAY - timedelta(days=180))
    found: Any = bench.get("cover/tin")
    assert (found["arrivals"][0]["expected_on"], found["with_orders"]["late"]) == (str(TODAY - timedelta(days=173)), None)
