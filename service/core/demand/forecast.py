"""The pooled forecast: all series of a catalogue at once, combined by how well each level forecast the whole catalogue.

N series (a product in a channel), T weeks of history, demand in units. `fit` walks once through the history; `Fit.past`
holds what was stated at the origins asked for, from data before them only.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.core.demand import levels, season
from service.core.demand.fitted import Fit, Judged, cumulative
from service.core.demand.judging import Judge
from service.core.demand.levels import Counts, Floats
from service.core.demand.tuned import Settings

QUANTILES = (0.5, 0.8, 0.9, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Forecast:
    """Weeks on the last axis, all shapes (N, H): cumulative and weekly mean and variance, in units and units squared."""

    mean: Floats
    variance: Floats
    week_mean: Floats
    week_variance: Floats

    def quantiles(self, wanted: Sequence[float] = QUANTILES, cumulative: bool = True) -> Floats:
        """Negative binomial quantiles, shape (N, H, len(wanted)), in whole units."""
        from service.core.demand.negbin import quantiles

        if cumulative:
            return np.maximum.accumulate(quantiles(self.mean, self.variance, wanted), axis=1)
        return quantiles(self.week_mean, self.week_variance, wanted)


def first_sale(y: ArrayLike) -> Counts:
    """The week of each series' first sale, T where it never sold, shape (N,)."""
    sold = np.asarray(y, dtype=np.float64) > 0
    never = sold.shape[1]
    return np.where(sold.any(axis=1), sold.argmax(axis=1) if never else 0, never).astype(np.int64)


def fit(
    y: ArrayLike, open_share: ArrayLike | None = None, settings: Settings | None = None, origins: Collection[int] = (),
    planned: Floats | None = None,
) -> Fit:  # fmt: skip
    """Learn from weekly demand `y` (N, T), oldest week first: shock, levels, season, weights and spread.

    `open_share` is (T,) or (N, T): the share of its usual days that the shop was open and the product there to be sold
    (a week out of stock is censored that way), times the known lift of a promotion or a market. `origins` are the weeks
    before which the forecast is to be kept in `past`; `planned` (N or 1, T) is the part of the open share that was known then.
    """
    chosen = settings or Settings()
    demand = np.asarray(y, dtype=np.float64)
    series, weeks = demand.shape
    share = _share(open_share, weeks)
    sums, judged = season.Sums.of(demand, share), Judged.nothing(len(chosen.horizons), series)
    made = Fit(chosen, levels.begin(series, weeks), share, sums, first_sale(demand), weeks, judged, {}, planned)
    wanted, judge = frozenset(origins), Judge(made, demand)
    for week in range(weeks):
        judge.state(week, week in wanted)
        judge.judge(week)
        shares = np.broadcast_to(share[:, week], (series,))
        levels.learn(made.state, week, demand[:, week], shares, made.first, chosen.discount, chosen.cap)
    if weeks in wanted:
        for horizon in chosen.horizons:
            made.past[weeks, horizon] = cumulative(made, weeks, horizon)
    return made


def _share(told: ArrayLike | None, weeks: int) -> Floats:
    """Open shares (N, T), or (1, T) where all series have the same: then much is computed once for all."""
    if told is None:
        return np.ones((1, weeks))
    share = np.atleast_2d(np.asarray(told, dtype=np.float64))
    return share[:1] if len(share) and (share == share[:1]).all() else share
