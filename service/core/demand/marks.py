"""What the calendar says of the weeks: closed days, promotions, market days. Marked, they are neither noise nor forgotten.

N series, T weeks behind, H weeks ahead. Each function answers factors of the share that counts, behind (N, T) and ahead (N, H).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.core.demand.planning import Mark
from service.core.demand.shares import WEEK, usual_days

Floats = NDArray[np.float64]
Series = tuple[int, str]
YEAR = 52  # weeks
BEFORE = 8  # weeks before a promotion that say what it lifted
CALM_UNITS = 8.0  # units that hold a learnt lift at 1
LIFTS = (0.5, 5.0)
RECENT = 26  # weeks whose market days say how many will come when none are marked
HEARD = 0.15  # a week with a smaller share says nothing of what is usual


@dataclass(frozen=True, slots=True)
class Calendar:
    """The series, the weeks behind and ahead by their first days, and today."""

    series: Sequence[Series]
    behind: Sequence[date]
    ahead: Sequence[date]
    today: int


def covered(marks: Sequence[Mark], weeks: Sequence[date], product: int, channel: str) -> Floats:
    """Days of each week that lie in any of the marks that concern a series, (W,)."""
    found = np.zeros((len(weeks), WEEK), bool)
    begins = np.array([week.toordinal() for week in weeks], np.int64)
    for mark in marks:
        if mark.product in (-1, product) and mark.channel in ("", channel):
            days = begins[:, None] + np.arange(WEEK)
            found |= (days >= mark.first) & (days <= mark.last)
    return np.asarray(found.sum(axis=1), np.float64)


def _days(calendar: Calendar, marks: Sequence[Mark]) -> tuple[Floats, Floats]:
    """Marked days of every series' weeks, behind and ahead; series that the same marks concern share the work."""
    products, channels = {mark.product for mark in marks}, {mark.channel for mark in marks}
    known: dict[Series, tuple[Floats, Floats]] = {}
    found = []
    for product, channel in calendar.series:
        key = (product if product in products else -1, channel if channel in channels else "")
        if key not in known:
            known[key] = covered(marks, calendar.behind, *key), covered(marks, calendar.ahead, *key)
        found.append(known[key])
    rows = len(found)
    behind = np.array([one for one, _ in found]).reshape(rows, len(calendar.behind))
    return behind, np.array([one for _, one in found]).reshape(rows, len(calendar.ahead))


def closed(calendar: Calendar, marks: Sequence[Mark]) -> tuple[Floats, Floats] | None:
    """Open days of each week over their usual number, at most 1; None where nothing was ever closed.

    Coming weeks are as marked; while no closed day ahead is marked for a series, they are as a year before.
    """
    if not marks:
        return None
    behind, ahead = _days(calendar, marks)
    open_behind, open_ahead = WEEK - behind, WEEK - ahead
    last_year = len(calendar.behind) - YEAR
    if last_year >= 0:
        told = np.array([any(_concerns(mark, one) and mark.last >= calendar.today for mark in marks) for one in calendar.series])
        open_ahead[~told] = open_behind[~told][:, last_year + np.arange(len(calendar.ahead)) % YEAR]
    usual = np.array([usual_days(row) for row in open_behind])[:, None]
    return np.minimum(open_behind / usual, 1.0), np.minimum(open_ahead / usual, 1.0)


def _concerns(mark: Mark, series: Series) -> bool:
    return mark.product in (-1, series[0]) and mark.channel in ("", series[1])


def promotions(calendar: Calendar, marks: Sequence[Mark], units: Floats, share: Floats) -> tuple[Floats, Floats] | None:
    """Weeks of promotions count for more, by the lift that past ones had over the weeks before them (all series together)."""
    if not marks:
        return None
    behind, ahead = _days(calendar, marks)
    lift = learnt_lift(units, behind / WEEK, share)
    return 1 + (lift - 1) * behind / WEEK, 1 + (lift - 1) * ahead / WEEK


def learnt_lift(units: Floats, part: Floats, share: Floats) -> float:
    """Demand of weeks in a promotion over that of the usual weeks before, shrunk to 1 while little was sold in them.

    `part` (N, T): how much of each week lay in a promotion; `share` (N, T): how much of it counted. Weeks that say nothing
    are left out.
    """
    sold = expected = weighted = 0.0
    for row, week in zip(*np.nonzero((part > 0) & (share > HEARD)), strict=True):
        usual = [at for at in range(week - 1, -1, -1) if part[row, at] == 0 and share[row, at] > HEARD][:BEFORE]
        if len(usual) >= 2:
            level = float((units[row, usual] / share[row, usual]).mean()) * float(share[row, week])
            sold += float(units[row, week])
            expected += level
            weighted += level * float(part[row, week])
    if weighted <= 0:
        return 1.0
    return float(np.clip(1 + (sold - expected) / (weighted + CALM_UNITS), *LIFTS))


def markets(calendar: Calendar, marks: Sequence[Mark], held: Floats) -> tuple[Floats, Floats] | None:
    """What is sold at markets is sold on market days: a week counts as many times as it has of them.

    `held` (T,): days of each week on which something was sold at a market, marked or not. Coming weeks have the days that are
    marked; while none are, as many as the recent weeks had.
    """
    if not marks:
        return None
    behind, ahead = _days(calendar, marks)
    days = np.maximum(behind, held)
    recent = days[:, -RECENT:].mean(axis=1, keepdims=True) if days.shape[1] else np.ones((len(days), 1))
    coming = np.where(ahead.any(axis=1, keepdims=True), ahead, recent)
    sold_there = np.array([channel == "market" for _, channel in calendar.series])[:, None]
    return np.where(sold_there, days, 1.0), np.where(sold_there, coming, 1.0)
