"""Rules that say each week how much to order of every series, and the replay that holds them to what was really asked for.

What is ordered before week w's demand is known is on the shelf at the start of week w + 2; unmet demand is lost. N series, T
weeks, P paths. A rule is told the week, the shelf, what comes next week, and the demand of the weeks before.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from api_tests.bench.weekly_files import Floats, Weekly
from service.core.buying.safety import NORMAL, critical_fractile
from service.core.demand import paths
from service.core.demand.forecast import Settings, first_sale, fit

HOLDING, LOST, LEAD = 0.2, 1.0, 2
FRACTILE = critical_fractile(LOST, HOLDING)
CAP = 3.0  # standard deviations above which a week is learnt as that much: what the service does with huge orders
MOST = LEAD + 1  # orders planned together: this one, and those placed until it is there
WINDOWS = (13, 26, 52, 10_000)
LEVELS = (0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 8)  # weeks of mean demand, of the min-max rule's grid
STEPS = (0, 0.5, 1, 2, 3, 4, 6)
Rule = Callable[[int, Floats, Floats], Floats]


@dataclass(frozen=True)
class Replayed:
    """Costs of the weeks counted, and of each cell (N, weeks): what was there, asked for, and whether an order had come."""

    holding: float
    lost: float
    fill_rate: float
    there: Floats
    asked: Floats
    came: Floats

    @property
    def total(self) -> float:
        return self.holding + self.lost


def replay(history: Weekly, rule: Rule, first: int, stock: Floats | None, counted: int) -> Replayed:
    """Order every week from `first` on; costs from `counted` on."""
    y, (series, weeks) = history.y, history.y.shape
    begin = np.zeros((3, series)) if stock is None else stock
    shelf, coming = begin[0].copy(), [begin[1].copy(), begin[2].copy()]
    there, came = np.zeros((series, weeks)), np.zeros((series, weeks))
    for week in range(first, weeks):
        came[:, week] = coming[0]
        shelf = shelf + coming[0]
        there[:, week] = shelf
        order = np.maximum(np.round(rule(week, shelf, coming[1])), 0.0) if week + LEAD < weeks else np.zeros(series)
        shelf = np.maximum(shelf - y[:, week], 0.0)
        coming = [coming[1], order]
    there, asked, came = there[:, counted:], y[:, counted:], came[:, counted:]
    served = np.minimum(there, asked)
    holding, lost = HOLDING * float((there - served).sum()), LOST * float((asked - served).sum())
    return Replayed(holding, lost, float(served.sum() / max(asked.sum(), 1e-9)), there, asked, came)


class Planner:
    """The service's own forecast and the planner's model: this order, and what is ordered until it is there, together, at the
    least expected cost along the sample paths.

    Each path's stock is projected to the day the order arrives (stock + arriving - demand, floored at zero). Until then two
    more orders are placed that cannot know yet what this one will meet: planned together with it (orders ahead), each covers
    the demand that only it can serve. Alone (`together` 1) an order is the critical fractile of what its week lacks.
    """

    def __init__(self, history: Weekly, count: int) -> None:
        self.history, self.count, self.together = history, count, 1
        self.drawn: dict[int, Floats] = {}

    @classmethod
    def chosen(cls, history: Weekly, count: int) -> "Planner":
        """Plans as many orders together as cost least in a replay of the weeks before the one that is judged."""
        before = cls(history, count)
        begin, costs = history.first // 2, {}
        earlier = Weekly(history.name, history.y[:, : history.first], None, begin, None)
        for before.together in range(1, MOST + 1):
            costs[before.together] = replay(earlier, before, begin, None, earlier.counted).total
        before.together = min(costs, key=lambda together: costs[together])
        return before

    def paths(self, week: int) -> Floats:
        """Sample paths (P, 5, N) from what is known before a week."""
        if week not in self.drawn:
            share = self.history.share
            known = None if share is None else share[:, :week]
            made = fit(self.history.y[:, :week], known, Settings(horizons=(1, 2, 4, 8), cap=CAP))
            self.drawn[week] = paths.sample(paths.forecast(made, LEAD + MOST), self.count, week, paths.shared_luck(made))
        return self.drawn[week]

    def projected(self, week: int, shelf: Floats, coming: Floats) -> tuple[Floats, Floats]:
        """What is left on each path when this week's order arrives (P, N), and the demand from then on (P, together, N)."""
        drawn = self.paths(week).astype(np.float64)
        left = np.maximum(shelf - drawn[:, 0], 0.0) + coming
        return np.maximum(left - drawn[:, 1], 0.0), drawn[:, LEAD : LEAD + self.together]

    def __call__(self, week: int, shelf: Floats, coming: Floats) -> Floats:
        return joint_orders(*self.projected(week, shelf, coming))[0]

    def at_level(self, level: float) -> Rule:
        """Cover what the next week lacks on this share of the paths."""

        def rule(week: int, shelf: Floats, coming: Floats) -> Floats:
            left, demand = self.projected(week, shelf, coming)
            return np.asarray(np.quantile(demand[:, 0] - left, level, axis=0, method="inverted_cdf"))

        return rule


def joint_orders(left: Floats, demand: Floats, sweeps: int = 3) -> Floats:
    """Whole orders (K, N) for K weeks in a row at the least expected cost; what is `left` (P, N), `demand` (P, K, N).

    The cost is convex in the orders together (each week's stock is a maximum of sums); one order at a time is moved to its
    best, the smallest at which a unit more no longer pays, by halving.
    """
    weeks = demand.shape[1]
    orders = np.round(demand.mean(axis=0))
    most = np.ceil(demand.max(axis=0)) + 1
    for _ in range(sweeps):
        for at in range(weeks):
            low, high = np.full(len(most[at]), -1.0), np.maximum(most[at], 1.0)
            while (open_ := high - low > 1).any():
                middle = np.floor((low + high) / 2)
                orders[at] = middle
                dear = _unit_more(left, demand, orders, at) >= 0
                low, high = np.where(open_ & ~dear, middle, low), np.where(open_ & dear, middle, high)
            orders[at] = high
    return orders


def _unit_more(left: Floats, demand: Floats, orders: Floats, at: int) -> Floats:
    """What a unit more in one order adds to the expected cost (N,): kept until the first week that lacks one, then sold."""
    shelf, more = left.copy(), np.zeros_like(left)
    unsold = np.ones(left.shape, dtype=bool)
    for week in range(demand.shape[1]):
        shelf = shelf + orders[week]
        lacks = demand[:, week] >= shelf + 1
        shelf = np.maximum(shelf - demand[:, week], 0.0)
        if week >= at:
            more += np.where(unsold, np.where(lacks, -LOST, HOLDING), 0.0)
            unsold &= ~lacks
    return np.asarray(more.mean(axis=0))


def order_up_to(history: Weekly, window: int, level: float = FRACTILE) -> Rule:
    """Mean + z sd sqrt(protection time) of the last weeks since the first sale, less what is there and coming."""
    first, z, protected = first_sale(history.y), NORMAL.inv_cdf(level), LEAD + 1

    def rule(week: int, shelf: Floats, coming: Floats) -> Floats:
        begin = max(week - window, 0)
        past = history.y[:, begin:week]
        known = np.arange(begin, week) >= first[:, None]
        count = np.maximum(known.sum(axis=1), 1)
        mean = (past * known).sum(axis=1) / count
        variance = ((past - mean[:, None]) ** 2 * known).sum(axis=1) / np.maximum(count - 1, 1)
        return protected * mean + z * np.sqrt(variance * protected) - shelf - coming

    return rule


def min_max(history: Weekly) -> Rule:
    """At or below a minimum, order up to a maximum: each series' best pair in hindsight, on the weeks before the replay."""
    past = Weekly(history.name, history.y[:, : history.first], None, 0, None)
    mean = past.y.mean(axis=1)
    best, low, high = np.full(len(mean), np.inf), np.zeros(len(mean)), np.zeros(len(mean))
    for level in LEVELS:
        for step in STEPS:
            pair = np.ceil(level * mean), np.ceil((level + step) * mean)
            run = replay(past, between(*pair), 0, None, min(4, past.y.shape[1] - 1))
            cost = (HOLDING * np.maximum(run.there - run.asked, 0) + LOST * np.maximum(run.asked - run.there, 0)).sum(axis=1)
            better = cost < best
            best, low, high = np.where(better, cost, best), np.where(better, pair[0], low), np.where(better, pair[1], high)
    return between(low, high)


def between(low: Floats, high: Floats) -> Rule:
    """At or below `low`, order up to `high`."""
    return lambda week, shelf, coming: np.where(shelf + coming <= low, high - shelf - coming, 0.0)
