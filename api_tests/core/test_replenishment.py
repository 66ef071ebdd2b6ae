"""The textbook's lot sizes and stock levels beside their publications, and against plain searches."""

from itertools import product
from typing import Any

import numpy as np
import pytest

from api_tests.conftest import SOAK
from api_tests.core.published import Case, cases, source
from service.core.buying import replenishment, safety
from service.core.buying.safety import NORMAL


def held(case: Case, got: Any, expected: Any) -> None:
    allowed = case["tolerance"]
    want = np.asarray(expected, dtype=float)
    most = float(allowed["abs"]) if "abs" in allowed else float(allowed["rel"]) * np.abs(want)
    assert np.shape(got) == want.shape, source(case)
    assert (np.abs(np.asarray(got, dtype=float) - want) <= most).all(), (got, source(case))


def given(case: Case, *names: str) -> list[float]:
    return [float(case["inputs"][name]) for name in names]


def many(case: Case, name: str) -> list[float]:
    return [float(value) for value in case["inputs"][name]]


# --- known demand --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("EOQ"))
def test_eoq(case: Case) -> None:
    inputs = case["inputs"]
    demand = float(inputs["demand"]) if "demand" in inputs else float(inputs["weekly_demand"] * inputs["weeks"])
    holding = float(inputs["h"]) if "h" in inputs else float(inputs["unit_cost"] * inputs["rate"])
    got = replenishment.eoq(float(inputs["K"]), holding, demand)
    held(case, got.quantity, case["expected"]["Q"])
    if "cost" in case["expected"]:
        held(case, got.cost, case["expected"]["cost"])


def test_eoq_costs_the_least() -> None:
    best = replenishment.eoq(8, 0.225, 1300)
    assert replenishment.eoq_cost(best.quantity, 8, 0.225, 1300) == pytest.approx(best.cost)
    assert replenishment.eoq_cost(250, 8, 0.225, 1300) == pytest.approx(69.725)  # Snyder & Shen (2019), Example 3.1
    for quantity in (best.quantity * 0.99, best.quantity * 1.01):
        assert replenishment.eoq_cost(quantity, 8, 0.225, 1300) > best.cost


@pytest.mark.parametrize("case", cases("EOQ with backorders"))
def test_planned_shortages(case: Case) -> None:
    got = replenishment.planned_shortages(*given(case, "K", "h", "b", "demand"))
    held(case, [got.quantity, got.cost, got.most_short], [case["expected"][name] for name in ("Q", "cost", "max_shortage")])


@pytest.mark.parametrize("case", cases("EPQ"))
def test_epq(case: Case) -> None:
    got = replenishment.epq(*given(case, "K", "h", "demand", "rate"))
    wanted = [case["expected"][name] for name in ("Q", "cost", "max_inventory", "T")]
    held(case, [got.quantity, got.cost, got.most_held, got.cycle], wanted)
    with pytest.raises(ValueError, match="rate"):
        replenishment.epq(100, 5, 200, 200)


@pytest.mark.parametrize("case", cases("EOQ all-units discount"))
def test_all_units_discount(case: Case) -> None:
    arguments = (*given(case, "K", "rate", "demand"), many(case, "breaks"), many(case, "prices"))
    got = replenishment.all_units(*arguments)
    held(case, [got.quantity, got.cost], [case["expected"]["Q"], case["expected"]["cost"]])
    tiers = replenishment.all_units_tiers(*arguments)
    for quantity, cost in case["expected"].get("tier_costs", {}).items():
        held(case, min(tiers, key=lambda tier: abs(tier.quantity - float(quantity))).cost, cost)


@pytest.mark.parametrize("case", cases("EOQ incremental discount"))
def test_incremental_discount(case: Case) -> None:
    got = replenishment.incremental(*given(case, "K", "rate", "demand"), many(case, "breaks"), many(case, "prices"))
    held(case, [got.quantity, got.cost], [case["expected"]["Q"], case["expected"]["cost"]])


def test_discounts_against_a_search() -> None:
    rng = np.random.default_rng(5)
    quantities = np.geomspace(1, 60_000, 60_000)
    for _ in range(200 if SOAK else 20):
        fixed, rate, demand = rng.uniform(1, 200), rng.uniform(0.05, 0.5), rng.uniform(50, 5000)
        breaks = [0.0, *np.sort(rng.uniform(20, 1500, 2))]
        prices = np.sort(rng.uniform(0.5, 5, 3))[::-1].tolist()
        tier = np.searchsorted(breaks, quantities, side="right") - 1
        price = np.array(prices)[tier]
        costs = price * demand + fixed * demand / quantities + rate * price * quantities / 2
        got = replenishment.all_units(fixed, rate, demand, breaks, prices)
        assert got.cost <= costs.min() + 1e-9
        assert got.cost == pytest.approx(costs.min(), rel=1e-3)
        paid = np.zeros_like(quantities)
        for begin, end, each in zip(breaks, [*breaks[1:], np.inf], prices, strict=True):
            paid += np.clip(quantities - begin, 0, end - begin) * each
        costs = paid / quantities * demand + fixed * demand / quantities + rate * paid / 2
        got = replenishment.incremental(fixed, rate, demand, breaks, prices)
        assert got.cost == pytest.approx(costs.min(), rel=1e-3)
        assert got.cost <= costs.min() + 1e-9


def setups(case: Case) -> float | list[float]:
    setup = case["inputs"]["setup"]
    return [float(value) for value in setup] if isinstance(setup, list) else float(setup)


@pytest.mark.parametrize("case", cases("Wagner-Whitin", "Wagner-Whitin zero demand"))
def test_wagner_whitin(case: Case) -> None:
    got = replenishment.wagner_whitin(many(case, "demand"), setups(case), float(case["inputs"]["holding"]))
    held(case, got.cost, case["expected"]["cost"])
    held(case, got.orders, case["expected"]["plan"])
    if "cumulative" in case["expected"]:
        held(case, got.cumulative, case["expected"]["cumulative"])


def test_wagner_whitin_against_every_schedule() -> None:
    rng = np.random.default_rng(58)
    for _ in range(300 if SOAK else 40):
        periods = int(rng.integers(1, 8))
        demand = (rng.integers(0, 60, periods) * (rng.random(periods) < 0.7)).tolist()
        setup, holding = rng.integers(10, 120, periods).tolist(), rng.integers(0, 4, periods).tolist()
        best = float("inf")
        for ordered in product((False, True), repeat=periods):
            cost, last = 0.0, -1
            for at in range(periods):
                if ordered[at]:
                    cost, last = cost + setup[at], at
                if demand[at] and last < 0:
                    cost = float("inf")
                elif demand[at]:
                    cost += demand[at] * sum(holding[last:at])
            best = min(best, cost)
        got = replenishment.wagner_whitin(demand, setup, holding)
        assert got.cost == pytest.approx(best)
        assert sum(got.orders) == sum(demand)


@pytest.mark.parametrize("case", cases("Silver-Meal"))
def test_silver_meal(case: Case) -> None:
    demand, (setup, holding) = many(case, "demand"), given(case, "setup", "holding")
    held(case, replenishment.silver_meal_averages(demand, setup, holding), case["expected"]["C"])
    got = replenishment.silver_meal(demand, setup, holding)
    held(case, got.orders, case["expected"]["plan"])
    assert got.cost == pytest.approx(310)  # computed, the note of the case
    assert got.cost >= replenishment.wagner_whitin(demand, setup, holding).cost


def test_an_economic_cycle_is_the_eoq_in_time() -> None:
    # one material of 10 a day at 2.00, kept at 0.01 a unit and day, 8.00 a delivery
    days = replenishment.economic_cycle(8, 0.1, 20, None, 0)
    assert days * 10 == pytest.approx(replenishment.eoq(8, 0.01, 10).quantity)
    assert replenishment.economic_cycle(8, 0.1, 20, 300, 0) == pytest.approx(15)  # 15 days: delivery is free, stock is less
    assert replenishment.economic_cycle(8, 0.1, 20, 900, 0) == pytest.approx(days)  # 45 days of stock are not worth 8.00
    assert replenishment.economic_cycle(8, 0.1, 20, None, 400) == pytest.approx(20)
    assert replenishment.economic_cycle(8, 0, 0, None, 400) == 0


# --- uncertain demand ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("newsvendor"))
def test_newsvendor(case: Case) -> None:
    inputs, expected = case["inputs"], case["expected"]
    mean, sd = given(case, "mean", "sd")
    if "p" in inputs:
        got = safety.newsvendor(*given(case, "p", "h"), mean, sd)
        held(case, [got.level, got.cost], [expected["S"], expected["cost"]])
        return
    price, cost = given(case, "price", "cost")
    got = safety.newsvendor(price - cost, cost, mean, sd)
    served = 1 - safety.expected_short(got.level, mean, sd) / mean
    held(case, safety.critical_fractile(price - cost, cost), expected["critical_ratio"])
    held(case, [got.level, got.cost, served], [expected["Q"], expected["exp_cost"], expected["fill_rate"]])
    held(case, (price - cost) * mean - got.cost, expected["exp_profit"])


@pytest.mark.parametrize("case", cases("newsvendor discrete"))
def test_newsvendor_of_counts(case: Case) -> None:
    under, over, mean = given(case, "p", "h", "poisson_mean")
    got = safety.newsvendor_counts(under, over, safety.poisson(mean))
    held(case, [got.level, got.cost], [case["expected"]["S"], case["expected"]["cost"]])


def test_a_shortage_is_priced_so_that_the_level_is_the_critical_fractile() -> None:
    for level in (0.5, 0.9, 0.95, 0.99):
        assert safety.critical_fractile(safety.price_of_running_out(level, 0.3), 0.3) == pytest.approx(level)


@pytest.mark.parametrize("case", cases("periodic review order-up-to (R,S)"))
def test_order_up_to(case: Case) -> None:
    got = safety.order_up_to(*given(case, "p", "h", "mean", "sd", "lead_time", "review"))
    held(case, [got.level, got.cost], [case["expected"]["S"], case["expected"]["cost"]])


@pytest.mark.parametrize("case", cases("(r,Q) EOQ+safety stock"))
def test_rq_separate(case: Case) -> None:
    got = safety.rq_separate(*given(case, "K", "p", "h", "mean", "sd", "lead_time"))
    held(case, [got.reorder, got.quantity], [case["expected"]["r"], case["expected"]["Q"]])


@pytest.mark.parametrize("case", cases("(r,Q) expected-inventory-level approx."))
def test_rq_together(case: Case) -> None:
    got = safety.rq_together(*given(case, "K", "p", "h", "mean", "sd", "lead_time"))
    held(case, [got.reorder, got.quantity, got.cost], [case["expected"][name] for name in ("r", "Q", "cost")])


@pytest.mark.parametrize("case", cases("(s,S) exact, Poisson"))
def test_ss_exact(case: Case) -> None:
    fixed, under, over, mean = given(case, "K", "p", "h", "poisson_mean")
    got = safety.ss_exact(fixed, under, over, safety.poisson(mean))
    held(case, [got.low, got.high, got.cost], [case["expected"][name] for name in ("s", "S", "cost")])


def plain_ss_cost(low: int, high: int, fixed: float, under: float, over: float, chances: list[float]) -> float:
    """The long-run cost of a period from the stationary chances of the stock after ordering, found by turns."""
    span = high - low
    stock = np.zeros(span)  # high - at
    stock[0] = 1.0
    move = np.zeros((span, span))
    for at in range(span):
        for size, chance in enumerate(chances):
            move[at, at + size if at + size < span else 0] += chance
    for _ in range(4000):
        stock = 0.5 * stock + 0.5 * stock @ move
    ends = np.subtract.outer(high - np.arange(span), np.arange(len(chances)))
    period = np.where(ends > 0, over * ends, -under * ends) @ np.array(chances)
    orders = [sum(chances[span - at :]) for at in range(span)]
    return float(stock @ (period + fixed * np.array(orders)))


def test_ss_exact_against_every_pair() -> None:
    rng = np.random.default_rng(91)
    for _ in range(40 if SOAK else 4):
        chances = rng.dirichlet(np.ones(5)).tolist()
        fixed, under, over = float(rng.uniform(1, 12)), float(rng.uniform(2, 9)), float(rng.uniform(0.5, 2))
        got = safety.ss_exact(fixed, under, over, chances)
        assert got.cost is not None
        pairs = ((low, high) for low in range(-5, 7) for high in range(low + 1, 15))
        costs = [plain_ss_cost(low, high, fixed, under, over, chances) for low, high in pairs]
        assert got.cost == pytest.approx(min(costs), rel=1e-6)
        assert plain_ss_cost(int(got.low), int(got.high), fixed, under, over, chances) == pytest.approx(got.cost, rel=1e-6)


@pytest.mark.parametrize("case", cases("(s,S) power approximation"))
def test_ss_power(case: Case) -> None:
    fixed, under, over, mean, sd, lead = given(case, "K", "p", "h", "mean", "sd", "lead_time")
    got = safety.ss_power(fixed, under, over, mean, sd, lead)
    held(case, [got.low, got.high], [case["expected"]["s"], case["expected"]["S"]])


@pytest.mark.parametrize("case", cases("reorder point, CSL, fill rate"))
def test_cycle_service_and_fill_rate(case: Case) -> None:
    mean, sd, lead, quantity, point = given(case, "weekly_mean", "weekly_sd", "lead_weeks", "Q", "ROP")
    middle, spread = safety.lead_time_demand(mean, sd, lead)
    expected = case["expected"]
    held(case, point - middle, expected["safety_stock"])
    held(case, NORMAL.cdf((point - middle) / spread), expected["csl"])
    held(case, safety.expected_short(point, middle, spread), expected["esc"])
    held(case, safety.fill_rate(point, quantity, middle, spread), expected["fill_rate"])


@pytest.mark.parametrize("case", cases("safety stock, variable lead time", "safety stock, constant demand"))
def test_variable_lead_time(case: Case) -> None:
    inputs, expected = case["inputs"], case["expected"]
    sd = float(inputs.get("sd_d", 0))
    demand, lead, lead_sd = given(case, "d", "L", "sd_L")
    _, spread = safety.lead_time_demand(demand, sd, lead, lead_sd)
    if "z" in inputs:  # the table's z
        held(case, float(inputs["z"]) * spread, expected["safety_stock"])
        return
    got = safety.reorder_point(float(inputs["csl"]), demand, sd, lead, lead_sd)
    held(case, [spread, got.cost], [expected["sd_LTD"], expected["safety_stock"]])
    if "rop" in expected:
        held(case, got.level, expected["rop"])
