"""The purchase programme against published optima, and against every order there is."""

import numpy as np
import pytest

from api_tests.conftest import SOAK
from api_tests.core.instances import Orders, course_cost, some_course, some_problem
from api_tests.core.published import Case, cases, check, source
from service.core.buying import safety
from service.core.buying.model import Column, Group, Problem, solve
from service.core.buying.paths import Course, Slot, evaluate, walk
from service.core.cover.runout import Floats

KG = 1_000_000  # milligrams
EUR = 1_000_000  # millionths


# --- the cost of an order along the paths ----------------------------------------------------------------------------------


def test_costs_agree_with_a_plain_loop_and_lie_above_their_tangents() -> None:
    rng = np.random.default_rng(3)
    for _ in range(400 if SOAK else 60):
        course = some_course(rng, int(rng.integers(1, 4)), 4, int(rng.integers(5, 20)))
        points = rng.integers(0, 25, (6, len(course.slots))).astype(float)
        costs, slopes = evaluate(course, points)
        assert costs == pytest.approx([course_cost(course, tuple(point)) for point in points], abs=1e-7)
        for at in range(6):
            assert (costs[at] + (points - points[at]) @ slopes[at] <= costs + 1e-6).all()


def test_the_walk_adds_up() -> None:
    rng = np.random.default_rng(4)
    for _ in range(40):
        course = some_course(rng, 2, 5, 12)
        point = rng.integers(0, 25, 2).astype(float)
        walked = walk(course, point)
        short = (walked.short * course.weight).sum(axis=1).mean() + course.held * walked.unused.mean()
        promised = 0.0 if course.promised is None else float((walked.short * course.promised).sum(axis=1).mean())
        missed = course.breach * max(promised - course.allowed, 0.0)
        assert short + missed == pytest.approx(evaluate(course, [point])[0][0])
        served = (course.need - walked.short).sum(axis=1)
        # what expired was never used: what was used and what expired is at most what was there
        there = sum(lot.quantity for lot in course.lots) + point.sum()
        assert (served + walked.expired.sum(axis=1) <= there + 1e-9).all()


# --- published optima --------------------------------------------------------------------------------------------------------


def known_demand(demand: list[float], setup: list[float], holding: float) -> Problem:
    """One material, known demand, an order possible at the start of every period, whole units, free goods."""
    periods = len(demand)
    slots = tuple(Slot(np.array([period])) for period in range(periods))
    course = Course(np.arange(periods + 1), np.array([demand]), np.full((1, periods), 1e4), holding, (), slots)
    columns = [Column(0, period, period, period, 1.0, 0.0) for period in range(periods)]
    return Problem([course], columns, [Group(cost, order=period) for period, cost in enumerate(setup)])


@pytest.mark.parametrize("case", cases("Wagner-Whitin", "Wagner-Whitin zero demand", "Silver-Meal"))
def test_the_planner_finds_the_published_schedule(case: Case) -> None:
    demand = [float(value) for value in case["inputs"]["demand"]]
    setup = case["inputs"]["setup"]
    each = [float(value) for value in setup] if isinstance(setup, list) else [float(setup)] * len(demand)
    got = solve(known_demand(demand, each, float(case["inputs"]["holding"])), 1e-9)
    assert got.packs.tolist() == [int(value) for value in case["expected"]["plan"]], source(case)
    assert got.bound == pytest.approx(got.cost)
    if "cost" in case["expected"]:
        assert got.cost == pytest.approx(float(case["expected"]["cost"])), source(case)


def one_period(demand: Floats, under: float, over: float, pack: float) -> Problem:
    """A newsvendor's day: what is left costs `over`, what is short `under`."""
    course = Course(
        np.array([0, 1]), demand[:, None], np.full((len(demand), 1), under), over, (), (Slot(np.zeros(len(demand), int)),)
    )
    return Problem([course], [Column(0, 0, 0, 0, pack, 0.0)], [Group()])


@pytest.mark.parametrize("case", cases("newsvendor discrete"))
def test_the_planner_is_the_newsvendor_of_counts(case: Case) -> None:
    under, over, mean = (float(case["inputs"][name]) for name in ("p", "h", "poisson_mean"))
    below = np.cumsum(safety.poisson(mean))
    demand = np.searchsorted(below, (np.arange(20_000) + 0.5) / 20_000).astype(float)
    got = solve(one_period(demand, under, over, 1.0), 1e-9)
    assert got.packs.tolist() == [int(case["expected"]["S"])], source(case)
    assert got.cost == pytest.approx(float(case["expected"]["cost"]), rel=1e-3), source(case)  # 20,000 paths, not all counts


@pytest.mark.parametrize("case", [one for one in cases("newsvendor") if "p" in one.values[0]["inputs"]])
def test_the_planner_is_the_newsvendor(case: Case) -> None:
    under, over, mean, sd = (float(case["inputs"][name]) for name in ("p", "h", "mean", "sd"))
    shares = (np.arange(4000) + 0.5) / 4000
    demand = np.array([mean + sd * safety.NORMAL.inv_cdf(share) for share in shares])
    got = solve(one_period(demand, under, over, sd / 100), 1e-7)
    assert got.packs[0] * sd / 100 == pytest.approx(float(case["expected"]["S"]), abs=sd / 50), source(case)
    assert got.cost == pytest.approx(float(case["expected"]["cost"]), rel=2e-3), source(case)  # packs, and 4,000 paths


def test_the_1958_case_costs_864() -> None:
    (case,) = [one.values[0] for one in cases("Wagner-Whitin") if one.id == "6.ww_1958"]
    demand, setup = ([float(value) for value in case["inputs"][name]] for name in ("demand", "setup"))
    got = solve(known_demand(demand, setup, 1.0), 1e-9)
    check(case, "cost", round(got.cost * 1000) / 1000, case["expected"]["cost"])


# --- every order there is ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", range(5))
def test_never_costlier_than_the_best_of_all_orders(part: int) -> None:
    rng = np.random.default_rng(1000 + part)
    ordered = 0
    for _ in range(100 if SOAK else 40):
        problem = some_problem(rng)
        every = Orders(problem, 6 if len({column.choice for column in problem.columns}) < 4 else 4)
        best = every.best()
        got = solve(problem, 1e-6)
        packs: dict[int, int] = {}
        for column, count in zip(problem.columns, got.packs.tolist(), strict=True):
            packs[column.choice] = packs.get(column.choice, 0) + count
        true = every.cost(packs)
        assert true is not None, "an order that a supplier or the budget refuses"
        assert got.cost == pytest.approx(true, abs=1e-6)
        allowance = 1e-6 * max(abs(true), got.goods + got.delivery) + 1e-6
        assert true <= best + allowance, (problem, packs)
        assert got.bound <= best + 1e-6
        assert got.gap <= 1e-6
        ordered += bool(got.packs.any())
    assert ordered > 5, "instances in which nothing is bought prove little"


@pytest.mark.parametrize("budget", [None, 5.0])
def test_where_nothing_can_be_ordered_no_order_is_the_best(budget: float | None) -> None:
    for groups in ([], [Group(5.0)]):
        got = solve(Problem([], [], groups, budget))
        assert not len(got.packs)
        assert (got.cost, got.bound, got.gap, got.goods, got.delivery) == (0.0, 0.0, 0.0, 0.0, 0.0)


def test_time_that_runs_out_still_gives_an_order_and_its_gap() -> None:
    problem = some_problem(np.random.default_rng(1))
    got = solve(problem, 1e-6, seconds=0.0)
    assert not got.packs.any()
    assert got.bound == -np.inf
    assert got.gap == np.inf
