"""How good a forecast has been: proper scores, shares inside the bands, and the naive forecast as yardstick."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def pinball(actual: ArrayLike, quantile: ArrayLike, level: ArrayLike) -> Floats:
    """Loss of a stated quantile, in the unit of demand; arguments are broadcast.

    Koenker & Bassett, Econometrica 46 (1978) 33-50; half of the quantile score of Hyndman & Athanasopoulos (2021), 5.9.
    """
    miss = np.asarray(actual, dtype=np.float64) - np.asarray(quantile, dtype=np.float64)
    share = np.asarray(level, dtype=np.float64)
    return np.asarray(np.maximum(share * miss, (share - 1) * miss))


def quantile_score(actual: ArrayLike, quantile: ArrayLike, level: ArrayLike) -> Floats:
    """Twice the pinball loss: Hyndman & Athanasopoulos, Forecasting: Principles and Practice (2021), 5.9."""
    return np.asarray(2 * pinball(actual, quantile, level))


def interval_score(actual: ArrayLike, lower: ArrayLike, upper: ArrayLike, alpha: float) -> Floats:
    """Width of the central (1 - alpha) interval and 2 / alpha times what lies outside: Winkler, JASA 67 (1972) 187-191.

    As the proper interval score: Gneiting & Raftery, JASA 102 (2007) 359-378.
    """
    value, low, high = (np.asarray(a, dtype=np.float64) for a in (actual, lower, upper))
    outside = np.maximum(low - value, 0) + np.maximum(value - high, 0)
    return np.asarray((high - low) + 2 / alpha * outside)


def weighted_interval_score(
    actual: ArrayLike, lower: ArrayLike, upper: ArrayLike, alphas: ArrayLike, median: ArrayLike | None = None
) -> Floats:
    """Interval scores weighted by alpha / 2; intervals stand on the last axis of `lower` and `upper`.

    Bracher, Ray, Gneiting & Reich, PLoS Computational Biology 17(2) (2021) e1008618: with the median (weight 1/2) the
    sum is divided by K + 1/2, without it by K.
    """
    value, shares = np.asarray(actual, dtype=np.float64), np.asarray(alphas, dtype=np.float64)
    low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    seen = value[..., None]
    parts = shares / 2 * (high - low) + np.maximum(low - seen, 0) + np.maximum(seen - high, 0)
    total, count = parts.sum(axis=-1), float(len(shares))
    if median is not None:
        total, count = total + np.abs(value - np.asarray(median)) / 2, count + 0.5
    return np.asarray(total / count)


def coverage(actual: ArrayLike, quantile: ArrayLike) -> tuple[float, float]:
    """Shares of outcomes strictly below and at or below their stated quantile; nan when there is none."""
    value, stated = np.asarray(actual, dtype=np.float64), np.asarray(quantile, dtype=np.float64)
    if value.size == 0:
        return float("nan"), float("nan")
    return float((value < stated).mean()), float((value <= stated).mean())


def calibrated(below: float, at_or_below: float, level: float, tolerance: float) -> bool:
    """Whether the level lies between the two shares, give or take the tolerance (small counts have ties)."""
    return below - tolerance <= level <= at_or_below + tolerance


def naive_error(y: ArrayLike, first: ArrayLike, upto: int, season: int = 1) -> Floats:
    """Mean absolute error of the (seasonal) naive forecast within y[:, first:upto], shape (N,); 0 where there is none.

    The scale of Hyndman & Koehler, International Journal of Forecasting 22 (2006) 679-688. `y` has shape (N, T).
    """
    values = np.asarray(y, dtype=np.float64)[:, :upto]
    begin = np.asarray(first)[:, None]
    steps = np.abs(values[:, season:] - values[:, :-season]) if upto > season else np.zeros((len(values), 0))
    counted = np.arange(season, season + steps.shape[1])[None, :] >= begin + season
    return np.asarray(np.where(counted, steps, 0).sum(axis=1) / np.maximum(counted.sum(axis=1), 1))


def accuracy(actual: ArrayLike, forecast: ArrayLike, scale: float) -> dict[str, float]:
    """RMSE, MAE, MAPE (per cent) and MASE of point forecasts: Hyndman & Athanasopoulos (2021), 5.8."""
    value = np.asarray(actual, dtype=np.float64)
    miss = value - np.asarray(forecast, dtype=np.float64)
    size = float(np.abs(miss).mean())
    return {
        "RMSE": float(np.sqrt((miss**2).mean())),
        "MAE": size,
        "MAPE": float((100 * np.abs(miss / value)).mean()),
        "MASE": size / scale,
    }
