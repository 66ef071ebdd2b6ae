"""Days of demand to weeks: what of each counts (closed days, gaps in stock, seasons, promotions, markets), single huge orders."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from service.core.demand import marks
from service.core.demand.huge import Sizes, usual_most
from service.core.demand.planning import History, Mark
from service.core.demand.shares import seasonal_shares, stocked_shares, usual_days, week_of
from service.core.demand.weeks import Weeks, weekly

MONDAY = date(2026, 3, 2)


@pytest.mark.parametrize("week_start", range(7))
def test_weeks_begin_on_the_workshops_day(week_start: int) -> None:
    for offset in range(40):
        day = MONDAY + timedelta(days=offset)
        begin = week_of(day, week_start)
        assert begin.weekday() == week_start
        assert 0 <= (day - begin).days < 7


def seen(days: list[tuple[int, int, float]], today: int, week_start: int = 0, series: int = 2, **more: Any) -> Weeks:
    """Weeks of (series, days after MONDAY, units), as seen so many days after it."""
    told = History(MONDAY.toordinal() + today, week_start, series, [(at, "retail") for at in range(series)], **more)
    for at, day, units in days:
        told.at.append(at)
        told.day.append(MONDAY.toordinal() + day)
        told.units.append(units)
    return weekly(told, 4)


def test_days_become_weeks_and_the_running_week_is_left_out() -> None:
    days = [(0, 0, 2.0), (0, 6, 3.0), (0, 7, 5.0), (1, 21, 48.0), (0, 28, 9.0)]
    got = seen(days, 29)
    assert got.start == MONDAY + timedelta(days=28)
    assert got.units.tolist() == [[5, 5, 0, 0], [0, 0, 0, 48]]
    sunday = seen(days, 29, week_start=6)
    assert sunday.start == MONDAY + timedelta(days=27)
    assert sunday.units[0].tolist() == [2, 8, 0, 0]
    assert seen([], 3).units.shape == (2, 0)


def test_nothing_is_lost_and_order_does_not_matter() -> None:
    rng = np.random.default_rng(1)
    days = [(int(rng.integers(5)), int(rng.integers(70)), float(rng.integers(1, 9))) for _ in range(400)]
    got = seen(days, 77, series=5)
    assert got.units.sum() == sum(units for _, _, units in days)
    assert (seen(days[::-1], 77, series=5).units == got.units).all()


def test_the_usual_number_of_open_days() -> None:
    assert usual_days(np.array([5.0, 5, 0, 1, 6])) == 5
    assert usual_days(np.array([0.0, 0])) == 7


def marked(kind: str, first: int, last: int, product: int = -1, channel: str = "") -> Mark:
    return Mark(kind, MONDAY.toordinal() + first, MONDAY.toordinal() + last, product, channel)


def test_closed_days_are_the_open_share() -> None:
    """A shop that is closed on Sundays, for a whole week, and from the third week to come on."""
    sundays = [marked("closed", 7 * week + 6, 7 * week + 6) for week in range(8)]
    told = [*sundays, marked("closed", 7, 13), marked("closed", 42, 60)]
    got = seen([(0, 1, 6.0), (0, 15, 6.0)], 28, marks=told)
    assert got.share.tolist() == [[1, 0, 1, 1]] * 2
    assert got.ahead.tolist() == [[1, 1, 0, 0]] * 2
    one = seen([(0, 1, 6.0)], 28, marks=[marked("closed", 7, 9, product=1), marked("closed", 14, 20, channel="market")])
    assert one.share == pytest.approx(np.array([[1, 1, 1, 1], [1, 4 / 7, 1, 1]]))


def test_while_nothing_ahead_is_marked_last_years_closed_days_are_expected() -> None:
    year = 7 * 52
    told = [marked("closed", 7, 13)]
    last_years = seen([(0, 0, 1.0)], year, marks=told)
    assert last_years.ahead[0].tolist() == [1, 0, 1, 1]
    this_years = seen([(0, 0, 1.0)], year, marks=[*told, marked("closed", year + 14, year + 20)])
    assert this_years.ahead[0].tolist() == [1, 1, 0, 1]


def test_a_promotion_is_learnt_as_a_lift_of_the_weeks_before_that_counted() -> None:
    """Thirty a week, ninety in the promotion; a closed week before it is not taken for a usual one."""
    days = [(0, 7 * week, 30.0) for week in (0, 1, 2, 4)] + [(0, 35, 90.0)]
    told = [marked("closed", 21, 27), marked("promotion", 35, 41), marked("promotion", 49, 55)]
    got = seen(days, 42, marks=told, series=1)
    lift = 1 + 60 / (30 + marks.CALM_UNITS)
    assert got.share == pytest.approx(np.array([[1, 1, 1, 0, 1, lift]]))
    assert got.ahead == pytest.approx(np.array([[1, lift, 1, 1]]))


def test_markets_sell_on_market_days_marked_or_held() -> None:
    history = History(MONDAY.toordinal() + 28, 0, 1, [(0, "market"), (0, "retail")])
    for at, day, units in ((0, 5, 8.0), (0, 6, 9.0), (0, 19, 7.0), (1, 20, 3.0)):
        history.at.append(at)
        history.day.append(MONDAY.toordinal() + day)
        history.units.append(units)
    history.marks = [marked("market_day", 5, 5, channel="market"), marked("market_day", 12, 12, channel="market")]
    got = weekly(history, 4)
    assert got.share.tolist() == [[2, 1, 1, 0], [1, 1, 1, 1]], "two held in the first week, one marked in the second"
    assert got.ahead.tolist() == [[1, 1, 1, 1], [1, 1, 1, 1]], "as many as there were"
    history.marks.append(marked("market_day", 40, 40, channel="market"))
    assert weekly(history, 4).ahead.tolist() == [[0, 1, 0, 0], [1, 1, 1, 1]]


def test_weeks_out_of_stock_are_censored() -> None:
    weeks = [MONDAY + timedelta(days=7 * week) for week in range(4)]
    gaps = [[(MONDAY + timedelta(days=5), MONDAY + timedelta(days=13))], [], [(MONDAY - timedelta(days=50), MONDAY)]]
    got = stocked_shares(weeks, gaps)
    assert got[0] == pytest.approx([5 / 7, 0, 1, 1])
    assert got[1].tolist() == [1, 1, 1, 1]
    assert got[2] == pytest.approx([6 / 7, 1, 1, 1])


def test_seasons_may_run_over_the_new_year() -> None:
    weeks = [date(2026, 11, 30), date(2026, 12, 28), date(2027, 1, 4), date(2027, 3, 1)]
    got = seasonal_shares(weeks, [((12, 1), (1, 5)), None, ((3, 3), (5, 31))])
    assert got[0] == pytest.approx([6 / 7, 1, 2 / 7, 0])
    assert got[1].tolist() == [1, 1, 1, 1]
    assert got[2] == pytest.approx([0, 0, 0, 5 / 7])


def sizes(*units: float) -> Sizes:
    first, second = sorted(units, reverse=True)[:2]
    return Sizes(len(units), sum(units), sum(one**2 for one in units), first, second)


def test_a_single_huge_order_is_compared_with_the_others_alone() -> None:
    others = [2.0, 3, 1, 2, 4, 2, 3, 1, 2, 2, 3, 2, 1, 3, 2, 2, 1]
    # counts vary at least as Poisson ones do, so the spread is not taken as smaller
    usual = np.mean(others) + 3 * max(np.std(others), np.mean(others) ** 0.5)
    assert usual_most(sizes(900, *others)) == pytest.approx(max(usual, 4))
    assert usual_most(sizes(9, *others)) == pytest.approx(usual), "more than twice the next"
    assert usual_most(sizes(7, *others)) is None, "an order somewhat larger than others is ordinary"
    assert usual_most(sizes(900, 800, *others)) is None, "it came again"
    assert usual_most(sizes(900, *others[:11])) is None, "too few to say what is usual"
    assert usual_most(sizes(48, 60, 48, 36, 48, 60, 72, 48, 48, 60, 36, 48, 48, 60)) is None


def test_what_a_huge_order_has_too_much_is_not_learnt() -> None:
    days = [(0, 7 * week, 10.0) for week in range(4)] + [(0, 9, 500.0)]
    got = seen(days, 28, over=[(0, MONDAY.toordinal() + 9, 488.0)])
    assert got.units[0].tolist() == [10, 510, 10, 10]
    assert got.capped[0].tolist() == [10, 22, 10, 10]
