"""How fast 10,000 series are forecast, beside the library's AutoETS on the same series, and in how much memory."""

import json
import subprocess
import sys
import time
import warnings

import numpy as np

from api_tests.bench.figures import Figure
from api_tests.bench.library import method
from api_tests.bench.openhistories import Floats
from api_tests.bench.rig import ROOT
from service.core.demand.forecast import QUANTILES

SERIES, WEEKS, AHEAD = 10_000, 104, 26
LEAST, MOST_MB = 20, 400


def demand() -> Floats:
    """Invented: levels from a gamma, moved by the weeks together and each one alone, counted."""
    dice = np.random.default_rng(1)
    level = dice.gamma(1, 6, (SERIES, 1)) * np.exp(np.cumsum(0.03 * dice.standard_normal((SERIES, WEEKS)), axis=1))
    return dice.poisson(level * dice.gamma(4, 0.25, (SERIES, WEEKS)) * dice.gamma(50, 0.02, WEEKS)).astype(np.float64)


def measure(quick: bool) -> list[Figure]:
    """The service's forecast of all, in a process of its own; AutoETS on some of them, as if all cost alike."""
    done = subprocess.run([sys.executable, "-m", "api_tests.bench.speed"], cwd=ROOT, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    some = 20 if quick else 200
    rows = demand()[:: SERIES // some]
    levels = [round(100 * level) for level in QUANTILES if level > 0.5]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        method("AutoETS").forecast(y=rows[0], h=AHEAD, level=levels)  # the first compiles
        began = time.perf_counter()
        for row in rows:
            method("AutoETS").forecast(y=row, h=AHEAD, level=levels)
        theirs = (time.perf_counter() - began) / len(rows) * SERIES
    words = f"{found['seconds']:.2f} s for backtest, combination and quantiles of {SERIES:,} series x {WEEKS} weeks; "
    words += f"AutoETS {theirs:.0f} s, from {len(rows)} of them"
    return [
        Figure("forecast", "AutoETS / the forecast, seconds", theirs / found["seconds"], words, least=LEAST),
        Figure(
            "forecast", "memory", found["mb"], f"MB at the peak of the process that forecasts {SERIES:,} series", most=MOST_MB
        ),
    ]


def main() -> None:
    """Forecast all once; print seconds and the peak of memory."""
    import resource

    from service.core.demand import paths
    from service.core.demand.forecast import fit

    y = demand()
    began = time.perf_counter()
    bands = paths.forecast(fit(y), AHEAD).quantiles()
    took = time.perf_counter() - began
    assert bands.shape == (SERIES, AHEAD, len(QUANTILES))
    print(json.dumps({"seconds": took, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))


if __name__ == "__main__":
    main()
