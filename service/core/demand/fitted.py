"""What a history has taught, and the mean and variance of the demand to come that follow from it.

N series, T weeks, K = 28 levels, H horizons. Demand in units.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.core.demand import season
from service.core.demand.levels import ALPHAS, POWERS, Counts, Floats, Levels, Singles
from service.core.demand.tuned import Settings

BLOCK = 2048  # series


@dataclass(slots=True)
class Judged:
    """How past forecasts turned out, by horizon: loss of each level (H, K), discounted sums of the series' errors (H, N)."""

    loss: Floats
    origins: Floats  # (H,): how many the losses are of, discounted
    squares: Floats
    means: Floats
    weight: Floats

    @classmethod
    def nothing(cls, horizons: int, series: int) -> "Judged":
        """Nothing judged yet."""
        shape = (horizons, series)
        return cls(np.zeros((horizons, len(POWERS) * len(ALPHAS))), np.zeros(horizons), np.zeros(shape), np.zeros(shape),
                   np.zeros(shape))  # fmt: skip


@dataclass(slots=True)
class Fit:
    """What the history taught. `share` (N or 1, T); `past[origin, horizon]` = cumulative mean and variance, each (N,).

    `planned` (N or 1, T), if given: what the calendar said beforehand of each week, so that past forecasts knew it too.
    """

    settings: Settings
    state: Levels
    share: Floats
    sums: season.Sums
    first: Counts
    weeks: int
    judged: Judged
    past: dict[tuple[int, int], tuple[Floats, Floats]]
    planned: Floats | None = None


def future_share(made: Fit, origin: int, weeks: int) -> Floats:
    """Open shares of the weeks to come, (N or 1, weeks): last year's; as planned where the calendar of those days is known."""
    found = season.future_share(made.share, origin, weeks, made.settings.season)
    known = min(weeks, made.weeks - origin)
    if made.planned is None or known <= 0:
        return found
    planned = made.planned[:, origin : origin + known]
    rows = max(len(found), len(planned))
    return np.concatenate([np.broadcast_to(planned, (rows, known)), np.broadcast_to(found, (rows, weeks))[:, known:]], axis=1)


def weights(judged: Judged, rules: Settings) -> Floats:
    """One weight per horizon and level for the whole catalogue, (H, K); equal until there are past origins.

    Exponentially weighted average forecaster: Vovk, COLT (1990); Cesa-Bianchi & Lugosi, Prediction, Learning, and Games
    (2006), 2. Half as sharp while there are fewer than four past origins.
    """
    root = np.sqrt(judged.loss)
    best = root.min(axis=1, keepdims=True)
    sharpness = np.where(judged.origins >= 4, rules.sharpness, rules.sharpness / 2)[:, None]
    raw = np.exp(-sharpness * np.where(best > 0, root / np.maximum(best, 1e-300) - 1, 0.0))
    return np.asarray(raw / raw.sum(axis=1, keepdims=True))


@dataclass(slots=True)
class Expected:
    """The mean of the next h weeks (H, N); what made it: lifts (H, G, N or 1), weights (H, G, A), open weeks (H, N or 1)."""

    mean: Floats
    lift: Floats
    mix: Floats
    open_weeks: Floats


def expected(made: Fit, origin: int, places: Sequence[int], share: Floats | None = None) -> Expected:
    """The mean at the horizons in these places of the settings; `share` (N or 1, weeks): what is known of the weeks to come."""
    rules = made.settings
    horizons = [rules.horizons[place] for place in places]
    ahead = future_share(made, origin, max(horizons)) if share is None else share[:, : max(horizons)]
    mix = weights(made.judged, rules)[list(places)].reshape(len(places), len(POWERS), len(ALPHAS))
    lift = season.lifts(made.state.index, origin, ahead, horizons, rules)
    level = made.state.level
    if lift.shape[2] == 1:
        mean = _mixed((mix * lift).reshape(len(places), -1), level.reshape(-1, level.shape[2]))
    else:
        mean = np.einsum("ghn,hgn->hn", np.matmul(mix.transpose(1, 0, 2).astype(np.float32), level), lift)
    own = season.own(made.sums, made.first, origin, horizons, rules)
    within = np.arange(ahead.shape[1]) < np.array(horizons)[:, None]
    return Expected(mean if own is None else mean * own, lift, mix, within @ ahead.T)


def _mixed(weight: Floats, level: Singles) -> Floats:
    """The matrix product (H, K) (K, N), in blocks too small to be spread over threads that would have to wait for each other."""
    mean, single = np.empty((len(weight), level.shape[1])), weight.astype(np.float32)
    for begin in range(0, level.shape[1], BLOCK):
        mean[:, begin : begin + BLOCK] = single @ level[:, begin : begin + BLOCK]
    return mean


def variance(made: Fit, places: Sequence[int], told: Expected) -> Floats:
    """The geometric mean of the series' own squared errors and of their ratio to the mean, at least 1.01 means, (H, N).

    The one-step formula is that of the local level model: Hyndman, Koehler, Ord & Snyder, Forecasting with Exponential
    Smoothing (2008), 6. Overlapping horizons count once: n is the number of errors over the horizon.
    """
    rules, some, mean = made.settings, list(places), told.mean
    horizons = np.array([rules.horizons[place] for place in places], dtype=np.float64)[:, None]
    weight, squares, means = made.judged.weight[some], made.judged.squares[some], made.judged.means[some]
    trust = weight / horizons / (weight / horizons + rules.shrink)
    own = np.where(weight > 0, squares / np.maximum(weight, 1e-9), 0.0)
    straight = trust * own + (1 - trust) * _local_level(made, told, horizons)
    counted = (weight > 0) & (means > 0)
    ratio = np.where(counted, squares / np.maximum(means, 1e-9), 0.0)
    usual = np.array(
        [np.quantile(row[some_], rules.usual) if some_.any() else 2.0 for row, some_ in zip(ratio, counted, strict=True)]
    )
    relative = (trust * ratio + (1 - trust) * usual[:, None]) * mean
    return np.asarray(np.maximum(np.sqrt(np.maximum(straight, 1e-12) * np.maximum(relative, 1e-12)), 1.01 * mean))


def _local_level(made: Fit, told: Expected, horizons: Floats) -> Floats:
    """Variance of the next h weeks from the one-week errors, the levels moving by the weighted smoothing constant, (H, N)."""
    state = made.state
    seen = state.one_step / np.maximum(state.one_weight, 1e-9)
    one = np.where(state.one_weight > 0, seen, told.mean / np.maximum(told.open_weeks, 1e-9))
    pace = (told.mix * ALPHAS).sum(axis=(1, 2))
    growth = [((1 + np.arange(int(horizon)) * step) ** 2).sum() for horizon, step in zip(horizons[:, 0], pace, strict=True)]
    return np.asarray(one * np.array(growth)[:, None])


def cumulative(made: Fit, origin: int, horizon: int, share: Floats | None = None) -> tuple[Floats, Floats]:
    """Mean and variance (N,) of the demand of the next `horizon` weeks, one of those that are learnt."""
    place = made.settings.horizons.index(horizon)
    told = expected(made, origin, [place], share)
    return told.mean[0], variance(made, [place], told)[0]
