"""A history's days as weekly arrays: demand, the share of each week that counts, and the same for the weeks to come.

N series, T weeks behind, H weeks ahead; the week that holds today is the first of those ahead.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.core.demand.planning import History, Mark
from service.core.demand.weekly import seasonal_shares, stocked_shares, week_of

Floats = NDArray[np.float64]
DEPTH = 260  # weeks of history that are looked at
BEFORE = 8  # weeks before a promotion that say what it lifted
CALM_UNITS = 8.0  # units that hold a learnt lift at 1
LIFTS = (0.5, 5.0)
RECENT = 26  # weeks whose market days say how many will come when none are marked


@dataclass(frozen=True, slots=True)
class Weeks:
    """Weekly demand `units` and its `capped` form (N, T), open shares behind (N, T) and ahead (N, H)."""

    start: date
    units: Floats
    capped: Floats
    share: Floats
    ahead: Floats


def weekly(history: History, ahead: int) -> Weeks:
    """Sum the days into weeks; say how much of each week counted: season, stock, promotions, market days."""
    start = week_of(date.fromordinal(history.today), history.week_start)
    first = min(history.day, default=start.toordinal())
    depth = min(max(-(-(start.toordinal() - first) // 7), 0), DEPTH)
    rows = len(history.series)
    at, day = np.array(history.at, np.int64), np.array(history.day, np.int64)
    column = depth - -(-(start.toordinal() - day) // 7)
    inside = (column >= 0) & (day < start.toordinal())
    place = at[inside] * max(depth, 1) + column[inside]
    amounts = np.array(history.units, np.float64)[inside]
    sums: Floats = np.bincount(place, amounts, rows * max(depth, 1)).astype(np.float64)
    units = sums.reshape(rows, -1)[:, :depth]
    capped = units.copy()
    for series, on, over in history.over:
        where = depth - -(-(start.toordinal() - on) // 7)
        if 0 <= where < depth:
            capped[series, where] = max(capped[series, where] - over, 0.0)
    behind = [date.fromordinal(start.toordinal() - 7 * back) for back in range(depth, 0, -1)]
    coming = [date.fromordinal(start.toordinal() + 7 * on) for on in range(ahead)]
    share = _shares(history, behind, stocked=True)
    future = _shares(history, coming, stocked=False)
    _promotions(history, capped, share, future, behind, coming)
    _markets(history, units, share, future, behind, coming)
    return Weeks(start, units, capped, share, future)


def _shares(history: History, weeks: list[date], stocked: bool) -> Floats:
    """Season and stock, by series."""
    products = [product for product, _ in history.series]
    shares = seasonal_shares(weeks, [history.seasons.get(product) for product in products])
    if stocked and history.gaps:
        days = {product: [(date.fromordinal(a), date.fromordinal(b)) for a, b in gaps] for product, gaps in history.gaps.items()}
        shares = shares * stocked_shares(weeks, [days.get(product, []) for product in products])
    retired = set(history.retired)
    if not stocked and retired:
        shares[[at for at, product in enumerate(products) if product in retired]] = 0.0
    return shares


def covered(marks: list[Mark], weeks: list[date], product: int, channel: str) -> Floats:
    """Days of each week that lie in any of the marks that concern a series, (W,)."""
    found = np.zeros((len(weeks), 7), bool)
    begins = np.array([week.toordinal() for week in weeks])
    for mark in marks:
        if mark.product in (-1, product) and mark.channel in ("", channel):
            days = begins[:, None] + np.arange(7)
            found |= (days >= mark.first) & (days <= mark.last)
    return np.asarray(found.sum(axis=1), np.float64)


def _promotions(
    history: History, units: Floats, share: Floats, future: Floats, behind: list[date], coming: list[date]
) -> None:  # fmt: skip
    """Weeks of promotions count for more, by the lift that past ones had over the weeks before them (all series together)."""
    marks = [mark for mark in history.marks if mark.kind == "promotion"]
    if not marks:
        return
    past = np.array([covered(marks, behind, *series) for series in history.series]).reshape(len(history.series), -1) / 7
    next_ = np.array([covered(marks, coming, *series) for series in history.series]).reshape(len(history.series), -1) / 7
    lift = learnt_lift(units, past)
    share *= 1 + (lift - 1) * past
    future *= 1 + (lift - 1) * next_


def learnt_lift(units: Floats, part: Floats) -> float:
    """Demand of weeks in a promotion over that of the usual weeks before, shrunk to 1 while little was sold in them."""
    sold = expected = weighted = 0.0
    for row, week in zip(*np.nonzero(part), strict=True):
        usual = [at for at in range(week - 1, -1, -1) if part[row, at] == 0][:BEFORE]
        if len(usual) >= 2:
            level = float(units[row, usual].mean())
            sold += float(units[row, week])
            expected += level
            weighted += level * float(part[row, week])
    if weighted <= 0:
        return 1.0
    return float(np.clip(1 + (sold - expected) / (weighted + CALM_UNITS), *LIFTS))


def _markets(history: History, units: Floats, share: Floats, future: Floats, behind: list[date], coming: list[date]) -> None:
    """What is sold at markets is sold on market days: a week counts as many times as it has of them."""
    marks = [mark for mark in history.marks if mark.kind == "market_day"]
    if not marks:
        return
    for row, (product, channel) in enumerate(history.series):
        if channel != "market":
            continue
        days = covered(marks, behind, product, channel)
        days = np.where((units[row] > 0) & (days == 0), 1.0, days)  # sold at a market nobody marked
        share[row] *= days
        ahead = covered(marks, coming, product, channel)
        future[row] *= ahead if ahead.any() else (days[-RECENT:].mean() if len(days) else 1.0)
