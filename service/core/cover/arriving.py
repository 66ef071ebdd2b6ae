"""Stock that is still to come: when to order so that it comes in time, and how long stock lasts with what is placed.

P paths; days from today. A lead time or an arrival is a distribution: whole days, ascending, with their chances.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from service.core.cover.runout import Days
from service.core.demand.planning import Coming

Singles = NDArray[np.float32]
Chances = Sequence[float]
NEVER = 100_000  # days


def samples(days: Sequence[int], chances: Chances, count: int, seed: int) -> Days:
    """`count` days in the distribution's own proportions (stratified), shuffled; the same for the same seed."""
    places = np.searchsorted(np.cumsum(chances), (np.arange(count) + 0.5) / count)
    drawn = np.array(days, dtype=np.int64)[np.minimum(places, len(days) - 1)]
    return np.asarray(np.random.default_rng(seed).permutation(drawn), dtype=np.int64)


def order_by(run_out: Days, lead: tuple[Sequence[int], Chances], service_level: float, sight: int) -> int | None:
    """The latest day to order on, so that the chance of running out before the delivery comes stays within 1 - level.

    `run_out` are the paths' days (ascending; `sight`: none within sight), independent of the lead time. What comes on a day
    serves that day. None: nothing need be ordered within sight; below 0: it should have been ordered before today.
    """
    allowed = (1 - service_level) + 1e-9
    if run_out[min(int(np.floor(allowed * len(run_out))), len(run_out) - 1)] >= sight:
        return None
    days, chances = np.asarray(lead[0], dtype=np.int64), np.asarray(lead[1])
    candidates = np.arange(-int(days[-1]), sight + 1)
    comes = np.clip(candidates[:, None] + days, 0, sight + 1)  # (T, L): the day a delivery comes that is ordered on each day
    out_before = np.concatenate([[0.0], np.cumsum(np.bincount(run_out, minlength=sight + 1))]) / len(run_out)
    fine = np.flatnonzero(out_before[comes] @ chances <= allowed)
    return int(candidates[fine[-1]])


def with_orders(
    coming: Sequence[Coming], need: Singles, knots: Days, got: Singles, out: Days, lasts: Callable[[Singles], Days], seed: int
) -> tuple[Days, Days]:
    """The day each path runs out (P,) with what is on order: as it comes; and as if all of it came in time.

    `need` is cumulative at the `knots` (P, K), `got` what is there gives to it, `out` the day it is used up, `lasts` the day
    that a quantity lasts to. What is there is used first: what comes is fresher. An order that comes after the stock is out does
    not undo that. The second is what another order has to come before: a gap until the placed one comes, no later one closes.
    """
    comes = np.stack([samples(one.days, one.chances, len(got), seed + 1 + n) for n, one in enumerate(coming)])
    gives = _Gives(need, knots, got, coming, comes)
    paths, end = np.arange(len(got)), out
    counted = np.zeros(comes.shape, bool)
    for place in np.argsort(comes, axis=0, kind="stable"):  # on each path the first to come, then the second ...
        counted[place, paths] = comes[place, paths] <= end
        end = np.maximum(end, lasts(gives.all_of(counted)))
    return end, end if counted.all() else np.maximum(end, lasts(gives.all_of(np.ones(comes.shape, bool))))


class _Gives:
    """What is there and some orders give to the need: as in `cover.given`, each from the day it comes on."""

    def __init__(self, need: Singles, knots: Days, got: Singles, coming: Sequence[Coming], comes: Days) -> None:
        self.got = got
        self.quantity = np.array([one.quantity for one in coming], np.float32)
        life = np.array([NEVER if one.life is None else one.life for one in coming], np.int64)
        keeps = (life == NEVER)[:, None]
        self.order = np.argsort(comes + life[:, None], axis=0, kind="stable")  # on each path by last usable day
        self.before = np.stack([_at(need, knots, day) for day in comes])  # need that others must have met
        until = np.stack([_at(need, knots, day + life[n] + 1) for n, day in enumerate(comes)])
        self.until = np.where(keeps, np.float32(np.inf), until)

    def all_of(self, counted: NDArray[np.bool_]) -> Singles:
        """With the orders that are counted on each path."""
        paths, whole = np.arange(len(self.got)), self.got
        for place in self.order:
            asked = self.until[place, paths] - np.maximum(whole, self.before[place, paths])
            whole = whole + np.where(counted[place, paths], np.clip(asked, np.float32(0), self.quantity[place]), np.float32(0))
        return whole


def _at(need: Singles, knots: Days, day: Days) -> Singles:
    """Each path's cumulative need at its own day; beyond the last knot what it is there."""
    until = np.minimum(day, knots[-1])
    place = np.clip(np.searchsorted(knots, until, side="right") - 1, 0, len(knots) - 2)
    part = ((until - knots[place]) / (knots[place + 1] - knots[place])).astype(np.float32)
    low, high = (np.take_along_axis(need, (place + more)[:, None], 1)[:, 0] for more in (0, 1))
    total: Singles = low + part * (high - low)
    return total
