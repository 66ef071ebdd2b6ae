"""Open order histories as weekly (monthly) arrays: the project's own slice, and what STILLROOM_BENCH_DATA names."""

import csv
import gzip
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SLICE = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class History:
    """Demand `y` (N, T) by period, and the share of its usual days that the shop was open (T,), where dates tell."""

    name: str
    y: Floats
    share: Floats | None
    horizons: tuple[int, ...]
    stride: int
    season: int

    @property
    def origins(self) -> range:
        return range(13, self.y.shape[1] - max(self.horizons) + 1, self.stride)

    def part(self, rows: NDArray[Any]) -> "History":
        """Some series as a catalogue of their own."""
        return replace(self, y=self.y[rows])


def rows(files: list[Path]) -> Iterator[tuple[str, str, str, bool]]:
    """Series, quantity, date or week, and whether it is a week."""
    for file in files:
        with gzip.open(file, "rt", encoding="utf-8", newline="") as text:
            lines = csv.reader(text)
            head = next(lines)
            series, quantity, numbered = head.index("series_id"), head.index("quantity"), "week" in head
            when = head.index("week" if numbered else "date")
            for line in lines:
                yield line[series], line[quantity], line[when], numbered


def read(name: str, files: list[Path]) -> History:
    """One history from files of series_id, quantity and date or week; parts of one history are read together."""
    places: dict[str, int] = {}
    days_of: dict[str, int] = {}
    at, when, units = [], [], []
    numbered = False
    for series, quantity, day, numbered in rows(files):
        at.append(places.setdefault(series, len(places)))
        if day not in days_of:
            days_of[day] = int(day) if numbered else date.fromisoformat(day).toordinal()
        when.append(days_of[day])
        units.append(float(quantity) if quantity not in ("", "NA") else 0.0)
    days, amounts = np.array(when), np.array(units)
    firsts = {day for day in set(when) if not numbered and date.fromordinal(day).day == 1}
    monthly = bool(firsts) and len(firsts) == len(set(when))
    if numbered:
        periods = days
    elif monthly:
        periods = np.array([date.fromordinal(day).year * 12 + date.fromordinal(day).month for day in when])
    else:
        periods = (days - 1) // 7  # weeks begin on Monday
    start, stop = int(periods.min()), int(periods.max()) + 1
    cells = np.array(at) * (stop - start) + periods - start
    y = np.bincount(cells, amounts, len(places) * (stop - start)).reshape(len(places), -1)
    share = None
    if not numbered and not monthly:
        opened = np.bincount((np.unique(days[amounts > 0]) - 1) // 7 - start, minlength=stop - start).astype(np.float64)
        share = np.minimum(opened / np.median(opened), 1.0)
    return History(name, y, share, (1, 2, 4) if monthly else (2, 4, 8), 3 if monthly else 4, 12 if monthly else 52)


def histories(folder: Path) -> list[History]:
    """The folder's histories; files that differ only in the years of their names are one."""
    groups: dict[str, list[Path]] = {}
    for file in sorted(folder.glob("*.csv.gz")):
        groups.setdefault(re.sub(r"_?\d{4}-\d{2}", "", file.name.removesuffix(".csv.gz")).strip("_"), []).append(file)
    return [read(name, files) for name, files in groups.items()]


def named() -> Path | None:
    """The folder that STILLROOM_BENCH_DATA names."""
    given = os.environ.get("STILLROOM_BENCH_DATA", "")
    return Path(given) if given else None
