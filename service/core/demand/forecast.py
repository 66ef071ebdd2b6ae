"""The pooled forecast: all series of a catalogue at once, combined by how well each level forecast the whole catalogue.

N series (a product in a channel), T weeks of history, K = 28 levels, demand in units. `fit` walks once through the
history, `forecast` looks ahead; `Fit.past` holds what was stated at the origins asked for, from data before them only.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.core.demand import levels
from service.core.demand.levels import ALPHAS, POWERS, Counts, Flags, Floats, Levels

QUANTILES = (0.5, 0.8, 0.9, 0.95, 0.99)
HORIZONS = (1, 2, 4, 8, 13, 26)


@dataclass(frozen=True, slots=True)
class Settings:
    """The constants of the method. Their defaults were chosen on the open histories that the benchmark reports.

    `usual` was chosen on the first 40 % of the origins alone; `ripe` and `winsor` on all of them.
    """

    season: int = 52  # periods in a year
    horizons: tuple[int, ...] = HORIZONS  # cumulative horizons that are learnt; between them the forecast is interpolated
    sharpness: float = 25.0  # of the weights
    half_life: float = 26.0  # of past origins, in periods
    winsor: float = 0.995  # share of squared errors that is left as it is
    voices: int = 1500  # series that the weights learn from: a larger catalogue is thinned evenly
    stride: int = 1  # periods between the origins that the weights learn from
    ripe: int = 13  # periods since the first sale before a series' errors count
    discount: float = 0.97  # of squared errors, per period
    shrink: float = 8.0  # origins' worth of trust in the catalogue against the series' own errors
    usual: float = 0.6  # which of the catalogue's ratios of squared error to mean a series without errors of its own gets
    echo: float = 0.4  # how much of last year's season is believed
    cap: float | None = None  # standard deviations above which a single order is learnt as that much


@dataclass(slots=True)
class Record:
    """What is known about one horizon: loss of each level (K,), and each series' squared errors and means (N,)."""

    horizon: int
    loss: Floats
    origins: float
    squares: Floats
    means: Floats
    weight: Floats


@dataclass(slots=True)
class Fit:
    """What the history taught. `share` (N or 1, T); `past[origin, horizon]` = cumulative mean and variance, each (N,).

    `planned` (N or 1, T), if given: what the calendar said beforehand of each week, so that past forecasts knew it too.
    """

    settings: Settings
    state: Levels
    share: Floats
    first: Counts
    weeks: int
    records: dict[int, Record]
    past: dict[tuple[int, int], tuple[Floats, Floats]]
    planned: Floats | None = None


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
    """Learn from weekly demand `y` (N, T), oldest week first; steps 1-3, 5 and 6 of the method.

    `open_share` is (T,) or (N, T): the share of its usual days that the shop was open and the product there to be sold
    (a week out of stock is censored that way), times the known lift of a promotion or a market. `origins` are the weeks
    before which the forecast is to be kept in `past`; `planned` is the part of the open share that was known then.
    Exponentially weighted average forecaster: Vovk, COLT (1990);
    Cesa-Bianchi & Lugosi, Prediction, Learning, and Games (2006), 2.
    """
    chosen = settings or Settings()
    demand = np.asarray(y, dtype=np.float64)
    series, weeks = demand.shape
    share = np.ones((1, weeks)) if open_share is None else np.atleast_2d(np.asarray(open_share, dtype=np.float64))
    records = {horizon: _record(horizon, series) for horizon in chosen.horizons}
    made = Fit(chosen, levels.begin(series, weeks), share, first_sale(demand), weeks, records, {}, planned)
    wanted, open_ends = frozenset(origins), _Open(made, demand)
    for week in range(weeks):
        open_ends.state_forecasts(week, week in wanted)
        open_ends.judge(week)
        shares = np.broadcast_to(share[:, week], (series,))
        levels.learn(made.state, week, demand[:, week], shares, made.first, chosen.discount, chosen.cap)
    if weeks in wanted:
        for horizon in chosen.horizons:
            made.past[weeks, horizon] = cumulative(made, weeks, horizon)[:2]
    return made


def _record(horizon: int, series: int) -> Record:
    """Nothing judged yet."""
    nothing = np.zeros(series)
    return Record(horizon, np.zeros(len(POWERS) * len(ALPHAS)), 0.0, nothing, nothing, nothing)


class _Open:
    """Forecasts whose horizon has not ended yet, and the running sums that will judge them."""

    def __init__(self, made: Fit, demand: Floats) -> None:
        self.made = made
        self.total = np.concatenate([np.zeros((len(demand), 1)), np.cumsum(demand, axis=1)], axis=1)
        moves = np.abs(np.diff(demand, axis=1, prepend=demand[:, :1]))
        moves[np.arange(demand.shape[1])[None, :] <= made.first[:, None]] = 0
        spans = np.maximum(np.arange(demand.shape[1] + 1)[None, :] - 1 - made.first[:, None], 1)
        self.scale = np.concatenate([np.zeros((len(demand), 1)), np.cumsum(moves, axis=1)], axis=1) / spans
        self.voices = np.arange(0, len(demand), max(len(demand) // made.settings.voices, 1))
        self.stated: dict[tuple[int, int], tuple[Floats | None, Floats, Floats]] = {}

    def state_forecasts(self, origin: int, keep: bool) -> None:
        """What is forecast before week `origin` is learnt from, for every horizon."""
        ripe = (origin - self.made.first).max(initial=-1) >= self.made.settings.ripe
        if not (keep or ripe):
            return
        held = self.made.state.level[:, :, self.voices] if ripe and origin % self.made.settings.stride == 0 else None
        for horizon in self.made.settings.horizons:
            if origin + horizon > self.made.weeks and not keep:
                continue
            mean, variance, lift = cumulative(self.made, origin, horizon)
            self.stated[origin, horizon] = (held, lift, mean)
            if keep:
                self.made.past[origin, horizon] = (mean, variance)

    def judge(self, week: int) -> None:
        """Score every forecast whose last week is `week`."""
        rules = self.made.settings
        for record in self.made.records.values():
            origin = week + 1 - record.horizon
            if (origin, record.horizon) not in self.stated:
                continue
            held, lift, mean = self.stated.pop((origin, record.horizon))
            actual = self.total[:, week + 1] - self.total[:, origin]
            judged = origin - self.made.first >= rules.ripe
            if not judged.any():
                continue
            scale = self.scale[self.voices, origin]
            heard = judged[self.voices] & (scale > 0)
            if held is not None and heard.any():
                lift = lift[:, self.voices] if lift.shape[1] > 1 else lift
                _weigh(record, rules, held, lift, actual[self.voices], scale, heard)
            fade = np.where(judged, rules.discount, 1.0)
            record.squares = record.squares * fade + np.where(judged, (actual - mean) ** 2, 0.0)
            record.means = record.means * fade + np.where(judged, mean, 0.0)
            record.weight = record.weight * fade + judged


def _weigh(record: Record, rules: Settings, held: Floats, lift: Floats, actual: Floats, scale: Floats, judged: Flags) -> None:
    """Add each level's scaled squared error over the catalogue, winsorised, to its discounted loss."""
    rows = np.flatnonzero(judged)
    factor = lift[:, rows] if lift.shape[1] > 1 else lift
    guess = held[:, :, rows] * factor[:, None, :]
    errors = ((actual[rows] - guess) / (scale[rows] * np.sqrt(record.horizon))) ** 2
    ceiling = np.quantile(errors.mean(axis=(0, 1)), rules.winsor)
    fade = 0.5 ** (rules.stride / rules.half_life)
    record.loss = record.loss * fade + np.minimum(errors, ceiling).mean(axis=2).reshape(-1)
    record.origins = record.origins * fade + 1


def weights(record: Record, rules: Settings) -> Floats:
    """One weight per level for the whole catalogue, shape (K,); equal until there are past origins."""
    best = np.sqrt(record.loss.min())
    if record.origins <= 0 or best <= 0:
        return np.full(len(record.loss), 1 / len(record.loss))
    sharpness = rules.sharpness * (1.0 if record.origins * rules.stride >= 4 else 0.5)
    raw = np.exp(-sharpness * (np.sqrt(record.loss) / best - 1))
    return np.asarray(raw / raw.sum())


def future_share(made: Fit, origin: int, horizon: int) -> Floats:
    """Open shares of the weeks to come: as planned, else last year's with a year behind, else 1; shape (N or 1, horizon)."""
    if made.planned is not None and origin + horizon <= made.weeks:
        return made.planned[:, origin : origin + horizon]
    season = made.settings.season
    if origin < season:
        return np.ones((1, horizon))
    return made.share[:, origin - season + np.arange(horizon) % season]


def cumulative(made: Fit, origin: int, horizon: int, share: Floats | None = None) -> tuple[Floats, Floats, Floats]:
    """Mean and variance of the demand of the next `horizon` weeks (N,), and what a level is multiplied by (G, N or 1)."""
    rules, record = made.settings, made.records[horizon]
    ahead = future_share(made, origin, horizon) if share is None else share[:, :horizon]
    lift = np.repeat(ahead.sum(axis=1)[None, :], len(POWERS), axis=0)
    if origin >= rules.season:
        index = made.state.index[:, origin - rules.season : origin + 1]
        coming = index[:, 1 + np.arange(horizon) % rules.season]
        total = np.maximum(ahead.sum(axis=1), 1e-9)
        ratio = np.einsum("gh,nh->gn", coming, ahead) / total / index[:, :1]
        lift = lift * np.clip(np.maximum(ratio, 1e-9) ** rules.echo, 1 / 3, 3)
    mix = weights(record, rules).reshape(len(POWERS), len(ALPHAS))
    mean = ((mix[:, None, :] @ made.state.level)[:, 0] * lift).sum(axis=0)
    return mean, _spread(made, record, mean, float((mix * ALPHAS).sum()), ahead.sum(axis=1)), lift


def _spread(made: Fit, record: Record, mean: Floats, pace: float, open_weeks: Floats) -> Floats:
    """Step 6: the geometric mean of the series' own squared errors and of their ratio to the mean; at least 1.01 m.

    The one-step formula is that of the local level model: Hyndman, Koehler, Ord & Snyder, Forecasting with Exponential
    Smoothing (2008), 6. Overlapping horizons count once: n is the number of errors over the horizon.
    """
    state, horizon = made.state, record.horizon
    one = np.where(state.one_weight > 0, state.one_step / np.maximum(state.one_weight, 1e-9), mean / np.maximum(open_weeks, 1e-9))
    formula = one * ((1 + np.arange(horizon) * pace) ** 2).sum()
    known = record.weight > 0
    trust = record.weight / horizon / (record.weight / horizon + made.settings.shrink)
    own = np.where(known, record.squares / np.maximum(record.weight, 1e-9), 0.0)
    straight = trust * own + (1 - trust) * formula
    counted = known & (record.means > 0)
    ratio = np.where(counted, record.squares / np.maximum(record.means, 1e-9), 0.0)
    usual = float(np.quantile(ratio[counted], made.settings.usual)) if counted.any() else 2.0
    relative = (trust * ratio + (1 - trust) * usual) * mean
    return np.asarray(np.maximum(np.sqrt(np.maximum(straight, 1e-12) * np.maximum(relative, 1e-12)), 1.01 * mean))
