"""Order lines to weekly demand: weeks, sets, open shares, gaps in stock, seasons and single huge orders."""

from datetime import date, timedelta

import numpy as np
import pytest

from service.core.demand.weekly import (
    Line,
    capped,
    censored,
    huge_orders,
    open_shares,
    seasonal_shares,
    stocked_shares,
    week_of,
    weekly,
)

MONDAY = date(2026, 3, 2)


@pytest.mark.parametrize("week_start", range(7))
def test_weeks_begin_on_the_workshops_day(week_start: int) -> None:
    for offset in range(40):
        day = MONDAY + timedelta(days=offset)
        begin = week_of(day, week_start)
        assert begin.weekday() == week_start
        assert 0 <= (day - begin).days < 7


def test_lines_become_weeks_by_product_and_channel() -> None:
    lines = [
        Line("balm", "retail", MONDAY, 2),
        Line("balm", "retail", MONDAY + timedelta(days=6), 3),
        Line("balm", "retail", MONDAY + timedelta(days=7), 5),
        Line("balm", "wholesale", MONDAY + timedelta(days=21), 48),
        Line("soap", "retail", MONDAY + timedelta(days=28), 9),  # the running week: not over
    ]
    got = weekly(lines, MONDAY + timedelta(days=29))
    assert got.weeks == tuple(MONDAY + timedelta(days=7 * week) for week in range(4))
    assert dict(zip(got.series, got.units.tolist(), strict=True)) == {
        ("balm", "retail"): [5, 5, 0, 0],
        ("balm", "wholesale"): [0, 0, 0, 48],
    }
    sunday = weekly(lines, MONDAY + timedelta(days=29), week_start=6)
    assert sunday.weeks[0] == MONDAY - timedelta(days=1)
    assert sunday.units[0].tolist() == [2, 8, 0, 0]


def test_nothing_is_lost_and_order_does_not_matter() -> None:
    rng = np.random.default_rng(1)
    lines = [
        Line(f"p{rng.integers(5)}", "retail", MONDAY + timedelta(days=int(rng.integers(70))), float(rng.integers(1, 9)))
        for _ in range(400)
    ]
    until = MONDAY + timedelta(days=77)
    names = [(f"p{at}", "retail") for at in range(5)]
    got = weekly(lines, until, series=names)
    assert got.units.sum() == sum(line.units for line in lines)
    again = weekly(lines[::-1], until, series=names)
    assert (again.units == got.units).all()
    assert again.series == got.series


def test_a_sets_demand_is_its_products() -> None:
    lines = [Line("gift", "retail", MONDAY, 4), Line("soap", "retail", MONDAY, 1)]
    got = weekly(lines, MONDAY + timedelta(days=7), sets={"gift": {"soap": 2, "balm": 1}})
    assert {key[0]: row[0] for key, row in zip(got.series, got.units.tolist(), strict=True)} == {"soap": 9, "balm": 4}


def test_listed_series_and_since_are_kept_when_nothing_was_sold() -> None:
    got = weekly([], MONDAY + timedelta(days=14), since=MONDAY, series=[("new", "retail")])
    assert got.units.tolist() == [[0, 0]]
    assert weekly([], MONDAY).units.shape == (0, 0)
    later = weekly([Line("new", "retail", MONDAY - timedelta(days=1), 5)], MONDAY + timedelta(days=7), since=MONDAY)
    assert later.units.sum() == 0


def test_open_shares() -> None:
    weeks = [MONDAY + timedelta(days=7 * week) for week in range(4)]
    days = {MONDAY + timedelta(days=d) for d in (0, 1, 2, 3, 4, 7, 8, 9, 10, 11, 14, 21, 22, 23, 24, 25, 26)}
    assert open_shares(weeks, days).tolist() == [1, 1, 0.2, 1]
    assert open_shares(weeks, days, usual=10).tolist() == [0.5, 0.5, 0.1, 0.6]
    assert open_shares(weeks, set()).tolist() == [1, 1, 1, 1]


def test_weeks_out_of_stock_are_censored() -> None:
    weeks = [MONDAY + timedelta(days=7 * week) for week in range(4)]
    gaps = [[(MONDAY + timedelta(days=5), MONDAY + timedelta(days=13))], [], [(MONDAY - timedelta(days=50), MONDAY)]]
    got = stocked_shares(weeks, gaps)
    assert got[0] == pytest.approx([5 / 7, 0, 1, 1])
    assert got[1].tolist() == [1, 1, 1, 1]
    assert got[2] == pytest.approx([6 / 7, 1, 1, 1])
    assert censored(np.zeros((3, 4)), got).tolist() == [[True, True, False, False], [False] * 4, [True, False, False, False]]


def test_seasons_may_run_over_the_new_year() -> None:
    weeks = [date(2026, 11, 30), date(2026, 12, 28), date(2027, 1, 4), date(2027, 3, 1)]
    got = seasonal_shares(weeks, [((12, 1), (1, 5)), None, ((3, 3), (5, 31))])
    assert got[0] == pytest.approx([6 / 7, 1, 2 / 7, 0])
    assert got[1].tolist() == [1, 1, 1, 1]
    assert got[2] == pytest.approx([0, 0, 0, 5 / 7])


def orders(sizes: list[float]) -> list[Line]:
    return [Line("balm", "retail", MONDAY + timedelta(days=3 * at), size, f"o{at}") for at, size in enumerate(sizes)]


def test_a_single_huge_order_is_shown_and_capped() -> None:
    lines = orders([2, 3, 1, 2, 4, 2, 3, 1, 2, 2, 3, 2, 1, 3, 2, 900, 2, 1])
    demand = weekly(lines, MONDAY + timedelta(days=70))
    found = huge_orders(demand, lines)
    assert [(one.order, one.units) for one in found] == [("o15", 900)]
    others = np.array([line.units for line in lines if line.order != "o15"])
    # counts vary at least as Poisson ones do, so the spread is not taken as smaller
    assert found[0].usual_most == pytest.approx(others.mean() + 3 * max(others.std(), others.mean() ** 0.5))
    held = capped(demand, found)
    assert held.sum() == pytest.approx(demand.units.sum() - 900 + found[0].usual_most)
    assert (held <= demand.units).all()
    assert demand.units.max() >= 900  # what happened is not forgotten


def test_regular_orders_and_short_histories_are_not_called_huge() -> None:
    regular = orders([48, 60, 48, 36, 48, 60, 72, 48, 48, 60, 36, 48, 48, 60])
    assert huge_orders(weekly(regular, MONDAY + timedelta(days=70)), regular) == []
    short = orders([1, 1, 500])
    assert huge_orders(weekly(short, MONDAY + timedelta(days=70)), short) == []


def test_one_order_in_several_lines_is_one_order() -> None:
    lines = [*orders([2.0] * 14), *(Line("balm", "retail", MONDAY, 5, "big") for _ in range(40))]
    found = huge_orders(weekly(lines, MONDAY + timedelta(days=70)), lines)
    assert [(one.order, one.units, one.week) for one in found] == [("big", 200, 0)]
