"""Five methods of a general-purpose forecasting library (statsforecast, bench extra) with sample paths of bootstrapped residuals.

The four that were best on one of the open histories, and the fifth that came close: chosen with hindsight, as the yardstick is.
"""

import os
import time
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from api_tests.bench.openhistories import Floats, History
from api_tests.bench.rolling import LEVELS, Outcomes, cells, outcomes
from service.core.demand.forecast import first_sale

PATHS = 500
SEED = 7
NAMES = ("optimised theta", "dynamic optimised theta", "SES optimised", "historic average", "AutoETS")


def method(name: str) -> Any:
    """A fresh model of the library."""
    from statsforecast import models

    made: dict[str, Callable[[], Any]] = {
        "optimised theta": lambda: models.OptimizedTheta(season_length=1),
        "dynamic optimised theta": lambda: models.DynamicOptimizedTheta(season_length=1),
        "SES optimised": models.SimpleExponentialSmoothingOptimized,
        "historic average": models.HistoricAverage,
        "AutoETS": lambda: models.AutoETS(season_length=1),
    }
    return made[name]()


def simulate(name: str, seen: list[Floats], horizon: int, paths: int) -> list[Floats]:
    """Quantiles of the demand of the next 1, 2, .. `horizon` periods (horizon, 5) after each history."""
    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns of every bootstrap
        for one in seen:
            drawn = method(name).simulate(h=horizon, n_paths=paths, y=one, seed=SEED, error_distribution="bootstrap")
            total = np.cumsum(np.asarray(drawn), axis=1)
            found.append(np.maximum(np.quantile(total, LEVELS, axis=0).T, 0.0))
    return found


def judge(history: History, origins: list[int], some: set[int], paths: int = PATHS) -> dict[str, tuple[Outcomes, float]]:
    """Each method's outcomes for some series at these origins, and the seconds it took on all cores."""
    first, furthest = first_sale(history.y), max(history.horizons)
    wanted = [(origin, int(row)) for origin, rows, _ in cells(history, origins, some) for row in rows]
    seen = [history.y[row, first[row] : origin] for origin, row in wanted]
    found: dict[str, tuple[Outcomes, float]] = {}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for name in NAMES:
            began = time.perf_counter()
            blocks = [seen[at : at + 50] for at in range(0, len(seen), 50)]
            jobs = [pool.submit(simulate, name, block, furthest, paths) for block in blocks]
            bands = dict(zip(wanted, (band for job in jobs for band in job.result()), strict=True))

            def stated(origin: int, horizon: int, rows: NDArray[Any], bands: dict[Any, Floats] = bands) -> Floats:
                return np.array([bands[origin, int(row)][horizon - 1] for row in rows]).reshape(-1, len(LEVELS))

            found[name] = outcomes(history, origins, stated, some), time.perf_counter() - began
    return found
