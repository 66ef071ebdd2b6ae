"""Sample paths of every series' weekly demand, with what all share and with weeks that depend on each other.

P paths, H weeks, N series. Demand comes from a Gaussian copula with negative binomial margins (Nelsen, An Introduction to
Copulas (2006)): a path's luck in a series lasts (the level is not known exactly), and part of it all series share.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.core.demand.fitted import Fit, cumulative, future_share
from service.core.demand.forecast import Forecast
from service.core.demand.levels import Floats
from service.core.demand.planning import YOUNG
from service.core.demand.tuned import CROWD

Singles = NDArray[np.float32]

EDGE = 4.0  # the latent normal is cut here
CELLS = 512  # and put into so many cells
FINE = 1 << 16  # values of a standard normal that are drawn from
MOST = 0.95  # of a correlation
BORROWED = float(YOUNG)  # weeks of its own history that weigh as much as what a new product borrows


def forecast(made: Fit, horizon: int, open_share: ArrayLike | None = None) -> Forecast:
    """Cumulative and weekly mean and variance of the next `horizon` weeks, all of shape (N, horizon).

    `open_share` (horizon,) or (N, horizon): what is known of the coming weeks; else last year's, else 1. At the learnt
    horizons the mean and variance are the method's own; between them the mean follows the open share, and variance / mean
    is interpolated.
    """
    rows = len(made.first)
    share = future_share(made, made.weeks, horizon) if open_share is None else np.atleast_2d(np.asarray(open_share, np.float64))
    share = np.broadcast_to(share[:, :horizon], (rows, horizon))
    knots = [h for h in sorted(made.settings.horizons) if h <= horizon] or [min(made.settings.horizons)]
    if knots[0] > horizon:
        share = np.repeat(share, -(-knots[0] // horizon), axis=1)
    at = [cumulative(made, made.weeks, h, share) for h in knots]
    ratios = np.stack([np.where(m > 0, v / np.maximum(m, 1e-12), 1.01) for m, v in at])
    week_mean = np.zeros((rows, horizon))
    done, before = np.zeros(rows), 0
    for (mean, _), knot in zip(at, knots, strict=True):
        stop = min(knot, horizon)
        week_mean[:, before:stop] = _spread_over(np.maximum(mean - done, 0.0), share[:, before:stop])
        done, before = np.maximum(mean, done), stop
    if before < horizon:
        pace = done / np.maximum(share[:, :before].sum(axis=1), 1e-9)
        week_mean[:, before:] = pace[:, None] * share[:, before:]
    mean = np.cumsum(week_mean, axis=1)
    ratio = _between(np.array(knots, dtype=np.float64), ratios, horizon)
    first = ratios[0] / max(knots[0], 1) ** 0.5
    week_ratio = np.maximum(first[:, None] * np.ones(horizon), 1.01)
    return Forecast(mean, np.maximum(mean * ratio, 1.01 * mean), week_mean, week_mean * week_ratio)


def _spread_over(total: Floats, share: Floats) -> Floats:
    """A total (N,) over weeks in proportion to their open shares (N, W); evenly where all are closed."""
    whole = share.sum(axis=1, keepdims=True)
    parts = np.where(whole > 0, share / np.maximum(whole, 1e-12), 1 / max(share.shape[1], 1))
    return np.asarray(total[:, None] * parts)


def _between(knots: Floats, values: Floats, horizon: int) -> Floats:
    """Values (knots, N) at the weeks 1 to horizon, shape (N, horizon): linear between, and on as from the last two."""
    weeks = np.arange(1, horizon + 1, dtype=np.float64)
    if len(knots) == 1:
        return np.repeat(values[0][:, None], horizon, axis=1)
    left = np.clip(np.searchsorted(knots, weeks, side="right") - 1, 0, len(knots) - 2)
    part = np.maximum((weeks - knots[left]) / (knots[left + 1] - knots[left]), 0.0)
    return np.asarray((values[left] + part[:, None] * np.maximum(values[left + 1] - values[left], 0.0)).T)


@dataclass(frozen=True, slots=True)
class Borrowed:
    """A forecast in which new series rest on others; `share` (N,) of each one's forecast that is borrowed, 0 for none."""

    forecast: Forecast
    share: Floats


def borrow(own: Forecast, age: ArrayLike, like: Sequence[Sequence[int]] | None = None) -> Borrowed:
    """New series take level and spread from those they are like, else from the median of the established ones.

    `age` (N,): weeks each has been on sale; below 8 weeks n / (n + 8) of the forecast is its own. `like` names the
    places of similar series for each one.
    """
    weeks = np.asarray(age, dtype=np.float64)
    young = weeks < BORROWED
    share = np.where(young, BORROWED / (weeks + BORROWED), 0.0)
    settled = ~young & (own.mean[:, -1] > 0)
    parts = [part.copy() for part in (own.mean, own.variance, own.week_mean, own.week_variance)]
    for row in np.flatnonzero(young).tolist():
        named = list(like[row]) if like is not None and like[row] else np.flatnonzero(settled).tolist()
        if not named:
            share[row] = 0.0
            continue
        for part, source in zip(parts, (own.mean, own.variance, own.week_mean, own.week_variance), strict=True):
            part[row] = share[row] * np.median(source[named], axis=0) + (1 - share[row]) * source[row]
    return Borrowed(Forecast(*parts), share)


def shared_luck(made: Fit, recent: int = 104) -> tuple[float, float]:
    """Standard deviations of what the whole catalogue does in a week, and over eight weeks, as a share of its mean.

    The second is what remains of the first when weeks are averaged: large where a good week is followed by good weeks.
    """
    if np.count_nonzero(made.first < made.weeks) < CROWD or made.weeks < 16:
        return 0.0, 0.0
    seen = np.log(np.maximum(made.state.shocks[-recent:][-made.weeks :], 0.1))
    seen = seen[min(13, len(seen) // 2) :]
    eights = np.convolve(seen, np.full(8, 1 / 8), mode="valid") if len(seen) >= 8 else seen
    return float(seen.std()), float(eights.std())


def sample(outlook: Forecast, paths: int, seed: int, luck: tuple[float, float] = (0.0, 0.0), block: int = 64) -> Singles:
    """Sample paths of weekly demand in units, shape (P, H, N), from a seed; the same inputs give the same paths.

    Weekly margins are negative binomial with the forecast's mean and variance (scaled, where a week's mean differs from
    the usual week's); the dependence of weeks is what makes the cumulative variance the forecast's own. `luck` comes from
    `shared_luck`: the standard deviations that all series share, within a week and over eight.
    """
    series, horizon = outlook.week_mean.shape
    table, ratio, lasting, linear = _margins(outlook)
    usual = np.maximum(outlook.week_mean.mean(axis=1), 1e-12)
    weekly_share, lasting_share = _shares(usual, linear, lasting, luck)
    rng = np.random.default_rng(seed)
    common, every = rng.standard_normal((paths, 1, 1), np.float32), rng.standard_normal((paths, horizon, 1), np.float32)
    own = rng.standard_normal((paths, 1, series), np.float32)
    cell = CELLS / (2 * EDGE)  # cells of the table in one standard deviation
    held = np.asarray(np.sqrt(lasting) * cell, np.float32) * (np.sqrt(lasting_share) * common + np.sqrt(1 - lasting_share) * own)
    held += np.float32(CELLS / 2)
    alone = np.asarray(np.sqrt((1 - lasting) * (1 - weekly_share)) * cell, np.float32)
    together = np.asarray(np.sqrt((1 - lasting) * weekly_share) * cell, np.float32)
    drawn = np.empty((paths, horizon, series), np.float32)
    base, normals = np.arange(series) * CELLS, _normals()
    for begin in range(0, paths, block):
        some = slice(begin, begin + block)
        latent = normals[rng.integers(0, len(normals), (len(drawn[some]), horizon, series), np.uint16)]
        latent *= alone
        if luck[0] or luck[1]:
            latent += together * every[some]
        latent += held[some]
        np.clip(latent, 0, CELLS - 1, out=latent)
        np.take(table, latent.astype(np.int32) + base, out=drawn[some], mode="clip")
    if not np.allclose(ratio, 1.0):
        drawn *= ratio
    return drawn


@cache
def _normals() -> Singles:
    """The standard normal as so many equally likely values: drawn several times as fast, and fine enough for the cells."""
    from scipy.special import ndtri  # type: ignore[import-untyped]

    return np.asarray(ndtri((np.arange(FINE) + 0.5) / FINE), np.float32)


def _margins(outlook: Forecast) -> tuple[Singles, Singles, Floats, Floats]:
    """Quantiles of each series' usual week by cells of a standard normal (N x CELLS, flat), each week's mean over the usual
    one (H, N), the correlation of weeks' latent normals (N,), and the linear share of demand in its normal (N,).

    The table's mean is set to the exact mean. Weeks' correlation c of demand solves V_H = H V_1 (1 + (H - 1) c) by least
    squares over the weeks; the latent one follows from the first two Hermite coefficients of the table.
    """
    from scipy.special import ndtr

    from service.core.demand.negbin import quantiles

    usual = outlook.week_mean.mean(axis=1)
    spread = np.maximum(outlook.week_variance.mean(axis=1), 1.01 * usual)
    edges = np.linspace(-EDGE, EDGE, CELLS + 1)
    below = ndtr(edges)
    below[0], below[-1] = 0.0, 1.0
    chance = np.diff(below)
    table = quantiles(usual, spread, (below[:-1] + below[1:]) / 2)
    mean = table @ chance
    table *= np.where(mean > 0, usual / np.maximum(mean, 1e-12), 1.0)[:, None]
    ratio = np.where(usual > 0, outlook.week_mean.T / np.maximum(usual, 1e-12), 1.0)
    middle = (edges[:-1] + edges[1:]) / 2
    centred = table - usual[:, None]
    one = centred @ (chance * middle)
    two = centred @ (chance * (middle**2 - 1)) / np.sqrt(2)
    variance = np.maximum((centred**2) @ chance, 1e-12)
    single = np.cumsum(ratio.T**2, axis=1) * variance[:, None]
    cross = (np.cumsum(ratio.T, axis=1) ** 2 - np.cumsum(ratio.T**2, axis=1)) * variance[:, None]
    excess = outlook.variance - single
    wanted = np.clip((excess * cross).sum(axis=1) / np.maximum((cross**2).sum(axis=1), 1e-12), 0.0, MOST)
    linear, square = one**2 / variance, two**2 / variance
    root = np.sqrt(linear**2 + 4 * square * wanted)
    latent = np.where(wanted > 0, 2 * wanted / np.maximum(linear + root, 1e-9), 0.0)
    return table.astype(np.float32).reshape(-1), ratio.astype(np.float32), np.clip(latent, 0.0, MOST), linear * variance


def _shares(usual: Floats, linear: Floats, lasting: Floats, luck: tuple[float, float]) -> tuple[Floats, Floats]:
    """How much of each series' fleeting and of its lasting luck all series share (N,), as shares of its variance."""
    week, eight = luck[0] ** 2, luck[1] ** 2
    stays = max(eight - week / 8, 0.0)
    goes = max(week - stays, 0.0)
    power = usual**2 / np.maximum(linear, 1e-12)
    fleeting = np.clip(goes * power / np.maximum(1 - lasting, 1e-9), 0.0, MOST)
    return fleeting, np.where(lasting > 0, np.clip(stays * power / np.maximum(lasting, 1e-9), 0.0, MOST), 0.0)


def consume(paths: Singles, known: ArrayLike, carry: float = 0.75) -> Singles:
    """Forecast paths (P, H, N) consumed by known orders (H, N): known demand is certain, the rest of the path comes on top.

    What known orders exceed a week's path by eats into the following weeks' paths, less by the `carry` each week: forecast
    consumption of a master schedule (Vollmann, Berry & Whybark, Manufacturing Planning and Control Systems (1997)).
    """
    certain = np.asarray(known, dtype=np.float32)
    total, ahead = np.empty_like(paths), np.zeros_like(paths[:, 0])
    for week in range(paths.shape[1]):
        rest = paths[:, week] - certain[week] - ahead
        total[:, week] = certain[week] + np.maximum(rest, 0)
        ahead = np.maximum(-rest, 0) * np.float32(carry)
    return total
