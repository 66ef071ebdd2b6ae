"""Run-out of stock along sample paths, against a plain loop over days and lots written apart from it."""

import numpy as np
import pytest
from numpy.typing import NDArray

from api_tests.conftest import SOAK
from service.core.cover.runout import Lot, daily_total, expected_loss, order_by, run_out

Floats = NDArray[np.float64]


def plain(daily: list[float], lots: list[Lot]) -> tuple[int, list[float]]:
    """Event by event: the first short day, and what each lot lost."""
    left = [lot.quantity for lot in lots]
    lost = [0.0] * len(lots)
    out = len(daily)
    for day, need in enumerate(daily):
        for at, lot in enumerate(lots):
            if lot.last_day is not None and day > lot.last_day and left[at] > 0:
                lost[at] += left[at]
                left[at] = 0.0
        usable = [at for at, lot in enumerate(lots) if lot.first_day <= day]
        while need > 1e-9:
            there = [at for at in usable if left[at] > 0]
            if not there:
                break
            oldest = min(there, key=lambda at: float("inf") if lots[at].last_day is None else float(lots[at].last_day))
            taken = min(left[oldest], need)
            left[oldest] -= taken
            need -= taken
        if need > 1e-6 and out == len(daily):
            out = day
    for at, lot in enumerate(lots):  # at midnight after the last day
        if lot.last_day is not None and lot.last_day < len(daily):
            lost[at] += left[at]
    return out, lost


def some_lots(rng: np.random.Generator, later: bool) -> list[Lot]:
    lots = []
    for _ in range(rng.integers(0, 6)):
        last = None if rng.random() < 0.3 else int(rng.integers(-3, 80))
        first = int(rng.integers(0, 40)) if later and rng.random() < 0.5 else 0
        lots.append(Lot(float(rng.integers(0, 300)), last, first))
    return lots


@pytest.mark.parametrize("later", [False, True])
def test_agrees_with_a_plain_loop(later: bool) -> None:
    rng = np.random.default_rng(17 + later)
    for _ in range(1500 if SOAK else 120):
        paths, weeks = int(rng.integers(1, 5)), int(rng.integers(1, 11))
        need = np.where(rng.random((paths, weeks)) < 0.3, 0.0, rng.integers(0, 120, (paths, weeks))).astype(float)
        lots = some_lots(rng, later)
        total = daily_total(need)
        got = run_out(total, lots)
        for path in range(paths):
            out, lost = plain(np.repeat(need[path] / 7, 7).tolist(), lots)
            assert got.run_out[path] == out, (need[path], lots)
            assert got.expired[path] == pytest.approx(lost, abs=1e-6), (need[path], lots)


def test_daily_total_spreads_a_week_evenly() -> None:
    assert daily_total([[7.0, 14.0]])[0] == pytest.approx([1, 2, 3, 4, 5, 6, 7, 9, 11, 13, 15, 17, 19, 21])


def test_the_last_day_is_inclusive() -> None:
    need = daily_total([[70.0, 70.0]])
    got = run_out(need, [Lot(100, 4)])
    assert got.run_out.tolist() == [5]
    assert got.expired.tolist() == [[50]]
    assert run_out(need, [Lot(100, None)]).run_out.tolist() == [10]
    assert run_out(need, [Lot(140, None)]).run_out.tolist() == [14]
    assert run_out(need, [Lot(50, -1)]).run_out.tolist() == [0]
    assert run_out(need, []).run_out.tolist() == [0]


def test_first_expired_is_eaten_first_and_spares_the_other() -> None:
    need = daily_total([[70.0, 70.0, 70.0]])
    got = run_out(need, [Lot(100, None), Lot(60, 20), Lot(30, 3)])
    assert got.expired.tolist() == [[0, 0, 0]]
    assert got.run_out.tolist() == [19]


def test_without_need_nothing_runs_out_but_lots_expire() -> None:
    got = run_out(np.zeros((3, 28)), [Lot(10, 5), Lot(10, None)])
    assert got.run_out.tolist() == [28, 28, 28]
    assert got.bands() == [None, None, None]
    assert expected_loss(got).tolist() == [10, 0]
    assert order_by(got, [7.0], 0.95) is None


def test_bands_are_the_days_by_which_so_many_paths_are_out() -> None:
    need = np.array([np.arange(1, 41) * (100 / day) for day in range(1, 11)])  # the path of day d is out after d days
    got = run_out(need, [Lot(100.0)])
    assert got.run_out.tolist() == list(range(1, 11))
    assert got.bands((0.1, 0.5, 0.9)) == [1, 5, 9]
    short = run_out(need[:, :6], [Lot(100.0)])
    assert short.bands((0.1, 0.5, 0.9)) == [1, 5, None]


def test_an_order_by_its_day_arrives_in_time_that_often() -> None:
    rng = np.random.default_rng(23)
    need = daily_total(rng.gamma(4, 25, (4000, 26)))
    got = run_out(need, [Lot(800.0), Lot(300.0, 60)])
    lead = rng.choice([5.0, 7.0, 9.5, 20.0], 4000)
    for level in (0.5, 0.9, 0.95, 0.99):
        day = order_by(got, lead, level)
        assert day is not None

        def share(on: int) -> float:
            return float((on + np.ceil(lead) <= got.run_out).mean())

        assert share(day) >= level
        assert share(day + 1) < level


def test_an_order_that_is_due_already_is_negative() -> None:
    got = run_out(daily_total([[70.0]] * 10), [Lot(20.0)])
    assert order_by(got, [14.0], 0.95) == 2 - 14


def test_few_lead_times_are_repeated() -> None:
    got = run_out(daily_total([[70.0, 70.0]] * 4), [Lot(100.0)])
    assert order_by(got, [1.0, 3.0], 0.5) == 9
    assert order_by(got, [1.0, 3.0], 0.51) == 7
