"""What a material can take: combinations of whole packs of its offers, and the cheapest of them under given prices.

The cost that follows is known from below by tangents. With the price break of each offer fixed, and under one tangent (or a
mixture of some), the cost is a sum over the offers: few choices of price breaks can be cheap at all, and of those only counts
near each offer's own best. These are combined and held to all tangents (branch and bound: Land & Doig, Econometrica 28 (1960)
497-520). What is left out is dearer than the bound that it was left out by.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.core.buying.rows import Counts, Floor, Point, Problem
from service.core.cover.runout import Floats

MOST = 20_000  # combinations looked at together
SHARES = (0.25, 0.5, 0.75)  # in which neighbouring tangents are mixed
Places = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One offer in one order: the numbers of packs that it can take (0 first), what each costs, by which column, and where the
    counts of each price begin."""

    group: int
    slot: int
    pack: float
    counts: Counts
    goods: Floats
    column: Counts
    starts: Counts

    def end(self, price: int) -> int:
        """Where the counts of a price end."""
        return int(self.starts[price + 1]) if price + 1 < len(self.starts) else len(self.counts)


@dataclass(frozen=True, slots=True)
class Found:
    """Combinations (M, lines) as places in the lines' counts, what each costs at least under the prices asked with (M,), and the
    cost below which every combination is among them. When that is not all: `middle`, where a tangent would show more, and the
    whole packs next to it, `near`."""

    places: Counts
    least: Floats
    limit: float
    middle: Point | None = None
    near: tuple[Places, ...] = ()


@dataclass(frozen=True, slots=True)
class _Closer:
    """The combinations at some prices under the best mixture of tangents (None: too many), its bound, and `Found`'s rest."""

    places: Counts | None
    bound: float
    middle: Point
    near: tuple[Places, ...]


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
        self._known, self._stale = 0, True
        self._mixed: list[tuple[float, Floats]] = []  # mixtures of tangents that once gave the best bound
        self._base, self._slope = np.zeros(0), np.zeros((0, slots))
        self._alone: list[Floats] = []  # what each count of a line puts into its slot changes under each tangent

    def point(self, places: Sequence[int]) -> Point:
        """What a combination puts into each slot."""
        return self._filled([int(line.counts[place]) for line, place in zip(self.lines, places, strict=True)])

    def _filled(self, packs: Sequence[float]) -> Point:
        filled = [0.0] * self.slots
        for line, some in zip(self.lines, packs, strict=True):
            filled[line.slot] += line.pack * some
        return tuple(filled)

    def goods(self, places: Sequence[int]) -> dict[int, float]:
        """What a combination costs in each order that it is part of."""
        found: dict[int, float] = {}
        for line, place in zip(self.lines, places, strict=True):
            if place:
                found[line.group] = found.get(line.group, 0.0) + float(line.goods[place])
        return found

    def below(self, floor: Floor, prices: Floats, fixed: Floats, limit: float) -> Found:
        """The combinations that may cost at most `limit`, goods at `prices` times theirs and each order at `fixed` more.

        Where they are too many, some of them, and the cost below which none is missing.
        """
        self._learn(floor)
        paid = [self._paid(line, prices, fixed) for line in self.lines]
        alone = [cost + under for cost, under in zip(paid, self._alone, strict=True)]
        places, least = np.zeros((0, len(self.lines)), np.int64), np.zeros(0)
        middle: Point | None = None
        near: tuple[Places, ...] = ()
        for bound, under, way in self._ways(alone, limit):
            if bound > limit:
                break
            some = _combined([one[under] for one in alone], way, self.lines, limit - bound)
            if some is None:
                closer = self._closer(paid, way, limit)
                some, middle, near = closer.places, closer.middle, closer.near
                if some is None:
                    limit = closer.bound
                    continue
            cost = self._least(some, paid, fixed)
            places, least = np.concatenate([places, some[cost <= limit]]), np.concatenate([least, cost[cost <= limit]])
        kept = np.flatnonzero(least <= limit)
        return Found(places[kept], least[kept], limit, middle, near)

    def _learn(self, floor: Floor) -> None:
        """Take in the tangents there are, and mixtures of neighbours."""
        if self._known == len(floor.tangents) and not self._stale:
            return
        self._known, self._stale = len(floor.tangents), False
        base = np.array([one for _, one, _ in floor.tangents])
        slope = np.array([one for _, _, one in floor.tangents]).reshape(len(base), self.slots)
        order = np.argsort(slope.sum(axis=1))
        one, next_ = order[:-1], order[1:]
        bases = [base, *(base[one] + part * (base[next_] - base[one]) for part in SHARES)]
        slopes = [slope, *(slope[one] + part * (slope[next_] - slope[one]) for part in SHARES)]
        self._base = np.concatenate([*bases, [mixed for mixed, _ in self._mixed]])
        self._slope = np.concatenate([*slopes, *(mixed[None, :] for _, mixed in self._mixed)])
        self._alone = [self._slope[:, [line.slot]] * (line.pack * line.counts) for line in self.lines]

    def _paid(self, line: Line, prices: Floats, fixed: Floats) -> Floats:
        """What each count of a line costs, with its share of what its order costs more."""
        more = float(fixed[line.group]) / self.shares[line.group]
        return np.asarray(line.goods * float(prices[line.group]) + np.where(line.counts > 0, more, 0.0))

    def _ways(self, alone: Sequence[Floats], limit: float) -> list[tuple[float, int, Counts]]:
        """Choices of each line's price that may cost at most the limit: a bound, the tangent it comes from, and the prices;
        lowest bound first."""
        cheapest = [np.minimum.reduceat(one, line.starts, axis=1).T for one, line in zip(alone, self.lines, strict=True)]
        rest = np.zeros((len(cheapest) + 1, len(self._base)))
        for at in range(len(cheapest) - 1, -1, -1):
            rest[at] = rest[at + 1] + cheapest[at].min(axis=0)
        ways, total = np.zeros((1, 0), np.int64), self._base[None, :]
        for at, one in enumerate(cheapest):
            total = (total[:, None, :] + one[None, :, :]).reshape(-1, len(self._base))
            prices = np.tile(np.arange(len(one)), len(ways))
            ways = np.concatenate([np.repeat(ways, len(one), axis=0), prices[:, None]], axis=1)
            kept = np.flatnonzero((total + rest[at + 1]).max(axis=1) <= limit)
            ways, total = ways[kept], total[kept]
        if not len(ways):
            return []
        bounds, under = total.max(axis=1), total.argmax(axis=1)
        return [(float(bounds[at]), int(under[at]), ways[at]) for at in np.argsort(bounds, kind="stable")]

    def _closer(self, paid: Sequence[Floats], way: Counts, limit: float) -> _Closer:
        """The combinations at these prices under the mixture of tangents that gives the best bound for them.

        A linear programme over fractions of packs: its prices are the mixture, its answer is where a tangent would raise it.
        """
        from scipy.optimize import linprog  # type: ignore[import-untyped]

        base, slope = self._base[: self._known], self._slope[: self._known]
        ranges = [(int(line.starts[price]), line.end(price) - 1) for line, price in zip(self.lines, way.tolist(), strict=True)]
        spans = [(int(line.counts[a]), int(line.counts[b])) for line, (a, b) in zip(self.lines, ranges, strict=True)]
        steps = zip(paid, ranges, spans, strict=True)
        each = [(one[b] - one[a]) / max(high - low, 1) for one, (a, b), (low, high) in steps]
        above = np.stack([*(slope[:, line.slot] * line.pack for line in self.lines), -np.ones(len(base))], axis=1)
        got = linprog([*each, 1.0], above, -base, bounds=[*spans, (None, None)], method="highs")
        shares = np.maximum(-np.asarray(got.ineqlin.marginals), 0.0)
        shares /= shares.sum()
        mixture, packs = (float(shares @ base), np.asarray(shares @ slope)), got.x[:-1].tolist()
        self._mixed.append(mixture)
        self._stale = True  # it is taken in the next time
        alone = [one + mixture[1][line.slot] * line.pack * line.counts for one, line in zip(paid, self.lines, strict=True)]
        bound = mixture[0] + sum(float(one[a : b + 1].min()) for one, (a, b) in zip(alone, ranges, strict=True))
        nothing = np.zeros((0, len(self.lines)), np.int64)
        some = _combined(alone, way, self.lines, limit - bound) if bound <= limit else nothing
        near = tuple(
            tuple(
                int(np.clip(np.searchsorted(line.counts, whole(one)), a, b))
                for line, one, (a, b) in zip(self.lines, packs, ranges, strict=True)
            )
            for whole in (np.floor, np.round, np.ceil)
        )
        return _Closer(some, bound, self._filled(packs), near)

    def _least(self, places: Counts, paid: Sequence[Floats], fixed: Floats) -> Floats:
        """What combinations cost at least (M,)."""
        cost, filled = np.zeros(len(places)), np.zeros((len(places), self.slots))
        used: dict[int, Counts] = {group: np.zeros(len(places), np.int64) for group in self.groups}
        for at, line in enumerate(self.lines):
            cost += paid[at][places[:, at]]
            filled[:, line.slot] += line.pack * line.counts[places[:, at]]
            used[line.group] += places[:, at] > 0
        for group, count in used.items():
            cost += np.where(count > 0, fixed[group] * (1 - count / self.shares[group]), 0.0)
        tangents = filled @ self._slope[: self._known].T + self._base[: self._known]
        return np.asarray(cost + tangents.max(axis=1, initial=-np.inf))


def _line(problem: Problem, columns: Sequence[int], most: Counts) -> Line:
    """The columns of one choice as one line; where two prices hold, the lower."""
    found: dict[int, tuple[float, int]] = {0: (0.0, -1)}
    for at in columns:
        column = problem.columns[at]
        for packs in range(max(column.least, 1), int(most[at]) + 1):
            found[packs] = min(found.get(packs, (np.inf, at)), (column.price * packs, at))
    counts = sorted(found)
    one = problem.columns[columns[0]]
    goods, column_of = [found[packs][0] for packs in counts], np.array([found[packs][1] for packs in counts])
    starts = np.flatnonzero(np.diff(column_of, prepend=-2))
    return Line(one.group, one.slot, one.pack, np.array(counts), np.array(goods), column_of, starts)


def _combined(alone: Sequence[Floats], way: Counts, lines: Sequence[Line], slack: float) -> Counts | None:
    """Every combination of counts at these prices whose costs above the cheapest sum to at most the slack; None: too many."""
    near, extra = [], []
    for one, price, line in zip(alone, way.tolist(), lines, strict=True):
        begin = int(line.starts[price])
        some = one[begin : line.end(price)]
        above = some - some.min()
        order = np.argsort(above, kind="stable")
        order = order[: int(np.searchsorted(above[order], slack, side="right"))]
        near.append(order + begin)
        extra.append(above[order])
    places, total = np.zeros((1, len(lines)), np.int64), np.zeros(1)
    for at in sorted(range(len(lines)), key=lambda one: len(near[one])):
        fit = np.searchsorted(extra[at], slack - total, side="right")  # so many of the cheapest counts
        last = np.cumsum(fit)
        if last[-1] > MOST:
            return None
        which = np.arange(last[-1]) - np.repeat(last - fit, fit)
        places, total = np.repeat(places, fit, axis=0), np.repeat(total, fit) + extra[at][which]
        places[:, at] = near[at][which]
    return places
