"""Rolling-origin evaluation of cumulative demand: what is judged, and the scores.

Judged is the demand of the next 2, 4 and 8 weeks (1, 2, 4 months), forecast from only what was before the origin: pinball loss
averaged over the quantiles, divided by the series' in-sample naive mean absolute error x sqrt(horizon). A series is judged from
the first origin with 13 periods since its first sale, 3 periods with sales and one in the last 26.
"""

import time
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from api_tests.bench.openhistories import Floats, History
from service.core.demand.fitted import Fit
from service.core.demand.forecast import QUANTILES, first_sale, fit
from service.core.demand.negbin import quantiles
from service.core.demand.scores import coverage, naive_error, pinball
from service.core.demand.tuned import TUNED, Settings

LEVELS = np.array(QUANTILES)


def reported(history: History) -> list[int]:
    """The origins that nothing was tuned on: those after the first 40 %."""
    every = list(history.origins)
    return every[int(len(every) * TUNED) :]


def judged(history: History, origin: int) -> tuple[NDArray[np.intp], Floats]:
    """The series judged at an origin, and every series' scale."""
    first, sold = first_sale(history.y), history.y[:, :origin] > 0
    scale = naive_error(history.y, first, origin)
    able = (origin - first >= 13) & (sold.sum(axis=1) >= 3) & sold[:, -26:].any(axis=1) & (scale > 0)
    return np.flatnonzero(able), scale


@dataclass
class Outcomes:
    """One row for each series, origin and horizon: (C,), the stated quantiles (C, 5) and the losses (C,)."""

    series: NDArray[Any]
    origin: NDArray[Any]
    horizon: NDArray[Any]
    actual: Floats
    stated: Floats
    loss: Floats

    def of(self, rows: NDArray[Any]) -> "Outcomes":
        """Some of the rows."""
        return Outcomes(*(getattr(self, one.name)[rows] for one in fields(self)))

    @property
    def score(self) -> float:
        return float(self.loss.mean())

    def shares(self) -> dict[str, tuple[float, float]]:
        """Outcomes strictly below, and at or below, the stated quantiles from 80 % up."""
        return {f"{level:g}": coverage(self.actual, self.stated[:, at]) for at, level in enumerate(QUANTILES) if level >= 0.8}


def pooled(history: History) -> tuple[Fit, float]:
    """The service's own forecast at every origin, and the seconds it took."""
    began = time.perf_counter()
    made = fit(history.y, history.share, Settings(season=history.season, horizons=history.horizons), history.origins)
    return made, time.perf_counter() - began


def cells(history: History, origins: list[int], some: set[int] | None = None) -> list[tuple[int, NDArray[np.intp], Floats]]:
    """Origins with the series judged at them (those among `some`) and their scales."""
    found = []
    for origin in origins:
        rows, scale = judged(history, origin)
        if some is not None:
            rows = rows[np.isin(rows, list(some))]
        found.append((origin, rows, scale[rows]))
    return found


def outcomes(history: History, origins: list[int], stated: Any, some: set[int] | None = None) -> Outcomes:
    """Judge `stated(origin, horizon, rows) -> (rows, 5)` quantiles."""
    parts: list[tuple[Any, ...]] = []
    for origin, rows, scale in cells(history, origins, some):
        for horizon in history.horizons:
            bands = stated(origin, horizon, rows)
            actual = history.y[rows, origin : origin + horizon].sum(axis=1)
            loss = pinball(actual[:, None], bands, LEVELS).mean(axis=1) / (scale * np.sqrt(horizon))
            parts.append((rows, np.full(len(rows), origin), np.full(len(rows), horizon), actual, bands, loss))
    return Outcomes(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def evaluate(history: History, made: Fit, origins: list[int]) -> Outcomes:
    """The service's own forecast judged."""

    def stated(origin: int, horizon: int, rows: NDArray[np.intp]) -> Floats:
        mean, variance = made.past[origin, horizon]
        return quantiles(mean[rows], variance[rows], LEVELS)

    return outcomes(history, origins, stated)
