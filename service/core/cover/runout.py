"""When a material runs out: every sample path eats the lots first-expired-first and loses what expires on the way.

P paths, D days from today (day 0). Quantities in one unit (grams or pieces). A lot's `last_day` is inclusive: on the next
day it is lost. The run-out day is the first day whose need is not met in full; D when there is none (not within sight).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

EDGE = 1e-9  # of the quantities: sums of floats in another order are not a shortage
FOREVER = 2**62
BANDS = (0.1, 0.5, 0.9)  # early, likely, late


@dataclass(frozen=True, slots=True)
class Lot:
    """What a lot holds, the last day it may be used (None: keeps), and the first (resting, or still to arrive)."""

    quantity: float
    last_day: int | None = None
    first_day: int = 0


@dataclass(frozen=True, slots=True)
class Outcome:
    """Per path: `run_out` day (P,), and what each lot loses to its expiry, `expired` (P, lots), in the order given."""

    run_out: Days
    expired: Floats
    days: int

    def bands(self, shares: Sequence[float] = BANDS) -> list[int | None]:
        """Days by which the stock has run out on these shares of the paths; None where it lasts beyond the horizon."""
        found = np.quantile(self.run_out, shares, method="inverted_cdf")
        return [None if day >= self.days else int(day) for day in found]


def daily_total(week_need: ArrayLike) -> Floats:
    """Need up to the end of each day, shape (P, 7 W), of weekly need (P, W) spread evenly over the days of its week."""
    weeks = np.asarray(week_need, dtype=np.float64)
    before = np.cumsum(weeks, axis=1) - weeks
    parts = before[:, :, None] + weeks[:, :, None] * (np.arange(1, 8) / 7)
    return parts.reshape(len(weeks), -1)


def run_out(total: ArrayLike, lots: Sequence[Lot]) -> Outcome:
    """Eat the lots first-expired-first along every path of cumulative daily need `total` (P, D)."""
    need = np.asarray(total, dtype=np.float64)
    if all(lot.first_day <= 0 for lot in lots):
        return _all_there(need, lots, _first_out(lots))
    return _day_by_day(need, lots, _first_out(lots))


def _first_out(lots: Sequence[Lot]) -> list[int]:
    """Places of the lots by last usable day, those without one last; ties as given."""
    return sorted(range(len(lots)), key=lambda at: (_last(lots[at]), at))


def _all_there(need: Floats, lots: Sequence[Lot], order: Sequence[int]) -> Outcome:
    """Every lot is there today: what lots 1..k give by the last day of lot k has a closed form.

    While anything is left all need is met, so lot k gives min(what it holds, need up to its last day less what the lots
    before it gave); the stock is out on the first day whose cumulative need is above the sum.
    """
    paths, days = need.shape
    given, expired = np.zeros(paths), np.zeros((paths, len(lots)))
    for at in order:
        lot = lots[at]
        asked = np.inf if lot.last_day is None or lot.last_day >= days else (need[:, lot.last_day] if lot.last_day >= 0 else 0.0)
        taken = np.minimum(lot.quantity, np.maximum(asked - given, 0.0))
        expired[:, at] = lot.quantity - taken
        given = given + taken
    return Outcome(_first_above(need, given), expired, days)


def _first_above(need: Floats, given: Floats) -> Days:
    """The first day on which cumulative need is above what is given, D if none: a binary search on every path at once."""
    paths, days = need.shape
    low, high = np.zeros(paths, dtype=np.int64), np.full(paths, days, dtype=np.int64)
    rows, bound = np.arange(paths), given + EDGE * np.maximum(given, 1.0)
    while (low < high).any():
        middle = (low + high) // 2
        above = need[rows, np.minimum(middle, days - 1)] > bound
        high = np.where((low < high) & above, middle, high)
        low = np.where((low < high) & ~above, middle + 1, low)
    return low


def _day_by_day(need: Floats, lots: Sequence[Lot], order: Sequence[int]) -> Outcome:
    """Some lot comes later: walk through the days, all paths at once. Need that is not met on its day is lost."""
    paths, days = need.shape
    left = np.tile(np.array([lot.quantity for lot in lots], dtype=np.float64), (paths, 1))
    expired, out = np.zeros((paths, len(lots))), np.full(paths, days, dtype=np.int64)
    daily = np.diff(need, axis=1, prepend=0.0)
    for day in range(days):
        rest = daily[:, day].copy()
        for at in order:
            lot = lots[at]
            if _last(lot) < day:
                if _last(lot) == day - 1 or day == 0:
                    expired[:, at], left[:, at] = left[:, at].copy(), 0.0
            elif lot.first_day <= day:
                taken = np.minimum(left[:, at], rest)
                left[:, at] -= taken
                rest -= taken
        short = rest > EDGE * np.maximum(need[:, day], 1.0)
        out = np.where(short & (out == days), day, out)
    for at, lot in enumerate(lots):
        if _last(lot) == days - 1:
            expired[:, at] = left[:, at]
    return Outcome(out, expired, days)


def order_by(outcome: Outcome, lead_times: ArrayLike, service_level: float) -> int | None:
    """The last day on which an order still arrives before the stock is out with this probability; negative: too late.

    `lead_times` are samples in days, one per path, or fewer that are repeated. What arrives on day d serves day d. On a
    path the latest day is run-out less lead time; the answer is the largest day that a `service_level` of them
    reaches. None: nothing need be ordered within sight.
    """
    samples = np.resize(np.asarray(lead_times, dtype=np.float64), len(outcome.run_out))
    latest = np.where(outcome.run_out >= outcome.days, np.inf, outcome.run_out - np.ceil(samples))
    allowed = int(np.floor((1 - service_level) * len(latest) + 1e-9))
    day = np.sort(latest)[min(allowed, len(latest) - 1)]
    return None if np.isinf(day) else int(day)


def expected_loss(outcome: Outcome) -> Floats:
    """What each lot is expected to lose to its expiry within the days looked at, shape (lots,), in the lots' order."""
    return np.asarray(outcome.expired.mean(axis=0))


def _last(lot: Lot) -> int:
    """The last usable day, later than any when it keeps."""
    return FOREVER if lot.last_day is None else lot.last_day
