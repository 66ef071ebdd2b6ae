"""Textbook stock against uncertainty, each beside its source: order-up-to levels, reorder points, (r, Q) and (s, S).

`over` is the cost of a unit too many (kept for a period), `under` that of a unit short; normal demand unless said.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, sqrt
from statistics import NormalDist

NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Level:
    """Stock to start with, and the expected cost of keeping it and of running out."""

    level: float
    cost: float


@dataclass(frozen=True, slots=True)
class Point:
    """Order `quantity` when the stock falls to `reorder`; `cost` of a period where the source gives one."""

    reorder: float
    quantity: float
    cost: float | None = None


@dataclass(frozen=True, slots=True)
class Range:
    """At or below `low`, order up to `high`."""

    low: float
    high: float
    cost: float | None = None


def critical_fractile(under: float, over: float) -> float:
    """The chance of no shortage at which one unit more or less costs the same: Arrow, Harris & Marschak, Econometrica 19
    (1951) 250-272."""
    return under / (under + over)


def price_of_running_out(service_level: float, over: float) -> float:
    """The cost of a unit short at which `service_level` is the critical fractile, for a unit too many that costs `over`."""
    return over * service_level / (1 - service_level)


def loss(z: float) -> float:
    """Expected excess of a standard normal over z."""
    return NORMAL.pdf(z) - z * (1 - NORMAL.cdf(z))


def expected_short(level: float, mean: float, sd: float) -> float:
    """Expected units short when `level` meets a normal demand."""
    return sd * loss((level - mean) / sd)


def newsvendor(under: float, over: float, mean: float, sd: float) -> Level:
    """One period, normal demand: Snyder & Shen, Fundamentals of Supply Chain Theory (2019), 4.3."""
    z = NORMAL.inv_cdf(critical_fractile(under, over))
    return Level(mean + z * sd, (over + under) * sd * NORMAL.pdf(z))


def newsvendor_counts(under: float, over: float, chances: Sequence[float]) -> Level:
    """The same for counts: `chances[d]` of a demand of d; the smallest level whose chance of no shortage suffices."""
    wanted, below, level = critical_fractile(under, over), 0.0, 0
    for level, chance in enumerate(chances):  # noqa: B007 - the last one is the answer
        below += chance
        if below >= wanted:
            break
    return Level(level, _period_cost(level, under, over, chances))


def poisson(mean: float, tail: float = 1e-15) -> list[float]:
    """Chances of 0, 1, 2, ... until what is left out is below `tail`."""
    chances, chance, count, seen = [], exp(-mean), 0, 0.0
    while seen < 1 - tail and (count <= mean or chance > tail / 10):
        chances.append(chance)
        seen += chance
        count += 1
        chance *= mean / count
    return chances


def order_up_to(under: float, over: float, mean: float, sd: float, lead_time: float, review: float) -> Level:
    """Periodic review: order up to a level that lasts a lead time and a review (the same source, 4.3)."""
    span = lead_time + review
    return newsvendor(under, over, mean * span, sd * sqrt(span))


def lead_time_demand(mean: float, sd: float, lead_time: float, lead_time_sd: float = 0.0) -> tuple[float, float]:
    """Mean and standard deviation of the demand of a lead time that itself varies.

    Silver, Pyke & Peterson, Inventory Management and Production Planning and Scheduling (1998), 7; Chopra & Meindl,
    Supply Chain Management, on safety inventory.
    """
    return mean * lead_time, sqrt(lead_time * sd**2 + mean**2 * lead_time_sd**2)


def reorder_point(service_level: float, mean: float, sd: float, lead_time: float, lead_time_sd: float = 0.0) -> Level:
    """Where to order so that a delivery comes in time with this probability; `cost` holds the safety stock in units."""
    middle, spread = lead_time_demand(mean, sd, lead_time, lead_time_sd)
    safety = NORMAL.inv_cdf(service_level) * spread
    return Level(middle + safety, safety)


def fill_rate(reorder: float, quantity: float, mean: float, sd: float) -> float:
    """The share of demand that is served from the shelf; `mean` and `sd` of the lead time's demand (the same sources)."""
    return 1 - expected_short(reorder, mean, sd) / quantity


def rq_separate(fixed: float, under: float, over: float, mean: float, sd: float, lead_time: float) -> Point:
    """(r, Q): the EOQ, and safety stock by the critical fractile: Snyder & Shen (2019), 5.3."""
    z = NORMAL.inv_cdf(critical_fractile(under, over))
    return Point(mean * lead_time + z * sd * sqrt(lead_time), sqrt(2 * fixed * mean / over))


def rq_together(fixed: float, under: float, over: float, mean: float, sd: float, lead_time: float) -> Point:
    """(r, Q) by turns until neither moves; `under` is charged once for each unit short.

    Hadley & Whitin, Analysis of Inventory Systems (1963), 4; the expected-inventory-level approximation of Snyder &
    Shen (2019), 5.3.
    """
    middle, spread = mean * lead_time, sd * sqrt(lead_time)
    quantity, before, reorder, short = sqrt(2 * fixed * mean / over), 0.0, middle, 0.0
    for _ in range(1000):
        chance = min(quantity * over / (under * mean), 0.5)
        reorder = middle + NORMAL.inv_cdf(1 - chance) * spread
        short = expected_short(reorder, middle, spread)
        before, quantity = quantity, sqrt(2 * mean * (fixed + under * short) / over)
        if abs(quantity - before) <= 1e-13 * quantity:
            break
    cost = over * (reorder - middle + quantity / 2) + fixed * mean / quantity + under * mean * short / quantity
    return Point(reorder, quantity, cost)


def ss_exact(fixed: float, under: float, over: float, chances: Sequence[float]) -> Range:
    """The best (s, S) for counts, no lead time, unmet demand waits: Zheng & Federgruen, Operations Research 39 (1991) 654-665.

    The average cost of (s, S) is (K + sum m(j) G(S - j)) / sum m(j), j from 0 to S - s - 1, with the renewal chances m.
    """
    costs: dict[int, float] = {}

    def at(level: int) -> float:
        if level not in costs:
            costs[level] = _period_cost(level, under, over, chances)
        return costs[level]

    renewal = [1 / (1 - chances[0])]

    def weights(count: int) -> list[float]:
        while len(renewal) < count:
            new = len(renewal)
            past = sum(chances[size] * renewal[new - size] for size in range(1, min(new, len(chances) - 1) + 1))
            renewal.append(past / (1 - chances[0]))
        return renewal[:count]

    def average(low: int, high: int) -> float:
        share = weights(high - low)
        return (fixed + sum(weight * at(high - back) for back, weight in enumerate(share))) / sum(share)

    middle = int(newsvendor_counts(under, over, chances).level)
    low = middle - 1
    while average(low, middle) > at(low):
        low -= 1
    best, high_best, high = average(low, middle), middle, middle + 1
    while at(high) <= best:
        if average(low, high) < best:
            high_best = high
            while average(low, high_best) <= at(low + 1):
                low += 1
            best = average(low, high_best)
        high += 1
    return Range(low, high_best, best)


def ss_power(fixed: float, under: float, over: float, mean: float, sd: float, lead_time: float = 0.0) -> Range:
    """(s, S) by the revised power approximation: Ehrhardt & Mosier, Management Science 30 (1984) 618-622.

    For small quantities (at most 1.5 means) neither is above the newsvendor's level (the same source).
    """
    span, spread = mean * (lead_time + 1), sd * sqrt(lead_time + 1)
    quantity = 1.30 * mean**0.494 * (fixed / over) ** 0.506 * (1 + spread**2 / mean**2) ** 0.116
    z = sqrt(quantity * over / (spread * under))
    low = 0.973 * span + spread * (0.183 / z + 1.063 - 2.192 * z)
    roof = span + NORMAL.inv_cdf(critical_fractile(under, over)) * spread if quantity / mean <= 1.5 else inf
    return Range(min(low, roof), min(low + quantity, roof))


def _period_cost(level: int, under: float, over: float, chances: Sequence[float]) -> float:
    """Expected cost of one period that starts with `level` (negative: owed) and counts demand by `chances`."""
    ends = ((level - size, chance) for size, chance in enumerate(chances))
    return sum(chance * (over * left if left > 0 else -under * left) for left, chance in ends)
