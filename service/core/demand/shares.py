"""How much of each week counts: the share of its days on which a product was there to be sold. Shapes: N series, W weeks.

A share is multiplied into what a forecast learns: a week half as open says twice as much as it sold, an empty one nothing.
"""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
WEEK = 7


def week_of(day: date, week_start: int = 0) -> date:
    """The first day of the week that holds the day; weeks begin on `week_start`, 0 = Monday."""
    return day - timedelta(days=(day.weekday() - week_start) % WEEK)


def usual_days(open_days: Floats) -> float:
    """The usual number of open days (W,): the median of weeks with any; a whole week where there are none."""
    opened = open_days[open_days > 0]
    return float(np.median(opened)) if len(opened) else float(WEEK)


def stocked_shares(weeks: Sequence[date], out_of_stock: Sequence[Iterable[tuple[date, date]]]) -> Floats:
    """Share of each week's days on which each series was in stock, shape (N, W).

    `out_of_stock` lists each series' gaps as first and last day without stock. A week without stock says "at least this
    much": multiplied into the open share it makes the rest of the week speak for the whole, and an empty one for nothing.
    """
    shares = np.ones((len(out_of_stock), len(weeks)))
    begins = np.array([begin.toordinal() for begin in weeks])
    for at, gaps in enumerate(out_of_stock):
        for first, last in gaps:
            inside = np.minimum(last.toordinal() + 1, begins + WEEK) - np.maximum(first.toordinal(), begins)
            shares[at] -= np.clip(inside, 0, WEEK) / WEEK
    return np.clip(shares, 0.0, 1.0)


def seasonal_shares(weeks: Sequence[date], seasons: Sequence[tuple[tuple[int, int], tuple[int, int]] | None]) -> Floats:
    """Share of each week's days inside each series' season, shape (N, W); None sells all year.

    A season is ((month, day) from, (month, day) until), both sold; it may run over the end of the year.
    """
    shares = np.ones((len(seasons), len(weeks)))
    for at, season in enumerate(seasons):
        if season is None:
            continue
        begin, end = season
        for column, week in enumerate(weeks):
            days = [(day.month, day.day) for day in (week + timedelta(days=d) for d in range(WEEK))]
            inside = [begin <= day <= end if begin <= end else day >= begin or day <= end for day in days]
            shares[at, column] = sum(inside) / WEEK
    return shares
