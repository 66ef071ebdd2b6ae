"""Textbook forecasts, each beside its source. `y` is one series or many, shape (..., T): weeks on the last axis.

They are what the pooled method is built from and compared with; all series of an array are computed at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Intermittent:
    """Smoothed size and smoothed interval (or chance) of demand, and the forecast of a period; each of shape (...)."""

    size: Floats
    interval: Floats
    forecast: Floats


def ses(y: ArrayLike, alpha: float, start: ArrayLike | None = None) -> Floats:
    """Levels after each period, shape (..., T); the forecast of every coming period is the last one.

    Simple exponential smoothing: Brown, Statistical Forecasting for Inventory Control (1959). `start` is the level
    before the first period, by default the first value.
    """
    values = np.asarray(y, dtype=np.float64)
    levels = np.empty_like(values)
    level = values[..., 0] if start is None else np.broadcast_to(np.asarray(start, dtype=np.float64), values.shape[:-1])
    for period in range(values.shape[-1]):
        level = level + alpha * (values[..., period] - level)
        levels[..., period] = level
    return levels


def holt(y: ArrayLike, alpha: float, beta: float, level: ArrayLike, slope: ArrayLike) -> tuple[Floats, Floats]:
    """Level and slope after the last period, each of shape (...); forecast with `trend_line`.

    Holt's linear trend: Holt, ONR Memorandum 52 (1957), reprinted in International Journal of Forecasting 20 (2004)
    5-10. `beta` smooths the slope (the beta* of Hyndman & Athanasopoulos, 8.2); `level` and `slope` are those before
    the first period.
    """
    values = np.asarray(y, dtype=np.float64)
    now, rise = np.asarray(level, dtype=np.float64), np.asarray(slope, dtype=np.float64)
    for period in range(values.shape[-1]):
        before = now
        now = alpha * values[..., period] + (1 - alpha) * (before + rise)
        rise = beta * (now - before) + (1 - beta) * rise
    return now, rise


def trend_line(level: ArrayLike, slope: ArrayLike, horizon: int) -> Floats:
    """Holt's forecasts of the next `horizon` periods, shape (..., horizon): level + h slope."""
    steps = np.arange(1, horizon + 1)
    return np.asarray(level)[..., None] + steps * np.asarray(slope, dtype=np.float64)[..., None]


def holt_winters(
    y: ArrayLike, alpha: float, beta: float, gamma: float, level: float, slope: float, season: ArrayLike
) -> tuple[float, float, Floats]:
    """Level, slope and season of the coming periods after the last one, for one series of shape (T,).

    Additive Holt-Winters: Winters, Management Science 6 (1960) 324-342, in the form of Hyndman & Athanasopoulos,
    Forecasting: Principles and Practice (2021), 8.3: the season learns from the deviation from level + slope.
    `season` holds the m values before the first period, oldest (the first period's own) first.
    """
    cycle = np.array(season, dtype=np.float64)
    length = len(cycle)
    values = np.asarray(y, dtype=np.float64)
    for period, value in enumerate(values):
        at = period % length
        before = level + slope
        now = alpha * (value - cycle[at]) + (1 - alpha) * before
        cycle[at] = gamma * (value - before) + (1 - gamma) * cycle[at]
        slope = beta * (now - level) + (1 - beta) * slope
        level = float(now)
    return level, float(slope), np.roll(cycle, -(len(values) % length))


def seasonal_line(level: float, slope: float, season: ArrayLike, horizon: int) -> Floats:
    """Holt-Winters' forecasts, shape (horizon,): level + h slope + the season of that period."""
    cycle = np.asarray(season, dtype=np.float64)
    steps = np.arange(1, horizon + 1)
    return np.asarray(level + slope * steps + cycle[(steps - 1) % len(cycle)], dtype=np.float64)


def croston(
    y: ArrayLike, alpha: float, alpha_interval: float | None = None, start: tuple[float, float] | None = None
) -> Intermittent:
    """Size and interval of intermittent demand, smoothed when there is demand; forecast = size / interval.

    Croston, Operational Research Quarterly 23 (1972) 289-303. Intervals are counted from time 0. Without `start` (size,
    interval) the first demand and its interval start both; with it they are learnt from like all others. No demand: 0.
    """
    values = np.asarray(y, dtype=np.float64)
    pace = alpha if alpha_interval is None else alpha_interval
    shape = values.shape[:-1]
    given = start is not None
    size = np.full(shape, start[0] if start else 0.0)
    interval = np.full(shape, start[1] if start else 1.0)
    met, since = np.zeros(shape, dtype=bool), np.zeros(shape)
    for period in range(values.shape[-1]):
        value = values[..., period]
        since = since + 1
        sold = value > 0
        later = sold & (met | given)
        size = np.where(later, size + alpha * (value - size), np.where(sold, value, size))
        interval = np.where(later, interval + pace * (since - interval), np.where(sold, since, interval))
        met, since = met | sold, np.where(sold, 0.0, since)
    forecast = np.where(met | given, size / interval, 0.0)
    return Intermittent(size, interval, np.asarray(forecast))


def sba(y: ArrayLike, alpha: float, alpha_interval: float | None = None) -> Floats:
    """Croston's forecast less its bias: Syntetos & Boylan, International Journal of Forecasting 21 (2005) 303-314."""
    return np.asarray(
        sba_factor(alpha if alpha_interval is None else alpha_interval) * croston(y, alpha, alpha_interval).forecast
    )


def sba_factor(alpha: float) -> float:
    """1 - alpha / 2, with the alpha that smooths the interval (the same source)."""
    return 1 - alpha / 2


def sbj_factor(alpha: float) -> float:
    """1 - alpha / (2 - alpha): Shale, Boylan & Johnston, Journal of the Operational Research Society 57 (2006) 588-592."""
    return 1 - alpha / (2 - alpha)


def tsb(y: ArrayLike, alpha: float, alpha_chance: float) -> Intermittent:
    """Size smoothed at demands, chance of demand every period; forecast = size x chance (`interval` holds the chance).

    Teunter, Syntetos & Babai, European Journal of Operational Research 214 (2011) 606-615. Starts at the first
    demand and the first 0/1 indicator.
    """
    values = np.asarray(y, dtype=np.float64)
    hit = (values > 0).astype(np.float64)
    chance = hit[..., 0]
    size = values[..., 0]
    for period in range(1, values.shape[-1]):
        value, sold = values[..., period], hit[..., period] > 0
        size = np.where(sold, np.where(size > 0, size + alpha * (value - size), value), size)
        chance = chance + alpha_chance * (hit[..., period] - chance)
    return Intermittent(size, chance, size * chance)


def demand_class(y: ArrayLike, adi_cut: float = 1.32, cv2_cut: float = 0.49) -> tuple[float, float, str]:
    """Mean interval, squared variation of the sizes, and smooth, erratic, intermittent or lumpy, for one series (T,).

    Syntetos, Boylan & Croston, Journal of the Operational Research Society 56 (2005) 495-503. The interval is all
    periods over those with demand; the variance divides by n.
    """
    values = np.asarray(y, dtype=np.float64)
    sizes = values[values > 0]
    if not len(sizes):
        return float("inf"), 0.0, "none"
    interval, spread = len(values) / len(sizes), float(sizes.var() / sizes.mean() ** 2)
    names = {(False, False): "smooth", (False, True): "erratic", (True, False): "intermittent", (True, True): "lumpy"}
    return interval, spread, names[interval >= adi_cut, spread >= cv2_cut]
