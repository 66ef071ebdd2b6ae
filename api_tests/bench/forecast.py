"""How good the forecast is beside a general-purpose library on open histories, and how fast.

`STILLROOM_BENCH_DATA` names a folder of histories (`*.csv.gz`: series_id, quantity, and date or week); the project's own slice is
always judged. The protocol is in `rolling`; what is reported is of origins that nothing was tuned on. Everything goes to
`var/bench/forecast.json`.
"""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from api_tests.bench import library, openhistories, rolling, speed
from api_tests.bench.figures import Figure
from api_tests.bench.openhistories import History
from api_tests.bench.rolling import Outcomes
from service.core.demand.scores import calibrated

SAMPLE = 300  # series of each history that the library forecasts too
CATALOGUES, SIZE = 20, 30
EACH, ALL, SMALL, TOLERANCE = 0.97, 0.93, 0.96, 0.015


def measure(quick: bool, folder: Path) -> list[Figure]:
    """Judge every history, keep the JSON, and say how the targets were met."""
    named = openhistories.named()
    sources = [("slice", openhistories.SLICE), *([("open", named)] if named else [])]
    found: dict[str, dict[str, Any]] = {}
    for kind, place in sources:
        for history in openhistories.histories(place):
            found[f"{kind}: {history.name}"] = report(history, 30 if quick else SAMPLE, 100 if quick else library.PATHS)
    judged = {name: one for name, one in found.items() if not named or name.startswith("open")}
    whole = {
        "tuned_on": f"the first {rolling.TUNED:.0%} of each history's origins; everything here is of the later ones",
        "ratio": geometric(one["ratio"] for one in judged.values()),
        "small_catalogues_ratio": geometric(one["small_catalogues_ratio"] for one in judged.values()),
        "quick": quick,
        "files": found,
    }
    (folder.parent / "forecast.json").write_text(json.dumps(whole, indent=1) + "\n")
    figures = [one for name, told in found.items() for one in of_file(name, told)]
    words = f"geometric mean over {len(judged)} histories; " + (
        "" if named else "the slice alone: STILLROOM_BENCH_DATA is not set"
    )
    figures += [
        Figure("forecast", "score / best of the library, all", whole["ratio"], words, most=ALL),
        Figure("forecast", "small catalogues, all", whole["small_catalogues_ratio"], words, most=SMALL),
    ]
    return [*figures, *speed.measure(quick)]


def geometric(values: Iterable[float]) -> float:
    return float(np.exp(np.mean(np.log(list(values)))))


def of_file(name: str, told: dict[str, Any]) -> list[Figure]:
    """The ratio, and how far the bands at 90 and 95 % are from what they say."""
    best, low, high = told["best_library"], told["below"], told["at_or_below"]
    words = f"{told['score_on_sample']:.4f} / {best['score']:.4f} ({best['name']}, {told['sample']} of {told['series']} series, "
    words += f"{told['reported']} of {told['origins']} origins); small catalogues {told['small_catalogues_ratio']:.3f}"
    shown = ", ".join(f"{level}: {low[level]:.3f} to {high[level]:.3f}" for level in ("0.9", "0.95"))
    off = max(max(low[level] - float(level), float(level) - high[level], 0.0) for level in ("0.9", "0.95"))
    assert (off <= TOLERANCE) == all(calibrated(low[lv], high[lv], float(lv), TOLERANCE) for lv in ("0.9", "0.95"))
    return [
        Figure("forecast", f"{name}: score / best of the library", told["ratio"], words, most=EACH),
        Figure("forecast", f"{name}: furthest off at 90 and 95 %", off, f"below to at or below: {shown}", most=TOLERANCE),
    ]


def report(history: History, most: int, paths: int) -> dict[str, Any]:
    """The service's forecast and the library's on the same series and origins."""
    origins = rolling.reported(history)
    made, seconds = rolling.pooled(history)
    mine = rolling.evaluate(history, made, origins)
    some = np.sort(np.random.default_rng(5).permutation(len(history.y))[:most])
    theirs = library.judge(history, origins, set(some.tolist()), paths)
    best = min(theirs, key=lambda name: theirs[name][0].score)
    on_sample = mine.of(np.isin(mine.series, some)).score
    shares = mine.shares()
    return {
        "score": mine.score,
        "score_on_sample": on_sample,
        "best_library": {"name": best, "score": theirs[best][0].score},
        "ratio": on_sample / theirs[best][0].score,
        "small_catalogues_ratio": small_catalogues(history, some, theirs[best][0]),
        "below": {level: pair[0] for level, pair in shares.items()},
        "at_or_below": {level: pair[1] for level, pair in shares.items()},
        "seconds": seconds,
        "series": len(history.y),
        "sample": len(some),
        "origins": len(history.origins),
        "reported": len(origins),
        "judged": len(mine.loss),
        "library": {name: {"score": one.score, "seconds": took} for name, (one, took) in theirs.items()},
    }


def small_catalogues(history: History, some: Any, best: Outcomes) -> float:
    """Random catalogues of 30 series, each forecast alone, beside the same best method on the same series."""
    dice, ratios = np.random.default_rng(30), []
    origins = rolling.reported(history)
    for _ in range(CATALOGUES):
        rows = np.sort(dice.choice(some, min(SIZE, len(some)), replace=False))
        part = history.part(rows)
        alone = rolling.evaluate(part, rolling.pooled(part)[0], origins)
        ratios.append(alone.score / best.of(np.isin(best.series, rows)).score)
    return geometric(ratios)
