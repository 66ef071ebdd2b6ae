"""How long a supplier really takes: the lead times seen, shrunk to the stated one while they are few.

Days from placing an order to receiving it. The stated lead time speaks as `TRUST` deliveries would (Bayesian shrinkage:
Gelman et al., Bayesian Data Analysis (2013), 5), spread around it as deliveries usually are; recent deliveries weigh more.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import ceil, exp
from statistics import median
from typing import TYPE_CHECKING

from service.core.buying.safety import NORMAL

if TYPE_CHECKING:  # numpy is loaded where samples are asked for, and not before
    from service.core.cover.runout import Days

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

    @classmethod
    def sure(cls, days: int) -> "LeadTime":
        """A lead time that a person set: so many days."""
        return cls((days,), (1.0,), 0.0)

    @property
    def mean(self) -> float:
        """Expected days."""
        return sum(day * chance for day, chance in zip(self.days, self.chances, strict=True))

    def within(self, share: float) -> int:
        """The fewest whole days within which a delivery comes with this probability."""
        total = list(accumulate(self.chances))
        return self.days[min(bisect_left(total, share - 1e-9), len(self.days) - 1)]

    def moved(self, days: int) -> "LeadTime":
        """The same, so many days later (or sooner)."""
        return LeadTime(tuple(max(day + days, 0) for day in self.days), self.chances, self.seen)

    def after(self, elapsed: int) -> "LeadTime":
        """Days still to wait for what was ordered so long ago and is not there.

        Where that is longer than anything known, as long as if it were ordered today: nothing says that it is about to come.
        """
        left = [(day - elapsed, chance) for day, chance in zip(self.days, self.chances, strict=True) if day >= elapsed]
        if not left:
            return self
        whole = sum(chance for _, chance in left)
        return LeadTime(tuple(day for day, _ in left), tuple(chance / whole for _, chance in left), self.seen)

    def samples(self, count: int, seed: int) -> "Days":
        """`count` lead times in this distribution's own proportions (stratified), shuffled; the same for the same seed."""
        from service.core.cover.arriving import samples

        return samples(self.days, self.chances, count, seed)


def learn(stated: float | None, seen: Sequence[float] = ()) -> LeadTime:
    """The distribution of whole days, of the stated lead time and of those seen, oldest first.

    Each seen one has its weight; the rest is a log-normal around the stated median, drawn to what was seen: with n seen it
    has TRUST / (n + TRUST) of all. Without a stated one it lies around the median of those seen.
    """
    real = [min(max(float(days), 0.0), float(MOST)) for days in seen]
    recent = [0.5 ** (age / HALF_LIFE) for age in reversed(range(len(real)))]
    weight = sum(recent)
    share = weight / (weight + TRUST)
    middle = _middle(stated, real, share)
    chances: dict[int, float] = {}
    for day, chance in _stated(middle):
        chances[day] = chances.get(day, 0.0) + (1 - share) * chance
    for days, part in zip(real, recent, strict=True):
        chances[ceil(days)] = chances.get(ceil(days), 0.0) + share * part / weight
    known = tuple(sorted(chances))
    return LeadTime(known, tuple(chances[day] for day in known), share)


def _middle(stated: float | None, real: Sequence[float], share: float) -> float:
    """The median of what is only assumed: between the stated one and that of the ones seen."""
    if not real:
        return USUAL if stated is None else stated
    typical = median(real)
    return typical if stated is None else share * typical + (1 - share) * stated


def _stated(middle: float) -> list[tuple[int, float]]:
    """A few whole days with equal chances, the quantiles of a log-normal; the promise itself where it is a day or less."""
    if middle <= 1:
        return [(ceil(middle), 1.0)]
    shares = [(at + 0.5) / 9 for at in range(9)]
    return [(min(round(middle * exp(SPREAD * NORMAL.inv_cdf(share))), MOST), 1 / 9) for share in shares]
