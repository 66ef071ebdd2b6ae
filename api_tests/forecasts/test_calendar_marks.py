"""Closed days, promotions and market days through the API: they are neither noise nor forgotten."""

from datetime import timedelta
from typing import Any

from conftest import Bench
from forecasts.past import MONDAY, TODAY, day, every_week, mean, weekly


def mark(bench: Bench, kind: str, weeks_ago: int, days: int = 7, **more: Any) -> str:
    """Days from the beginning of a week on (weeks to come are below 0)."""
    first = day(weeks_ago)
    made = bench.post("calendar-marks", kind=kind, from_on=str(first), until_on=str(first + timedelta(days=days - 1)), **more)
    return str(made["mark"])


def test_marks_are_made_changed_and_taken_away(bench: Bench) -> None:
    made = bench.post("calendar-marks", kind="closed", from_on="2027-12-24", note="holidays")
    assert made == {
        "mark": "M-0001", "kind": "closed", "from_on": "2027-12-24", "until_on": "2027-12-24", "product": None,
        "channel": None, "note": "holidays", "sentence": "Closed on 24 December 2027.",
    }  # fmt: skip
    market: Any = bench.post("calendar-marks", kind="market_day", from_on="2027-05-01", product="balm-50")
    assert (market["channel"], market["product"]) == ("market", "balm-50")
    first = bench.client.get("/v1/calendar-marks/M-0001")
    changed = bench.client.patch("/v1/calendar-marks/M-0001", json={"until_on": "2027-12-31", "channel": "retail"},
                                 headers={"If-Match": first.headers["ETag"]})  # fmt: skip
    assert changed.json()["sentence"] == "Closed in retail from 24 December 2027 to 31 December 2027."
    listed: Any = bench.get("calendar-marks")
    assert [one["mark"] for one in listed["items"]] == ["M-0002", "M-0001"]
    assert bench.client.delete("/v1/calendar-marks/M-0001").status_code == 204
    assert bench.client.get("/v1/calendar-marks/M-0001").status_code == 404


def test_marks_that_cannot_be(bench: Bench) -> None:
    for status, body in (
        (422, {"kind": "holiday", "from_on": "2027-01-01"}),
        (422, {"kind": "closed"}),
        (422, {"kind": "closed", "from_on": "2027-01-02", "until_on": "2027-01-01"}),
        (422, {"kind": "closed", "from_on": "2027-01-02", "until_on": "2029-01-01"}),
        (422, {"kind": "market_day", "from_on": "2027-01-02", "channel": "retail"}),
        (404, {"kind": "promotion", "from_on": "2027-01-02", "product": "none"}),
    ):
        bench.post("calendar-marks", status, **body)
    bench.post("calendar-marks", kind="market_day", from_on="2027-01-02")
    for wrong in ({"until_on": "2026-01-01"}, {"from_on": None}, {"channel": "retail"}):
        assert bench.client.patch("/v1/calendar-marks/M-0001", json=wrong).status_code == 422
    assert bench.client.patch("/v1/calendar-marks/M-0001", json={"product": "none"}).status_code == 404


def test_a_marked_promotion_does_not_lift_the_level_and_a_marked_one_to_come_is_expected(stocked: Bench) -> None:
    """Twenty a week, sixty in the promotion three weeks ago."""
    every_week(stocked, {back: 60 if back == 3 else 20 for back in range(1, 31)})
    taken_for_news = mean(stocked)
    mark(stocked, "promotion", 3)
    calm = weekly(stocked)
    assert mean(stocked) < 0.9 * taken_for_news
    assert all(17 <= units <= 23 for units in calm), calm
    coming = mark(stocked, "promotion", -2)
    lifted = weekly(stocked)
    assert lifted[2] > 1.8 * calm[2]
    assert lifted[0] == calm[0]
    cover = stocked.get("cover/tin")
    stocked.client.delete(f"/v1/calendar-marks/{coming}")
    later = stocked.get("cover/tin")
    assert cover["runs_out"]["likely"] < later["runs_out"]["likely"], "what is expected is needed"  # type: ignore[index]


def test_closed_days_teach_nothing_and_coming_ones_sell_nothing(stocked: Bench) -> None:
    """Two weeks of holidays within the last four: unmarked they look like the end of the demand."""
    every_week(stocked, {back: 0 if back in (2, 3) else 20 for back in range(1, 31)})
    taken_for_news = mean(stocked)
    mark(stocked, "closed", 3, 14)
    assert mean(stocked) > 1.1 * taken_for_news
    assert all(17 <= units <= 23 for units in weekly(stocked))
    mark(stocked, "closed", -3)
    assert [units == 0 for units in weekly(stocked)] == [False, False, False, True, False, False]
    mark(stocked, "closed", -4, product="balm-50", channel="wholesale")
    assert weekly(stocked)[4] > 0, "another channel"


def test_market_days_carry_what_markets_sell(stocked: Bench) -> None:
    """A market every fourth week, told as one total a day; the next two are marked."""
    for back in range(28, 0, -4):
        stocked.post("market-days", day=str(day(back, 5)), lines=[{"product": "balm-50", "units": 30}])
    spread = weekly(stocked, "market")
    assert spread[0] < 30
    mark(stocked, "market_day", -1, 1)
    mark(stocked, "market_day", -4, 2)
    found = weekly(stocked, "market")
    assert found[0] == found[2] == found[3] == found[5] == 0
    assert 24 <= found[1] <= 36
    assert 48 <= found[4] <= 72, "two days"
    quality: Any = stocked.get("forecasts/balm-50")
    market = next(one for one in quality["channels"] if one["channel"] == "market")
    assert market["how_good"]["inside_percent"] >= 80, "past forecasts knew their market days too"
    assert market["weeks"][1]["weekly"]["p95"] <= 60


def test_a_mark_of_today_counts_from_today(stocked: Bench) -> None:
    every_week(stocked, 20, weeks=20)
    stocked.post("calendar-marks", kind="closed", from_on=str(MONDAY), until_on=str(TODAY + timedelta(days=7)))
    assert weekly(stocked)[0] == 0
