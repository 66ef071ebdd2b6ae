"""What a material can take: combinations of whole packs of its offers, and the cheapest of them under given prices.

The cost that follows is known from below by tangents. Under one tangent (or a mixture of some) the cost is a sum over the
offers, so that only counts near each offer's own best can belong to a cheap combination: those few are combined and held to
all tangents. What is left out is dearer than the bound that it was left out by.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.core.buying.rows import Counts, Floor, Point, Problem
from service.core.cover.runout import Floats

MOST = 200_000  # combinations looked at together
MIXED = 8  # tangents that are mixed with the best one
SHARES = np.array([0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875])


@dataclass(frozen=True, slots=True)
class Line:
    """One offer in one order: the numbers of packs that it can take (0 first), what each costs, and by which column."""

    group: int
    slot: int
    pack: float
    counts: Counts
    goods: Floats
    column: Counts


@dataclass(frozen=True, slots=True)
class Found:
    """Combinations (M, lines) as places in the lines' counts, and what each costs at least under the prices asked with (M,)."""

    places: Counts
    least: Floats


class Choices:
    """The lines of one material."""

    def __init__(self, problem: Problem, columns: Sequence[int], most: Counts, slots: int) -> None:
        by_choice: dict[int, list[int]] = {}
        for at in columns:
            by_choice.setdefault(problem.columns[at].choice, []).append(at)
        self.lines = [_line(problem, some, most) for some in by_choice.values()]
        self.groups = sorted({line.group for line in self.lines})
        self.shares = {group: sum(line.group == group for line in self.lines) for group in self.groups}
        self.slots = slots
        self._tangents: tuple[Floats, Floats] = np.zeros(0), np.zeros((0, slots))

    def point(self, places: Sequence[int]) -> Point:
        """What a combination puts into each slot."""
        filled = [0.0] * self.slots
        for line, place in zip(self.lines, places, strict=True):
            filled[line.slot] += line.pack * int(line.counts[place])
        return tuple(filled)

    def goods(self, places: Sequence[int]) -> dict[int, float]:
        """What a combination costs in each order that it is part of."""
        found: dict[int, float] = {}
        for line, place in zip(self.lines, places, strict=True):
            if place:
                found[line.group] = found.get(line.group, 0.0) + float(line.goods[place])
        return found

    def below(self, floor: Floor, prices: Floats, fixed: Floats, limit: float) -> Found | None:
        """All combinations that may cost at most `limit`, goods at `prices` times theirs and each order at `fixed` more; None:
        too many."""
        base, slope = self._lines_below(floor)
        paid = [self._paid(line, prices, fixed) for line in self.lines]
        bound, extra = self._separate(base, slope, paid)
        slack = limit - bound
        if slack < 0:
            return Found(np.zeros((0, len(self.lines)), np.int64), np.zeros(0))
        places = _combined(extra, slack)
        if places is None:
            return None
        cost, filled = self._totals(places, paid, fixed)
        follow = (filled @ slope.T + base).max(axis=1)
        least = cost + follow
        kept = least <= limit
        return Found(places[kept], least[kept])

    def bound(self, floor: Floor, prices: Floats, fixed: Floats) -> float:
        """A bound for every combination, without looking at any."""
        return self._separate(*self._lines_below(floor), [self._paid(line, prices, fixed) for line in self.lines])[0]

    def _lines_below(self, floor: Floor) -> tuple[Floats, Floats]:
        """The tangents as bases (K,) and slopes (K, slots)."""
        if len(self._tangents[0]) != len(floor.tangents):
            base = np.array([one for _, one, _ in floor.tangents])
            self._tangents = base, np.array([one for _, _, one in floor.tangents]).reshape(len(base), self.slots)
        return self._tangents

    def _paid(self, line: Line, prices: Floats, fixed: Floats) -> Floats:
        """What each count of a line costs, with its share of what its order costs more."""
        more = float(fixed[line.group]) / self.shares[line.group]
        return np.asarray(line.goods * float(prices[line.group]) + np.where(line.counts > 0, more, 0.0))

    def _separate(self, base: Floats, slope: Floats, paid: Sequence[Floats]) -> tuple[float, list[Floats]]:
        """The tangent, or mixture of two, that gives the best bound; and what each count of each line costs above it."""
        for _ in range(2):
            bounds = base.copy()
            for line, cost in zip(self.lines, paid, strict=True):
                bounds += (cost + slope[:, [line.slot]] * (line.pack * line.counts)).min(axis=1)
            best = int(bounds.argmax())
            others = np.argsort(-bounds)[1 : MIXED + 1]
            if not len(others):
                break
            part = np.repeat(SHARES, len(others))
            with_ = np.tile(others, len(SHARES))
            one, many = slope[best].copy(), slope[with_]
            first = base[best]
            base = np.concatenate([[first], first + part * (base[with_] - first)])
            slope = np.concatenate([[one], one + part[:, None] * (many - one)])
        extra = []
        for line, cost in zip(self.lines, paid, strict=True):
            alone = cost + slope[best, line.slot] * line.pack * line.counts
            extra.append(alone - alone.min())
        return float(bounds[best]), extra

    def _totals(self, places: Counts, paid: Sequence[Floats], fixed: Floats) -> tuple[Floats, Floats]:
        """What the combinations cost without what follows (M,), and what they put into the slots (M, slots)."""
        cost, filled = np.zeros(len(places)), np.zeros((len(places), self.slots))
        used: dict[int, Counts] = {group: np.zeros(len(places), np.int64) for group in self.groups}
        for at, line in enumerate(self.lines):
            cost += paid[at][places[:, at]]
            filled[:, line.slot] += line.pack * line.counts[places[:, at]]
            used[line.group] += places[:, at] > 0
        for group, count in used.items():
            cost += np.where(count > 0, fixed[group] * (1 - count / self.shares[group]), 0.0)
        return cost, filled


def _line(problem: Problem, columns: Sequence[int], most: Counts) -> Line:
    """The columns of one choice as one line; where two prices hold, the lower."""
    found: dict[int, tuple[float, int]] = {0: (0.0, -1)}
    for at in columns:
        column = problem.columns[at]
        for packs in range(max(column.least, 1), int(most[at]) + 1):
            found[packs] = min(found.get(packs, (np.inf, at)), (column.price * packs, at))
    counts = sorted(found)
    one = problem.columns[columns[0]]
    goods, column_of = [found[packs][0] for packs in counts], [found[packs][1] for packs in counts]
    return Line(one.group, one.slot, one.pack, np.array(counts), np.array(goods), np.array(column_of))


def _combined(extra: Sequence[Floats], slack: float) -> Counts | None:
    """Every combination of counts whose costs above the bound sum to at most the slack; None: too many."""
    order = sorted(range(len(extra)), key=lambda at: int((extra[at] <= slack).sum()))
    places, total = np.zeros((1, len(extra)), np.int64), np.zeros(1)
    for at in order:
        near = np.flatnonzero(extra[at] <= slack)
        if len(places) * len(near) > MOST:
            return None
        total = (total[:, None] + extra[at][near]).reshape(-1)
        places = np.repeat(places, len(near), axis=0)
        places[:, at] = np.tile(near, len(places) // max(len(near), 1))
        kept = total <= slack
        places, total = places[kept], total[kept]
    return places
