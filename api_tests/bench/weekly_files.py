"""Order histories as weekly arrays, for replays: `series_id`, `quantity` and `week` (a number or a day) or `date`.

Files of days become weeks that begin on Monday; files of months are left out. What a file may say beside: `in_stock` (a week
without stock says "at least this much"), the stock at the start, and from which week on it is to be replayed.
"""

import csv
import gzip
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STARTS = ("start_on_hand", "start_arriving_1", "start_arriving_2")
YES = frozenset({"true", "1", "1.0", "yes", "t", "y"})


@dataclass(frozen=True)
class Weekly:
    """Weekly demand `y` (N, T), the share of each week that counts (N or 1, T; None: all do), the first replayed week, and what
    is there then: on the shelf, arriving in that week, arriving in the next one (3, N); None: an empty shelf."""

    name: str
    y: Floats
    share: Floats | None
    first: int
    stock: Floats | None

    @property
    def counted(self) -> int:
        """The first week that is counted: the first that an order can reach, or after four weeks from an empty shelf."""
        return self.first + (4 if self.stock is None else 2)


def folder_of(folder: Path) -> list[Weekly]:
    """Every weekly history of a folder; files that differ only in the years of their names are one."""
    groups: dict[str, list[Path]] = {}
    for file in sorted([*folder.glob("*.csv"), *folder.glob("*.csv.gz")]):
        name = re.sub(r"_?\d{4}-\d{2}", "", file.name.removesuffix(".gz").removesuffix(".csv")).strip("_")
        groups.setdefault(name, []).append(file)
    found = (read(name, files) for name, files in groups.items())
    return [one for one in found if one is not None]


def rows_of(files: Iterable[Path]) -> Iterator[dict[str, str]]:
    for file in files:
        with (
            gzip.open(file, "rt", encoding="utf-8-sig", newline="")
            if file.suffix == ".gz"
            else file.open(encoding="utf-8-sig", newline="") as text
        ):
            yield from csv.DictReader(text)


def read(name: str, files: list[Path]) -> Weekly | None:
    """One history; None where the files hold no weekly one."""
    rows = list(rows_of(files))
    if not rows or not {"series_id", "quantity"} <= rows[0].keys() or not {"week", "date"} & rows[0].keys():
        return None
    when = "week" if "week" in rows[0] else "date"
    periods = [_period(row[when]) for row in rows]
    if when == "date":
        days = [date.fromisoformat(row["date"]) for row in rows]
        if all(day.day == 1 for day in days):
            return None
    start, stop = min(periods), max(periods) + 1
    places: dict[str, int] = {}
    at = np.array([places.setdefault(row["series_id"], len(places)) for row in rows])
    week = np.array(periods) - start
    y = np.zeros((len(places), stop - start))
    np.add.at(y, (at, week), [_number(row["quantity"]) for row in rows])
    y = np.maximum(y, 0.0)
    share = _share(rows, at, week, y) if when == "week" else _open_days(rows, y.shape[1], start)
    replayed = [int(place) for place, row in zip(week, rows, strict=True) if (row.get("replay") or "").strip().lower() in YES]
    first = min(replayed) if replayed else y.shape[1] // 2
    return Weekly(name, y, share, first, _stock(rows, at, len(places)))


def _period(text: str) -> int:
    """A week's number; of a day, the number of its week from Monday on."""
    if re.fullmatch(r"-?\d+(\.0+)?", text.strip()):
        return int(float(text))
    return (date.fromisoformat(text.strip()[:10]).toordinal() - 1) // 7


def _number(text: str | None) -> float:
    return float(text) if text not in (None, "", "NA", "nan") else 0.0


def _share(rows: list[dict[str, str]], at: NDArray[np.intp], week: NDArray[np.intp], y: Floats) -> Floats:
    """1, but 0 in weeks without stock, and in weeks in which nothing was sold of anything."""
    share = np.ones_like(y)
    if "in_stock" in rows[0]:
        there = np.array([(row["in_stock"] or "true").strip().lower() in YES for row in rows])
        share[at[~there], week[~there]] = 0.0
    share[:, y.sum(axis=0) == 0] = 0.0
    return share


def _open_days(rows: list[dict[str, str]], weeks: int, start: int) -> Floats:
    """Days of each week on which anything was sold, over the usual number."""
    days = {date.fromisoformat(row["date"]).toordinal() for row in rows if _number(row["quantity"]) > 0}
    opened = np.bincount([(day - 1) // 7 - start for day in days], minlength=weeks)[:weeks].astype(np.float64)
    return np.minimum(opened / np.median(opened), 1.0)[None, :]


def _stock(rows: list[dict[str, str]], at: NDArray[np.intp], series: int) -> Floats | None:
    """The stock at the start: the first that each series states."""
    if STARTS[0] not in rows[0]:
        return None
    found = np.full((3, series), np.nan)
    for place, row in zip(at.tolist(), rows, strict=True):
        for part, name in enumerate(STARTS):
            if np.isnan(found[part, place]) and row.get(name) not in (None, "", "NA"):
                found[part, place] = float(row[name])
    return np.nan_to_num(found)
