"""The cover of all materials at once against plain loops, and what a forecast makes of an invented history."""

from array import array
from datetime import date, timedelta

import numpy as np
import pytest
from conftest import SOAK
from forecasts.plain_cover import plain

from service.core.cover import cover
from service.core.cover.cover import DAYS
from service.core.cover.sampled import Clock
from service.core.demand import outlook
from service.core.demand.planning import Books, History, Lot, Mark

TODAY = date(2026, 11, 25)  # a Wednesday


def history(series: dict[tuple[int, str], list[float]], products: int, **more: object) -> History:
    """Weekly units, the last week being the one before this one, sold on Thursdays."""
    made = History(TODAY.toordinal(), 0, products, list(series), **more)  # type: ignore[arg-type]
    thursday = TODAY - timedelta(days=TODAY.weekday() + 4)
    for at, weeks in enumerate(series.values()):
        for back, units in enumerate(reversed(weeks)):
            if units:
                made.at.append(at)
                made.day.append((thursday - timedelta(days=7 * back)).toordinal())
                made.units.append(float(units))
    return made


def world(dice: np.random.Generator) -> Books:
    """Three products, one of them a set; two materials, packaging, and bulk of which there is some."""

    def lots(most: float) -> list[Lot]:
        return [Lot(float(dice.uniform(0, most)), int(dice.integers(3, 260)) if dice.random() < 0.7 else None) for _ in range(3)]

    books = Books(4)
    books.goes = [(0, 0, 3.0), (0, 2, 1.0), (1, 3, 50.0), (1, 2, 1.0), (2, 2, 2.0)]
    books.bulk = [(3, 0, 0.25), (3, 1, 0.8)]
    books.rest = [0, int(dice.integers(0, 40)), 0]
    books.sets = [(2, 0, 2.0), (2, 1, 1.0)]
    books.finished = {0: lots(60), 1: lots(60), 2: lots(10)}
    books.lots = {0: lots(2500), 1: lots(9000), 2: lots(500), 3: lots(3000)}
    books.planned = [(0, 10, 40.0), (3, 0, 100.0)]
    books.lead, books.level = [7] * 4, [0.9] * 4
    return books


@pytest.mark.parametrize("seed", range(40 if SOAK else 6))
def test_run_out_and_losses_are_those_of_plain_loops(seed: int) -> None:
    dice = np.random.default_rng(seed)
    books, count, weeks = world(dice), 12, 33
    clock = Clock.of(TODAY.toordinal(), TODAY.toordinal() - 2, weeks)
    weekly = dice.poisson(dice.uniform(0.5, 9, 3), (count, weeks, 3)).astype(np.float32)
    weekly[:, 0] *= np.float32(5 / 7)
    total = np.concatenate([np.zeros((count, 1, 3), np.float32), np.cumsum(weekly, axis=1)], axis=1)
    need, _ = cover.to_nodes(total.copy(), clock, books)
    clock_ = Clock(clock.knots[: need.shape[1]])
    daily = [[[float(weekly[path, w, p]) / (5 if w == 0 else 7) for p in range(3)]
              for w in range(weeks) for _ in range(5 if w == 0 else 7)] for path in range(count)]  # fmt: skip
    expected = [plain(one, books, DAYS) for one in daily]
    off_days: list[int] = []
    for node in (0, 1, 2):
        some = need[:, :, [node]]
        for other, day, quantity in books.planned:
            if other == node:  # a plan takes all at once, the service spreads it within its week
                some[:, clock_.knots > day] += np.float32(quantity)
        got, parts = cover.given(some[:, :, 0], clock_, books.lots[node])
        out = cover.run_out(some, clock_, got[:, None])[:, 0]
        off_days += [int(out[path]) - expected[path][0][node] for path in range(count)]
        most = np.diff(some[:, :, 0], axis=1, prepend=0).max(axis=1)  # a week's need: between knots need is taken as even
        whole = np.zeros(count)
        for at, lot in enumerate(books.lots[node]):
            if lot.last is not None and lot.last < DAYS:
                off = lot.quantity - parts[at] - np.array([expected[path][1][node][at] for path in range(count)])
                assert (np.abs(off) <= most + 1e-3 * lot.quantity).all(), (node, at)
                whole += off
        assert abs(whole.mean()) < 0.01 * sum(lot.quantity for lot in books.lots[node]), node
    assert max(map(abs, off_days)) <= 6  # where finished or bulk stock ends within that same week
    assert sum(map(abs, off_days)) <= 1.5 * len(off_days)


def test_resting_lots_serve_from_their_day_on() -> None:
    steady = history({(0, "retail"): [7.0] * 60}, 1)
    books = Books(1, [(0, 0, 10.0)], rest=[0], lead=[5], level=[0.5])
    books.lots = {0: [Lot(200.0, None), Lot(10_000.0, None, 60)]}
    [found] = cover.cover(steady, books)
    assert found.runs_out[1] is not None
    assert 14 <= found.runs_out[1] <= 26  # 200 g at 10 g a day, long before the second lot is ready
    books.lots[0][1] = Lot(10_000.0, None, 8)
    assert cover.cover(steady, books)[0].runs_out == [None, None, None]


def test_steady_demand_runs_out_when_it_must() -> None:
    steady = history({(0, "retail"): [14.0] * 80}, 1)
    books = Books(1, [(0, 0, 10.0)], rest=[0], lots={0: [Lot(1000.0, None)]}, lead=[10], level=[0.95])
    [found] = cover.cover(steady, books)
    early, likely, late = found.runs_out
    assert early is not None
    assert likely is not None
    assert late is not None
    assert early <= likely <= late
    assert abs(likely - 50) <= 4  # 20 g a day
    assert found.order_by is not None
    assert found.order_by <= early - 10
    assert abs(found.weekly_need - 140) < 14
    assert found.drivers == [(0, 1.0)]
    assert found.bands[0][0] <= found.bands[1][0] <= found.bands[2][0]
    assert abs(found.bands[1][0] - 900) < 60  # five days of this week are left
    assert cover.cover(steady, books) == [found], "the same books give the same answer"


def test_what_expires_is_lost_and_counted() -> None:
    slow = history({(0, "retail"): [1.0] * 80}, 1)
    books = Books(1, [(0, 0, 10.0)], rest=[0], lots={0: [Lot(1000.0, 27), Lot(100.0, None)]}, lead=[10], level=[0.95])
    [found] = cover.cover(slow, books)
    assert abs(found.expiring[0] - 960) < 15
    assert found.expiring[1] == 0
    assert found.runs_out[1] is not None
    assert 28 + 50 <= found.runs_out[1] <= 28 + 90


def test_an_open_order_is_certain_and_consumes_the_forecast() -> None:
    weeks = {(0, "wholesale"): [0.0, 0.0, 0.0, 40.0] * 25}
    books = Books(1, [(0, 0, 1.0)], rest=[0], lots={0: [Lot(100.0, None)]}, lead=[0], level=[0.95])
    due = TODAY + timedelta(days=20)
    without = cover.cover(history(weeks, 1), books)[0].runs_out
    with_it = cover.cover(history(weeks, 1, known=[(0, due.toordinal(), 60.0)]), books)[0].runs_out
    big = cover.cover(history(weeks, 1, known=[(0, due.toordinal(), 120.0)]), books)[0].runs_out
    assert without[1] is not None
    assert with_it[1] is not None
    assert big[2] is not None
    assert big[2] <= 26, "an order for more than there is runs it out in its week, for certain"
    assert with_it[1] >= 14, "sixty that are known are not added to what was expected anyway"
    late = cover.cover(history(weeks, 1, known=[(0, (TODAY - timedelta(days=3)).toordinal(), 101.0)]), books)[0].runs_out
    assert late[2] is not None
    assert late[2] <= 4, "what is overdue must still be served"


def test_an_imagined_order_moves_only_what_it_needs() -> None:
    weeks = {(0, "retail"): [5.0] * 60, (1, "retail"): [5.0] * 60}
    books = Books(2, [(0, 0, 1.0), (1, 1, 1.0)], rest=[0, 0], lots={0: [Lot(60.0, None)], 1: [Lot(60.0, None)]}, lead=[0, 0],
                  level=[0.9, 0.9])  # fmt: skip
    told = history(weeks, 2)
    before = cover.cover(told, books)
    after = cover.cover(told, books, [(0, "wholesale", TODAY.toordinal() + 7, 50.0)])
    assert after[1] == before[1], "the same luck on every path"
    assert before[0].runs_out[1] is not None
    assert after[0].runs_out[1] is not None
    assert after[0].runs_out[1] < before[0].runs_out[1] - 20


def test_finished_stock_plans_and_sets_come_first() -> None:
    weeks = {(1, "retail"): [7.0] * 60}  # product 1 is a set of two of product 0
    books = Books(1, [(0, 0, 10.0)], rest=[0, 0], sets=[(1, 0, 2.0)], lots={0: [Lot(280.0, None)]}, lead=[0], level=[0.5])
    told = history(weeks, 2)
    plainly = cover.cover(told, books)[0].runs_out[1]
    books.finished = {0: [Lot(28.0, None)]}
    inner = cover.cover(told, books)[0].runs_out[1]
    books.finished = {0: [Lot(28.0, None)], 1: [Lot(14.0, None)]}
    both = cover.cover(told, books)[0].runs_out[1]
    assert plainly is not None
    assert inner is not None
    assert both is not None
    assert abs(plainly - 14) <= 3
    assert abs(inner - plainly - 14) <= 4
    assert abs(both - inner - 14) <= 4


def test_a_dead_season_has_no_demand_and_no_run_out() -> None:
    """Sold from December to February only; it is learnt from the season before."""
    monday = TODAY - timedelta(days=TODAY.weekday())
    months = [(monday - timedelta(days=7 * back)).month for back in range(60, 0, -1)]
    weeks = {(0, "retail"): [20.0 if month in (12, 1, 2) else 0.0 for month in months]}
    books = Books(1, [(0, 0, 1.0)], rest=[0], lots={0: [Lot(1e9, None)]}, lead=[0], level=[0.9])
    seasonal = history(weeks, 1, seasons={0: ((12, 1), (2, 28))})
    seen = outlook.look(seasonal, 26)
    winter, spring = seen.forecast.week_mean[0, 2:12], seen.forecast.week_mean[0, 15:]
    assert winter.mean() > 12
    assert spring.max() == 0
    assert seen.forecast.mean[0, -1] == pytest.approx(seen.forecast.mean[0, 15])
    [found] = cover.cover(seasonal, books)
    assert found.bands[1][14] == found.bands[1][-1]


def test_weeks_out_of_stock_say_at_least() -> None:
    weeks = [10.0] * 40 + [0.0] * 8
    thursday = TODAY - timedelta(days=TODAY.weekday() + 4)
    gap = [((thursday - timedelta(days=7 * 7 + 3)).toordinal(), (TODAY - timedelta(days=TODAY.weekday() + 1)).toordinal())]
    ignored = outlook.look(history({(0, "retail"): weeks}, 1), 8).forecast.mean[0, 7]
    known = outlook.look(history({(0, "retail"): weeks}, 1, gaps={0: gap}), 8).forecast.mean[0, 7]
    assert known > 70
    assert ignored < 0.6 * known


def test_a_new_product_borrows_from_what_it_is_like() -> None:
    weeks = {(0, "retail"): [30.0] * 50, (1, "retail"): [2.0] * 50, (2, "retail"): [2.0] * 50, (3, "retail"): [0.0]}
    like = outlook.look(history(weeks, 4, like={3: [0]}), 8)
    assert like.borrowed[3] == 1
    assert like.forecast.week_mean[3, 0] == pytest.approx(like.forecast.week_mean[0, 0])
    weeks[3, "retail"] = [1.0, 1.0]
    usual = outlook.look(history(weeks, 4), 8)
    assert 0.5 < usual.borrowed[3] < 1
    assert usual.forecast.week_mean[3, 0] < 4, "the median of the others"


def test_promotions_lift_and_market_days_carry_what_they_did() -> None:
    weeks = [10.0] * 30 + [30.0] + [10.0] * 15 + [30.0] + [10.0] * 4
    monday = TODAY - timedelta(days=TODAY.weekday())

    def mark(kind: str, back: int, days: int = 6) -> Mark:
        first = (monday - timedelta(days=7 * back)).toordinal()
        return Mark(kind, first, first + days)

    promoted = history({(0, "retail"): weeks}, 1, marks=[mark("promotion", 5), mark("promotion", 21), mark("promotion", -2)])
    found = outlook.look(promoted, 4).forecast.week_mean[0]
    plainly = outlook.look(history({(0, "retail"): weeks}, 1), 4).forecast.week_mean[0]
    assert found[2] > 2 * found[1], "the marked week to come"
    assert found[1] < plainly[1], "and the past ones no longer lift the others"
    days = [mark("market_day", back, 0) for back in (1, 5, 9, 13, -1)]
    stalls = history({(0, "market"): [0.0, 0.0, 0.0, 50.0] * 12}, 1, marks=days)
    market = outlook.look(stalls, 4).forecast.week_mean[0]
    assert market[1] > 35
    assert market[[0, 2, 3]].max() == 0


def test_one_huge_order_does_not_lift_the_level_for_months() -> None:
    weeks = [4.0] * 50
    weeks[44] = 504.0
    day = (TODAY - timedelta(days=TODAY.weekday() + 4 + 7 * 5)).toordinal()
    lifted = outlook.look(history({(0, "retail"): weeks}, 1), 8).forecast.week_mean[0, 0]
    capped = outlook.look(history({(0, "retail"): weeks}, 1, over=[(0, day, 490.0)]), 8).forecast.week_mean[0, 0]
    assert capped < 8 < lifted


EDGES: dict[str, list[float]] = {
    "all zero": [0.0] * 30, "never zero": [3.0] * 30, "one sale ever": [0.0] * 10 + [2.0] + [0.0] * 40, "brand new": [5.0],
    "sleeping": [6.0] * 40 + [0.0] * 60, "one huge order": [0.0] * 20 + [5000.0] + [0.0] * 5, "short": [1.0, 0.0, 2.0],
}  # fmt: skip


@pytest.mark.parametrize("name", EDGES)
def test_edge_series_are_forecast_alone_and_among_others(name: str) -> None:
    alone = {(0, "retail"): EDGES[name]}
    books = Books(1, [(0, 0, 1.0)], rest=[3], lots={0: [Lot(10.0, 5)]}, lead=[0], level=[0.9])
    for others in ({}, {(n, "retail"): [float(n)] * 40 for n in range(1, 20)}):
        told = history({**alone, **others}, 20)
        books.rest = [3] * 20
        seen = outlook.look(told, 13)
        assert np.isfinite(seen.forecast.mean).all()
        assert (seen.forecast.mean >= 0).all()
        [found] = cover.cover(told, books, count=50)
        assert np.isfinite(found.weekly_need)
        for channel in outlook.product(told, 0, 4, [], count=50)[0]:
            assert all(list(week) == sorted(week) for week in channel.cumulative)
    if name in ("all zero", "sleeping"):
        assert outlook.look(history(alone, 1), 4).forecast.week_mean[0, 0] < 0.5


def test_an_empty_workshop_has_an_empty_answer() -> None:
    assert cover.cover(History(TODAY.toordinal()), Books()) == []
    one = Books(1, lots={0: [Lot(5.0, 3)]}, rest=[0], lead=[0], level=[0.9])
    [found] = cover.cover(History(TODAY.toordinal(), products=1), one)
    assert (found.runs_out, found.order_by, found.expiring) == ([None, None, None], None, [5.0])
    assert outlook.product(History(TODAY.toordinal(), products=1), 0, 4, []) == ([], None, None)
    assert outlook.quality(History(TODAY.toordinal())) is None


def test_the_history_is_kept_in_plain_arrays() -> None:
    assert isinstance(history({(0, "retail"): [1.0]}, 1).at, array)
