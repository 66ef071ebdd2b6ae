"""How good the pooled forecast is on open order histories: `python -m api_tests.bench.forecast FOLDER [--out FILE]`.

Rolling origins: weekly buckets (monthly where the dates are first days of months), an origin every 4 weeks or 3 months,
only data before it used. Judged is the cumulative demand of the next 2, 4 and 8 weeks (1, 2, 4 months): pinball loss
averaged over the quantiles, divided by the series' in-sample naive mean absolute error x sqrt(horizon). A series is
judged from the first origin with 13 periods since its first sale, 3 periods with sales and one in the last 26. The library's
methods, where the optional package is installed, get the same series and origins (`--library N`: N series of each file).
"""

import argparse
import csv
import gzip
import json
import re
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from service.core.demand.fitted import Fit
from service.core.demand.forecast import QUANTILES, first_sale, fit
from service.core.demand.tuned import Settings
from service.core.demand.negbin import quantiles
from service.core.demand.scores import coverage, naive_error, pinball

Floats = NDArray[np.float64]
LEVELS = np.array(QUANTILES)


@dataclass(frozen=True)
class History:
    name: str
    y: Floats  # (N, T)
    share: Floats | None
    horizons: tuple[int, ...]
    stride: int
    season: int

    @property
    def origins(self) -> range:
        return range(13, self.y.shape[1] - max(self.horizons) + 1, self.stride)


def rows(files: list[Path]) -> Iterator[dict[str, str]]:
    for file in files:
        with gzip.open(file, "rt", encoding="utf-8", newline="") as text:
            yield from csv.DictReader(text)


def read(name: str, files: list[Path]) -> History:
    """One history from files of series_id, quantity and date or week; parts of one history are read together."""
    places: dict[str, int] = {}
    sums: dict[tuple[int, int], float] = {}
    days: set[date] = set()
    lines = list(rows(files))
    weekly_numbers = "week" in lines[0]
    dates = [] if weekly_numbers else [date.fromisoformat(line["date"]) for line in lines]
    monthly = bool(dates) and all(day.day == 1 for day in dates)
    for at, line in enumerate(lines):
        quantity = float(line["quantity"]) if line["quantity"] not in ("", "NA") else 0.0
        series = places.setdefault(line["series_id"], len(places))
        if weekly_numbers:
            period = int(line["week"])
        else:
            day = dates[at]
            period = day.year * 12 + day.month if monthly else (day.toordinal() - 1) // 7
            if quantity > 0:
                days.add(day)
        sums[series, period] = sums.get((series, period), 0.0) + quantity
    start, stop = min(p for _, p in sums), max(p for _, p in sums) + 1
    y = np.zeros((len(places), stop - start))
    for (series, period), total in sums.items():
        y[series, period - start] = total
    share = None
    if dates and not monthly:
        opened = np.zeros(stop - start)
        for day in days:
            opened[(day.toordinal() - 1) // 7 - start] += 1
        share = np.minimum(opened / np.median(opened), 1.0)
    return History(name, y, share, (1, 2, 4) if monthly else (2, 4, 8), 3 if monthly else 4, 12 if monthly else 52)


def histories(folder: Path) -> list[History]:
    """The folder's histories; files that differ only in the years of their names are one."""
    groups: dict[str, list[Path]] = {}
    for file in sorted(folder.glob("*.csv.gz")):
        groups.setdefault(re.sub(r"_?\d{4}-\d{2}", "", file.name.removesuffix(".csv.gz")).strip("_"), []).append(file)
    return [read(name, files) for name, files in groups.items()]


def judged(history: History, origin: int) -> tuple[NDArray[np.intp], Floats]:
    """The series judged at an origin, and every series' scale."""
    first, sold = first_sale(history.y), history.y[:, :origin] > 0
    scale = naive_error(history.y, first, origin)
    able = (origin - first >= 13) & (sold.sum(axis=1) >= 3) & sold[:, -26:].any(axis=1) & (scale > 0)
    return np.flatnonzero(able), scale


@dataclass
class Outcome:
    """Everything judged: losses by (series, origin, horizon), and actual and stated quantiles in the same order."""

    losses: dict[tuple[int, int, int], float]
    actual: Floats
    stated: Floats

    @property
    def score(self) -> float:
        return float(np.mean(list(self.losses.values())))


def evaluate(history: History, made: Fit) -> Outcome:
    losses: dict[tuple[int, int, int], float] = {}
    actuals, stated = [], []
    for origin in history.origins:
        chosen, scale = judged(history, origin)
        for horizon in history.horizons:
            mean, variance = made.past[origin, horizon]
            bands = quantiles(mean[chosen], variance[chosen], LEVELS)
            actual = history.y[chosen, origin : origin + horizon].sum(axis=1)
            loss = pinball(actual[:, None], bands, LEVELS).mean(axis=1) / (scale[chosen] * np.sqrt(horizon))
            losses.update({(int(s), origin, horizon): float(value) for s, value in zip(chosen, loss, strict=True)})
            actuals.append(actual)
            stated.append(bands)
    return Outcome(losses, np.concatenate(actuals), np.concatenate(stated))


def pooled(history: History) -> tuple[Fit, float]:
    began = time.perf_counter()
    made = fit(history.y, history.share, Settings(season=history.season, horizons=history.horizons), history.origins)
    return made, time.perf_counter() - began


def small_catalogues(history: History, whole: Outcome, count: int = 20, size: int = 30) -> float:
    """Score of the method on random catalogues of 30 series over its score on the same series within the whole history."""
    rng = np.random.default_rng(30)
    ratios = []
    for _ in range(count):
        rows_ = np.sort(rng.choice(len(history.y), size, replace=False))
        part = History(history.name, history.y[rows_], history.share, history.horizons, history.stride, history.season)
        alone = evaluate(part, pooled(part)[0]) if any(len(judged(part, o)[0]) for o in part.origins) else None
        if alone is not None and alone.losses:
            within = np.mean([whole.losses[int(rows_[s]), o, h] for s, o, h in alone.losses])
            ratios.append(alone.score / float(within))
    return float(np.exp(np.mean(np.log(ratios))))


def library(history: History, mine: Outcome, most: int) -> dict[str, dict[str, float]]:
    """The five methods of the general-purpose library with bootstrap paths, and the pooled method on the same cells."""
    from statsforecast import models

    methods = {
        "optimised theta": lambda: models.OptimizedTheta(season_length=1),
        "SES optimised": models.SimpleExponentialSmoothingOptimized,
        "historic average": models.HistoricAverage,
        "AutoETS": lambda: models.AutoETS(season_length=1),
    }
    sample = np.random.default_rng(5).permutation(len(history.y))[:most]
    first, results = first_sale(history.y), {}
    for name, method in methods.items():
        began, losses = time.perf_counter(), {}
        warnings.simplefilter("ignore")  # the library warns of every bootstrap
        for series, origin in sorted({(s, o) for s, o, _ in mine.losses if s in set(sample.tolist())}):
            seen = history.y[series, first[series] : origin]
            scale = float(naive_error(history.y[[series]], first[[series]], origin)[0])
            paths = method().simulate(h=max(history.horizons), n_paths=200, y=seen, seed=7, error_distribution="bootstrap")
            for horizon in history.horizons:
                bands = np.maximum(np.quantile(np.asarray(paths)[:, :horizon].sum(axis=1), LEVELS), 0)
                actual = history.y[series, origin : origin + horizon].sum()
                loss = pinball(actual, bands, LEVELS).mean() / (scale * np.sqrt(horizon))
                losses[series, origin, horizon] = float(loss)
        ours = float(np.mean([mine.losses[key] for key in losses]))
        theirs = float(np.mean(list(losses.values())))
        seconds = time.perf_counter() - began
        results[name] = {"score": theirs, "pooled": ours, "ratio": ours / theirs, "cells": len(losses), "seconds": seconds}
    return results


def later(outcome: Outcome, history: History) -> float:
    """Score on the origins that nothing was tuned on but what `Settings` says: the last 60 %."""
    cut = list(history.origins)[int(len(history.origins) * 0.4)]
    return float(np.mean([loss for (_, origin, _), loss in outcome.losses.items() if origin >= cut]))


def report(history: History, most: int, small: bool) -> dict[str, object]:
    made, seconds = pooled(history)
    outcome = evaluate(history, made)
    shares = {f"{level:g}": coverage(outcome.actual, outcome.stated[:, at]) for at, level in enumerate(QUANTILES) if level >= 0.8}
    answer: dict[str, object] = {
        "score": outcome.score,
        "score_last_60_percent_of_origins": later(outcome, history),
        "below": {level: pair[0] for level, pair in shares.items()},
        "at_or_below": {level: pair[1] for level, pair in shares.items()},
        "seconds": seconds,
        "series": len(history.y),
        "origins": len(history.origins),
        "judged": len(outcome.losses),
    }
    if small:
        answer["small_catalogues_to_whole"] = small_catalogues(history, outcome)
    if most:
        methods = library(history, outcome, most)
        best = min(methods, key=lambda name: methods[name]["score"])
        answer |= {"library": methods, "best_library": [best, methods[best]["score"]], "ratio": methods[best]["ratio"]}
    return answer


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("folder", type=Path, help="holds *.csv.gz with series_id, quantity and date or week")
    asked.add_argument("--library", type=int, default=0, metavar="N", help="compare on N series of each file")
    asked.add_argument("--small", action="store_true", help="also 20 random catalogues of 30 series of each file")
    asked.add_argument("--out", type=Path, help="write the figures as JSON")
    given = asked.parse_args()
    answers = {}
    for history in histories(given.folder):
        answers[history.name] = report(history, given.library, given.small)
        print(history.name, json.dumps(answers[history.name], indent=1), flush=True)
    if given.out:
        given.out.parent.mkdir(parents=True, exist_ok=True)
        given.out.write_text(json.dumps(answers, indent=1) + "\n")


if __name__ == "__main__":
    main()
