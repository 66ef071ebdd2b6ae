"""Stock that is still to come: when to order so that it comes in time, and how long stock lasts with what is placed.

P paths; days from today. A lead time or an arrival is a distribution: whole days, ascending, with their chances.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.core.cover.runout import Days

Chances = Sequence[float]


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
    comes = candidates[:, None] + days  # (T, L): the day a delivery comes that is ordered on each day
    out_before: NDArray[np.float64] = np.searchsorted(run_out, comes.ravel(), side="left").reshape(comes.shape) / len(run_out)
    fine = np.flatnonzero(out_before @ chances <= allowed)
    return int(candidates[fine[-1]])
