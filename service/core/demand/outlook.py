"""From a history to what is expected of every series: fitted, borrowed where new, sampled, consumed by known orders.

All series at once; the same history gives the same numbers (the seed is fixed).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.core.demand import paths
from service.core.demand.fitted import Fit
from service.core.demand.forecast import Forecast, fit
from service.core.demand.negbin import quantiles
from service.core.demand.planning import PATHS, SEED, History, Quality, SeriesOutlook
from service.core.demand.scores import pinball
from service.core.demand.weeks import Weeks, weekly

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
LEVELS = (0.1, 0.5, 0.8, 0.9, 0.95, 0.99)
SPAN = 4  # weeks of the forecasts that are judged
JUDGED = 52  # weeks back
RIPE = 8  # weeks since its first sale before a series is judged
LEAST = 3  # spans that say anything


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is expected: the weeks as seen, what was learnt, the forecast, and how much of it is borrowed (N,)."""

    weeks: Weeks
    made: Fit
    forecast: Forecast
    borrowed: Floats
    age: Floats


def look(history: History, horizon: int, origins: Sequence[int] = ()) -> Outlook:
    """Fit all series and forecast the coming weeks, the first of which holds today."""
    seen = weekly(history, horizon)
    made = fit(seen.capped, seen.share, origins=[*origins], planned=seen.planned)
    own = paths.forecast(made, horizon, seen.ahead)
    age = np.maximum(seen.units.shape[1] - made.first, 0).astype(np.float64)
    unsold = [at for at, (product, _) in enumerate(history.series) if product in history.fresh and not age[at]]
    age[unsold] = [history.fresh[history.series[at][0]] for at in unsold]
    named = _alike(history, age, own)
    borrows = history.like.keys() | history.fresh.keys()
    eligible = np.array([age[at] > 0 or product in borrows for at, (product, _) in enumerate(history.series)])
    lent = paths.borrow(own, np.where(eligible, age, np.inf), named)
    closed = seen.ahead <= 0
    kept = lent.forecast
    for part in (kept.week_mean, kept.week_variance):
        part[closed] = 0.0
    kept.mean[:] = np.where(closed.any(axis=1, keepdims=True), np.cumsum(kept.week_mean, axis=1), kept.mean)
    return Outlook(seen, made, kept, lent.share, age)


def _alike(history: History, age: Floats, own: Forecast) -> list[list[int]]:
    """For each series the series of the products it is like in its channel; else the settled ones of its channel."""
    places = {series: at for at, series in enumerate(history.series)}
    settled: dict[str, list[int]] = {}
    for at, (_, channel) in enumerate(history.series):
        if age[at] >= paths.BORROWED and own.mean[at, -1:].sum() > 0:
            settled.setdefault(channel, []).append(at)
    found = []
    for product, channel in history.series:
        mine = [places[other, channel] for other in history.like.get(product, ()) if (other, channel) in places]
        found.append(mine or settled.get(channel, []))
    return found


def part_of(outlook: Forecast, rows: Sequence[int]) -> Forecast:
    """The forecast of some series."""
    some = list(rows)
    return Forecast(outlook.mean[some], outlook.variance[some], outlook.week_mean[some], outlook.week_variance[some])


def known_weeks(orders: Iterable[tuple[int, int, float]], series: int, start: int, horizon: int) -> Floats:
    """Orders (series, day, units) by the week they must leave in (H, N); those due before the first week are left out."""
    certain = np.zeros((horizon, series))
    for at, day, units in orders:
        if 0 <= (week := (day - start) // 7) < horizon:
            certain[week, at] += units
    return certain


def _origins(history: History) -> range:
    """Past origins whose four weeks are over, every other week of the last year."""
    depth = weekly(history, 1).units.shape[1]
    return range(max(depth - JUDGED, 2 * SPAN), depth - SPAN + 1, 2)


def quality(history: History) -> Quality | None:
    """How good the forecasts of all series together have been."""
    if not history.series:
        return None
    origins = _origins(history)
    return qualities(look(history, 1, origins), origins)[-1]


def product(
    history: History, which: int, weeks: int, through: Sequence[tuple[int, float]], seed: int = SEED, count: int = 4 * PATHS
) -> tuple[list[SeriesOutlook], SeriesOutlook | None, Quality | None]:
    """The outlook of each channel of a product; of all together, with the sets (product, units in it); of the catalogue."""
    if not history.series:
        return [], None, None
    origins = _origins(history)
    seen = look(history, weeks, origins)
    units = dict(through) | {which: 1.0}
    rows = [at for at, (one, _) in enumerate(history.series) if one in units]
    judged = qualities(seen, origins)
    if not rows:
        return [], None, judged[-1]
    drawn = paths.sample(part_of(seen.forecast, rows), count, seed, paths.shared_luck(seen.made))
    start = seen.weeks.start.toordinal()
    certain = known_weeks(history.known, len(history.series), start, weeks)[:, rows]
    apart = known_weeks(history.apart, len(history.series), start, weeks)[:, rows]
    total = paths.consume(drawn, certain) + apart.astype(np.float32)
    certain += apart
    found = [
        _outlook(seen, at, history.series[at][1], total[:, :, n], certain[:, n], judged[at])
        for n, at in enumerate(rows)
        if history.series[at][0] == which
    ]
    if len(rows) == 1 and found:
        return found, None, judged[-1]
    each = np.array([units[history.series[at][0]] for at in rows], np.float32)
    part = (seen.forecast.week_mean[rows].sum(axis=1) * each).astype(np.float64)
    borrowed = float((part * seen.borrowed[rows]).sum() / max(part.sum(), 1e-9))
    oldest = int(seen.age[rows].max())
    return found, _together(total @ each, float((certain @ each).sum()), borrowed, oldest), judged[-1]


def _outlook(
    seen: Outlook, at: int, channel: str, drawn: Singles, certain: Floats, judged: Quality | None
) -> SeriesOutlook:  # fmt: skip
    if certain.any():
        week = np.quantile(drawn, LEVELS, axis=0, method="inverted_cdf").T
        whole = np.quantile(np.cumsum(drawn, axis=1), LEVELS, axis=0, method="inverted_cdf").T
    else:
        week = part_of(seen.forecast, [at]).quantiles(LEVELS, cumulative=False)[0]
        whole = part_of(seen.forecast, [at]).quantiles(LEVELS)[0]
    return SeriesOutlook(
        channel, week.tolist(), whole.tolist(), float(drawn.mean()), float(certain.sum()), float(seen.borrowed[at]),
        int(seen.age[at]), judged,
    )  # fmt: skip


def _together(drawn: Singles, known: float, borrowed: float, age: int) -> SeriesOutlook:
    """Quantiles of the sum of several series' paths (P, H), the oldest of which has this age."""
    week = np.quantile(drawn, LEVELS, axis=0, method="inverted_cdf").T
    whole = np.quantile(np.cumsum(drawn, axis=1), LEVELS, axis=0, method="inverted_cdf").T
    return SeriesOutlook("all", week.tolist(), whole.tolist(), float(drawn.mean()), known, borrowed, age, None)


def qualities(seen: Outlook, origins: Sequence[int]) -> list[Quality | None]:
    """How each series' forecasts of the next four weeks turned out at past origins; last, all series together."""
    y = seen.weeks.units
    rows = len(y)
    losses, naive = np.zeros(rows), np.zeros(rows)
    spans, inside, below = np.zeros(rows), np.zeros(rows), np.zeros((rows, len(LEVELS)))
    scale = np.maximum(np.abs(np.diff(y, axis=1)).mean(axis=1) if y.shape[1] > 1 else np.ones(rows), 1e-9)
    levels = np.array(LEVELS)
    for origin in origins:
        if (origin, SPAN) not in seen.made.past:
            continue
        mean, variance = seen.made.past[origin, SPAN]
        stated = quantiles(mean, variance, LEVELS)
        actual, before = y[:, origin : origin + SPAN].sum(axis=1), y[:, max(origin - SPAN, 0) : origin].sum(axis=1)
        counted = origin - seen.made.first >= RIPE
        losses += np.where(counted, pinball(actual[:, None], stated, levels).mean(axis=1), 0.0)
        naive += np.where(counted, pinball(actual[:, None], before[:, None], levels).mean(axis=1), 0.0)
        spans += counted
        inside += counted & (actual >= stated[:, 0]) & (actual <= stated[:, 3])
        below += counted[:, None] & (actual[:, None] <= stated)
    found = [_quality(spans[at], losses[at], naive[at], inside[at], below[at]) for at in range(rows)]
    whole = _quality(spans.sum(), (losses / scale).sum(), (naive / scale).sum(), inside.sum(), below.sum(axis=0))
    return [*found, whole]


def _quality(spans: float, loss: float, naive: float, inside: float, below: Floats) -> Quality | None:
    if spans < LEAST:
        return None
    ratio = float(loss / naive) if naive > 0 else (0.0 if loss <= 0 else float("inf"))
    shares = {level: float(below[n] / spans) for n, level in enumerate(LEVELS)}
    return Quality(int(spans), min(ratio, 99.0), float(inside / spans), shares)
