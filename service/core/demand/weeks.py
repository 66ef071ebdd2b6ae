"""A history's days as weekly arrays: demand, the share of each week that counts, and the same for the weeks to come.

N series, T weeks behind, H weeks ahead; the week that holds today is the first of those ahead.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.core.demand import marks
from service.core.demand.planning import History
from service.core.demand.shares import WEEK, seasonal_shares, stocked_shares, week_of

Floats = NDArray[np.float64]
DEPTH = 260  # weeks of history that are looked at


@dataclass(frozen=True, slots=True)
class Weeks:
    """Weekly demand `units` and its `capped` form (N, T), open shares behind (N, T) and ahead (N, H).

    `planned` (N, T) is the part of the share that the calendar tells beforehand: all of it but being out of stock.
    """

    start: date
    units: Floats
    capped: Floats
    share: Floats
    planned: Floats
    ahead: Floats


def weekly(history: History, ahead: int) -> Weeks:
    """Sum the days into weeks; say how much of each week counted: season, closed days, promotions, market days, stock."""
    start = week_of(date.fromordinal(history.today), history.week_start)
    first = min(history.day, default=start.toordinal())
    depth = min(max(-(-(start.toordinal() - first) // WEEK), 0), DEPTH)
    rows = len(history.series)
    at, day = np.array(history.at, np.int64), np.array(history.day, np.int64)
    column = depth - -(-(start.toordinal() - day) // WEEK)
    inside = (column >= 0) & (day < start.toordinal())
    place = at[inside] * max(depth, 1) + column[inside]
    amounts = np.array(history.units, np.float64)[inside]
    sums: Floats = np.bincount(place, amounts, rows * max(depth, 1)).astype(np.float64)
    units = sums.reshape(rows, -1)[:, :depth]
    capped = units.copy()
    for series, on, over in history.over:
        where = depth - -(-(start.toordinal() - on) // WEEK)
        if 0 <= where < depth:
            capped[series, where] = max(capped[series, where] - over, 0.0)
    behind = [date.fromordinal(start.toordinal() - WEEK * back) for back in range(depth, 0, -1)]
    coming = [date.fromordinal(start.toordinal() + WEEK * on) for on in range(ahead)]
    calendar = marks.Calendar(history.series, behind, coming, history.today)
    planned, future = _planned(history, calendar, capped, _held(history, at[inside], day[inside], column[inside], depth))
    return Weeks(start, units, capped, planned * _stocked(history, behind), planned, future)


def _planned(history: History, calendar: marks.Calendar, capped: Floats, held: Floats) -> tuple[Floats, Floats]:
    """What the calendar says, behind and ahead: seasons, then closed days, promotions and markets."""
    products = [product for product, _ in history.series]
    seasons = [history.seasons.get(product) for product in products]
    share, future = seasonal_shares(calendar.behind, seasons), seasonal_shares(calendar.ahead, seasons)
    kinds = {kind: [mark for mark in history.marks if mark.kind == kind] for kind in ("closed", "promotion", "market_day")}
    for found in (marks.closed(calendar, kinds["closed"]), marks.markets(calendar, kinds["market_day"], held)):
        if found is not None:
            share, future = share * found[0], future * found[1]
    lifted = marks.promotions(calendar, kinds["promotion"], capped, share)
    if lifted is not None:
        share, future = share * lifted[0], future * lifted[1]
    retired = set(history.retired)
    future[[at for at, product in enumerate(products) if product in retired]] = 0.0
    return share, future


def _stocked(history: History, weeks: list[date]) -> Floats | float:
    """The share of each week in which each series was in stock."""
    if not history.gaps:
        return 1.0
    days = {product: [(date.fromordinal(a), date.fromordinal(b)) for a, b in gaps] for product, gaps in history.gaps.items()}
    return stocked_shares(weeks, [days.get(product, []) for product, _ in history.series])


def _held(history: History, at: NDArray[np.int64], day: NDArray[np.int64], column: NDArray[np.int64],
          depth: int) -> Floats:  # fmt: skip
    """Days of each week on which anything was sold at a market, (T,)."""
    there = np.array([channel == "market" for _, channel in history.series], bool)
    sold = there[at] if len(at) else np.zeros(0, bool)
    _, first = np.unique(day[sold], return_index=True)
    return np.bincount(column[sold][first], minlength=depth).astype(np.float64)[:depth]
