"""A single order far above all others: capped in what is learnt, and asked about. No numpy here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from operator import mul

from service.core.demand.entries import Entries

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

    @classmethod
    def of(cls, largest: float, others: Sequence[float]) -> "Sizes":
        """The largest order beside all others."""
        squares = largest**2 + sum(map(mul, others, others))
        return cls(len(others) + 1, largest + sum(others), squares, largest, max(others, default=0.0))


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


@dataclass(frozen=True, slots=True)
class Outliers:
    """What is huge in a history, each with the usual most: entries; and orders by their units in all (order, units, most)."""

    entries: list[tuple[int, float]]
    orders: list[tuple[int, float, float]]


def outliers(told: Entries) -> Outliers:
    """The largest entry of each series, and the largest order of each channel, where they are huge beside the others."""
    found = _entries(told)
    beyond: dict[int, float] = {}
    for n, most in found:
        beyond[told.of[n]] = beyond.get(told.of[n], 0.0) + told.units[n] - most
    return Outliers(found, _orders(told, beyond))


def _entries(told: Entries) -> list[tuple[int, float]]:
    amounts: list[list[float]] = [[] for _ in told.series]
    for at, units in zip(told.at, told.units, strict=True):
        amounts[at].append(units)
    most, largest = {}, [0.0] * len(amounts)
    for at, mine in enumerate(amounts):
        first = max(mine)
        mine.remove(first)
        if (usual := usual_most(Sizes.of(first, mine))) is not None:
            most[at], largest[at] = usual, first
    where = {at: n for n, (at, units) in enumerate(zip(told.at, told.units, strict=True)) if units == largest[at]}
    return [(where[at], usual) for at, usual in most.items()]


def _orders(told: Entries, beyond: Mapping[int, float]) -> list[tuple[int, float, float]]:
    """Of several products. `beyond`: units of orders that are huge by a product; without these it must be huge all the same."""
    totals, products = [0.0] * len(told.orders), [0] * len(told.orders)
    for order, units in zip(told.of, told.units, strict=True):
        totals[order] += units
        products[order] += 1
    found = []
    for channel in sorted(set(told.channels)):
        mine = [at for at, one in enumerate(told.channels) if one == channel]
        largest = max(mine, key=totals.__getitem__)
        others = [totals[at] for at in mine if at != largest]
        most = usual_most(Sizes.of(totals[largest] - beyond.get(largest, 0.0), others))
        if most is not None and products[largest] > 1:
            found.append((largest, totals[largest], most))
    return found
