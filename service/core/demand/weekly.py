"""Order lines become weekly demand: units by product and channel, with what the shop and the stock allowed each week.

Plain numbers in and out; a series is one (product, channel). Weeks begin on the workshop's week start, 0 = Monday.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Series = tuple[str, str]

HISTORY = 12  # weeks with sales before a single order can be called huge
HUGE = 3.0  # standard deviations above the mean of the other orders of its series


@dataclass(frozen=True, slots=True)
class Line:
    """One line of one order as demand sees it: units asked for on a day."""

    product: str
    channel: str
    day: date
    units: float
    order: str = ""


@dataclass(frozen=True, slots=True)
class Huge:
    """One order that stands out: what it asked for and what its series' other orders would have led one to expect at most."""

    series: int
    week: int
    order: str
    units: float
    usual_most: float


@dataclass(frozen=True, slots=True)
class Demand:
    """Weekly demand `units` (N, T) of the `series`, oldest week first; `weeks` are the days they begin on."""

    series: tuple[Series, ...]
    weeks: tuple[date, ...]
    units: Floats


def week_of(day: date, week_start: int = 0) -> date:
    """The first day of the week that holds the day."""
    return day - timedelta(days=(day.weekday() - week_start) % 7)


def weekly(
    lines: Iterable[Line],
    until: date,
    week_start: int = 0,
    sets: Mapping[str, Mapping[str, float]] | None = None,
    since: date | None = None,
    series: Sequence[Series] = (),
) -> Demand:
    """Demand of every whole week before the one that holds `until` (that week is not over), by product and channel.

    `sets` says how many of which products a set holds: its demand is theirs. `series` are listed first, and kept when
    nothing was ordered. Lines before `since` or from `until`'s week on are left out.
    """
    end = week_of(until, week_start)
    places: dict[Series, int] = {key: at for at, key in enumerate(series)}
    sums: dict[tuple[int, int], float] = {}
    oldest = week_of(since, week_start) if since else None
    for line in lines:
        begin = week_of(line.day, week_start)
        if begin >= end or (oldest is not None and begin < oldest):
            continue
        back = (end - begin).days // 7
        for product, each in ((sets or {}).get(line.product) or {line.product: 1.0}).items():
            at = places.setdefault((product, line.channel), len(places))
            sums[at, back] = sums.get((at, back), 0.0) + line.units * each
    depth = (end - oldest).days // 7 if oldest is not None else max((back for _, back in sums), default=0)
    units = np.zeros((len(places), max(depth, 0)))
    for (at, back), total in sums.items():
        units[at, depth - back] = total
    weeks = tuple(end - timedelta(days=7 * back) for back in range(depth, 0, -1))
    return Demand(tuple(places), weeks, units)


def open_shares(weeks: Sequence[date], open_days: Collection[date], usual: float | None = None) -> Floats:
    """Open days of each week over the usual number (by default the median of weeks with any), at most 1; shape (T,)."""
    numbers = np.array([sum(begin + timedelta(days=d) in open_days for d in range(7)) for begin in weeks], dtype=np.float64)
    normal = usual or (float(np.median(numbers[numbers > 0])) if (numbers > 0).any() else 0.0)
    return np.minimum(numbers / normal, 1.0) if normal else np.ones(len(weeks))


def stocked_shares(weeks: Sequence[date], out_of_stock: Sequence[Iterable[tuple[date, date]]]) -> Floats:
    """Share of each week's days on which each series was in stock, shape (N, T).

    `out_of_stock` lists each series' gaps as first and last day without stock. A week without stock says "at least this
    much": multiplied into the open share it makes the rest of the week speak for the whole, and an empty one for nothing.
    """
    shares = np.ones((len(out_of_stock), len(weeks)))
    begins = np.array([begin.toordinal() for begin in weeks])
    for at, gaps in enumerate(out_of_stock):
        for first, last in gaps:
            inside = np.minimum(last.toordinal() + 1, begins + 7) - np.maximum(first.toordinal(), begins)
            shares[at] -= np.clip(inside, 0, 7) / 7
    return np.clip(shares, 0.0, 1.0)


def seasonal_shares(weeks: Sequence[date], seasons: Sequence[tuple[tuple[int, int], tuple[int, int]] | None]) -> Floats:
    """Share of each week's days inside each series' season, shape (N, T); None sells all year.

    A season is ((month, day) from, (month, day) until), both sold; it may run over the end of the year.
    """
    shares = np.ones((len(seasons), len(weeks)))
    for at, season in enumerate(seasons):
        if season is None:
            continue
        begin, end = season
        for column, week in enumerate(weeks):
            days = [(day.month, day.day) for day in (week + timedelta(days=d) for d in range(7))]
            inside = [begin <= day <= end if begin <= end else day >= begin or day <= end for day in days]
            shares[at, column] = sum(inside) / 7
    return shares


def censored(units: ArrayLike, share: ArrayLike) -> NDArray[np.bool_]:
    """Weeks in which demand is known only as "at least this much": the product was not there on all of the shop's days."""
    return np.broadcast_to(np.asarray(share, dtype=np.float64) < 1, np.shape(units)).copy()


def huge_orders(demand: Demand, lines: Iterable[Line], week_start: int = 0) -> list[Huge]:
    """Single orders far above what their series' other orders ask for: more than their mean + 3 standard deviations.

    Compared with the other orders only, so that one giant cannot hide itself; to be shown and asked about.
    """
    places = {key: at for at, key in enumerate(demand.series)}
    columns = {begin: at for at, begin in enumerate(demand.weeks)}
    orders: dict[int, dict[tuple[str, int], float]] = {}
    for at_line, line in enumerate(lines):
        series, week = places.get((line.product, line.channel)), columns.get(week_of(line.day, week_start))
        if series is not None and week is not None:
            key = (line.order or f"#{at_line}", week)
            sizes = orders.setdefault(series, {})
            sizes[key] = sizes.get(key, 0.0) + line.units
    found = []
    for series, sizes in orders.items():
        values = np.array(list(sizes.values()))
        if len(values) <= HISTORY:
            continue
        rest = len(values) - 1
        mean = (values.sum() - values) / rest
        spread = np.sqrt(np.maximum(((values**2).sum() - values**2) / rest - mean**2, mean))
        for (order, week), units, most in zip(sizes, values, mean + HUGE * spread, strict=True):
            if units > most:
                found.append(Huge(series, week, "" if order.startswith("#") else order, float(units), float(most)))
    return sorted(found, key=lambda one: (one.series, one.week, one.order))


def capped(demand: Demand, huge: Iterable[Huge]) -> Floats:
    """Demand with each huge order taken in as its series' usual most, shape (N, T): what a forecast learns from."""
    units = demand.units.copy()
    for one in huge:
        units[one.series, one.week] -= one.units - one.usual_most
    return np.maximum(units, 0.0)
