"""How long a supplier really takes: the lead times seen, shrunk to the stated one while they are few.

Days from placing an order to receiving it. The stated lead time speaks as `TRUST` deliveries would (Bayesian shrinkage:
Gelman et al., Bayesian Data Analysis (2013), 5), spread around it as deliveries usually are; recent deliveries weigh more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.core.buying.safety import NORMAL

Days = NDArray[np.int64]
Floats = NDArray[np.float64]

TRUST = 4.0  # deliveries that the stated lead time weighs as much as
USUAL = 7.0  # days, where nothing is stated and nothing was seen
SPREAD = 0.3  # usual standard deviation of the logarithm of a lead time
HALF_LIFE = 12.0  # deliveries, after which one weighs half
MOST = 400  # days


@dataclass(frozen=True, slots=True)
class LeadTime:
    """Days with their chances, ascending, and how much of it was seen (0: only stated, near 1: only seen)."""

    days: tuple[int, ...]
    chances: tuple[float, ...]
    seen: float

    @property
    def mean(self) -> float:
        """Expected days."""
        return sum(day * chance for day, chance in zip(self.days, self.chances, strict=True))

    def within(self, share: float) -> int:
        """The fewest whole days within which a delivery comes with this probability."""
        total = np.cumsum(self.chances)
        return self.days[min(int(np.searchsorted(total, share - 1e-9)), len(self.days) - 1)]

    def samples(self, count: int, seed: int) -> Days:
        """`count` lead times in this distribution's own proportions (stratified), shuffled; the same for the same seed."""
        places = np.searchsorted(np.cumsum(self.chances), (np.arange(count) + 0.5) / count)
        drawn = np.array(self.days, dtype=np.int64)[np.minimum(places, len(self.days) - 1)]
        return np.asarray(np.random.default_rng(seed).permutation(drawn), dtype=np.int64)


def learn(stated: float | None, seen: Sequence[float] = ()) -> LeadTime:
    """The distribution of whole days, of the stated lead time and of those seen, oldest first.

    Each seen one has its weight; the rest is a log-normal around the stated median, drawn to what was seen: with n seen it
    has TRUST / (n + TRUST) of all. Without a stated one it lies around the median of those seen.
    """
    real = np.clip(np.asarray(seen, dtype=np.float64), 0, MOST)
    recent = 0.5 ** (np.arange(len(real))[::-1] / HALF_LIFE)
    weight = float(recent.sum())
    share = weight / (weight + TRUST)
    middle = _middle(stated, real, share)
    chances: dict[int, float] = {}
    for day, chance in _stated(middle):
        chances[day] = chances.get(day, 0.0) + (1 - share) * chance
    for day, part in zip(np.ceil(real).astype(int).tolist(), recent.tolist(), strict=True):
        chances[day] = chances.get(day, 0.0) + share * part / weight
    days = tuple(sorted(chances))
    return LeadTime(days, tuple(chances[day] for day in days), share)


def _middle(stated: float | None, real: Floats, share: float) -> float:
    """The median of what is only assumed: between the stated one and that of the ones seen."""
    if not len(real):
        return USUAL if stated is None else stated
    typical = float(np.median(real))
    return typical if stated is None else share * typical + (1 - share) * stated


def _stated(middle: float) -> list[tuple[int, float]]:
    """A few whole days with equal chances, the quantiles of a log-normal; the promise itself where it is a day or less."""
    if middle <= 1:
        return [(int(np.ceil(middle)), 1.0)]
    shares = [(at + 0.5) / 9 for at in range(9)]
    return [(min(round(middle * float(np.exp(SPREAD * NORMAL.inv_cdf(share)))), MOST), 1 / 9) for share in shares]
