"""Which packs to order from whom: an integer programme over packs, price breaks, suppliers and their conditions.

What a material's quantities cost along its paths is convex (`paths`), so a floor of straight lines holds it from below. One
order is put together from combinations of each material's packs (`columns`). Where that does not end in a proof, and for orders
of several days: the programme of packs is solved by HiGHS with the lines known, its answer is priced truly, new lines are drawn
where the floor was too low, and so on (Kelley, Journal of the SIAM 8 (1960) 703-712; Van Slyke & Wets, SIAM Journal on
Applied Mathematics 17 (1969) 638-663). The bound is below every order's true cost, and the best order found is priced truly:
the gap between the two is proven, not estimated.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic
from typing import Any

import numpy as np

from service.core.buying import conditions
from service.core.buying.answers import GAP
from service.core.buying.columns import Columns
from service.core.buying.paths import evaluate
from service.core.buying.rows import Column, Counts, Floor, Group, Point, Problem, Programme, Rows
from service.core.cover.runout import Floats

__all__ = ["Column", "Group", "Problem", "Solved", "solve"]

FIRST = 7  # lines of each offer's floor before its best number of packs is known
ROUNDS = 60
LOOKED_AT = 50_000  # packs of an offer, each number of which is looked at in combinations
LOOSE = 1e-7  # of money: what is no difference
FAILED = 4  # the solver's status for numerical trouble
SCALES = (1.0, 0.125, 10.0, 0.7)


@dataclass(frozen=True, slots=True)
class Solved:
    """Packs of each column (C,), their true cost, and a bound that no order can go below; `gap` is their distance as a
    share of the larger of cost and money spent."""

    packs: Counts
    cost: float
    bound: float
    gap: float
    goods: float
    delivery: float
    consequences: Floats
    rounds: int
    seconds: float
    solver_seconds: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What HiGHS found for a programme: the variables (None: nothing in time), their cost, and a bound."""

    found: Floats | None
    cost: float
    bound: float


def solve(problem: Problem, gap: float = GAP, seconds: float = 60.0) -> Solved:
    """The order of least expected cost, to a proven `gap` or as near as the time allows.

    First by combinations of packs. Then without mixtures of offers, whose programmes are small; then with them, to the proof.
    """
    began, state = monotonic(), _Search(problem)
    if not problem.columns:
        state.bound = state.cost  # nothing can be ordered: no order is the best one
    elif state.most.max() <= LOOKED_AT and not any(problem.several_orders(one) for one in state.members):
        state.combine(gap, began + seconds)
    if state.gap() > gap:
        state.search(gap, began + seconds)
    took = monotonic() - began
    goods, delivery, follows = state.parts(state.best)
    return Solved(state.best, state.cost, state.bound, state.gap(), goods, delivery, follows, state.rounds, took, state.solver)


class _Search:
    """The floors, the best order so far, and the bound."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.members = problem.members()
        self.most = np.array([_most(problem, column) for column in problem.columns], dtype=np.int64)
        self.mixable = any(problem.mixable(one) and not problem.several_orders(one) for one in self.members)
        self.floors = [Floor() for _ in problem.courses]
        self.best = np.zeros(len(problem.columns), dtype=np.int64)
        self.cost, self.bound = self.total(self.best), -np.inf
        self.rounds, self.solver, self.tight = 0, 0.0, 1.0

    def combine(self, gap: float, until: float) -> None:
        """The best order of combinations, and its bound; where nothing is offered there is but the empty one."""
        if not self.members:
            self.bound = self.cost
            return
        made = Columns(self.problem, self.most, self.floors, self._price, gap, until)
        made.solve()
        self.rounds, self.solver = made.rounds, made.solver
        packs = made.packs()
        if (cost := self.total(packs)) < self.cost:
            self.best, self.cost = packs, cost
        self.polish(until - monotonic())
        self.bound = min(made.bound - self.problem.constant, self.cost)

    def search(self, gap: float, until: float) -> None:
        """Programmes of packs with the lines known, and new lines, by turns."""
        for item in range(len(self.problem.courses)):
            if monotonic() < until:
                self._begin(item)
        for mixed in (False, True):
            if mixed and self.mixable:
                self.relax(gap, until - monotonic())
            for _ in range(ROUNDS):
                left = until - monotonic()
                if left <= 0 or self.gap() <= gap or not self.round(gap, left, mixed or not self.mixable):
                    break

    def gap(self) -> float:
        """What the best order may cost too much, as a share."""
        return max(self.cost - self.bound, 0.0) / self._whole()

    def _whole(self) -> float:
        """What the gap is a share of."""
        goods, delivery, _ = self.parts(self.best)
        return max(abs(self.cost), goods + delivery, 1e-9)

    def round(self, gap: float, seconds: float, mixed: bool) -> bool:
        """One programme: solve, price truly, draw new lines. False when nothing more can be learnt this way."""
        began = monotonic()
        share = gap if not self.rounds else gap * self._whole() / max(abs(self.cost), 1e-9)
        found, bound = self._programme(share / 2 * self.tight, seconds, mixed)
        self.rounds += 1
        if mixed:
            self.bound = min(max(self.bound, bound), self.cost)
        if found is None:
            return False
        new = self._learn(found)
        cost = self.total(found)
        if cost < self.cost:
            self.best, self.cost = found, cost
        if not mixed:
            return new and cost - bound > gap / 2 * self._whole()
        self.polish(seconds - (monotonic() - began))
        self.tight = self.tight if new else self.tight / 4
        return self.tight > 1e-4

    def relax(self, gap: float, seconds: float) -> None:
        """Draw the floors of mixtures where the programme without whole numbers wants them, until it wants nothing new."""
        until, before = monotonic() + seconds, -np.inf
        for _ in range(ROUNDS):
            model = Rows(self.problem, self.most, self.floors, True).written()
            got = self._milp(model, None, until - monotonic())
            if got.found is None or monotonic() > until or got.cost - before <= gap / 20 * self._whole():
                return
            before = got.cost
            for mixture in model.mixtures:
                share = 1.0 if mixture.way is None else float(got.found[mixture.way])
                if share > 1e-3:
                    amounts = [(at, float(got.found[place]) / share) for at, place in mixture.packs]
                    whole = [(at, float(round(packs))) for at, packs in amounts]
                    self._price(mixture.item, [self._point(mixture.item, some) for some in (amounts, whole)])

    def _point(self, item: int, amounts: Sequence[tuple[int, float]]) -> Point:
        """What packs of some columns put into a material's slots."""
        filled = [0.0] * len(self.problem.courses[item].slots)
        for at, packs in amounts:
            filled[self.problem.columns[at].slot] += self.problem.columns[at].pack * packs
        return tuple(filled)

    def _milp(self, model: Programme, gap: float | None, seconds: float) -> Answer:
        """HiGHS on a programme, to a relative gap; None: without whole numbers.

        Now and then it refuses its own answer as out of its tolerance by a hair; the same programme in another currency, so to
        speak, it then solves.
        """
        from scipy.optimize import LinearConstraint, milp  # type: ignore[import-untyped]

        began, limits = monotonic(), LinearConstraint(model.rows, model.low, model.high)
        whole, closeness = None if gap is None else model.whole, {} if gap is None else {"mip_rel_gap": gap}
        for scale in SCALES:
            options = {"time_limit": max(seconds - (monotonic() - began), 0.01), **closeness}
            got: Any = milp(model.cost * scale, integrality=whole, bounds=model.bounds, constraints=limits, options=options)
            if got.status != FAILED:
                break
        self.solver += monotonic() - began
        bound = -np.inf if got.mip_dual_bound is None else float(got.mip_dual_bound) / scale
        return Answer(got.x, np.inf if got.fun is None else float(got.fun) / scale, bound)

    def _programme(self, gap: float, seconds: float, mixed: bool) -> tuple[Counts | None, float]:
        """Solve the programme with the lines known: packs, and a bound for every order it allows."""
        model = Rows(self.problem, self.most, self.floors, mixed).written()
        got = self._milp(model, gap, seconds)
        return (None if got.found is None else model.read(got.found)), got.bound

    def polish(self, seconds: float) -> None:
        """Move each line of the best order by whole packs as long as that is truly cheaper: within the gap the solver may stop
        anywhere, and the cost is flat where only keeping a little more is at stake."""
        until, better = monotonic() + seconds, True
        while better and monotonic() < until:
            better = False
            for at in np.flatnonzero(self.best).tolist():
                for step in (64, 16, 4, 1, -1, -4, -16, -64):
                    while monotonic() < until and self._moved(at, step):
                        better = True

    def _moved(self, at: int, step: int) -> bool:
        """Whether so many packs more of a column are allowed and truly cheaper; then they are ordered."""
        column, count = self.problem.columns[at], int(self.best[at]) + step
        if not column.least <= count <= self.most[at]:
            return False
        spent = conditions.spent(self.problem, self.best)
        more = conditions.changed(self.problem, spent, column.group, column.price * step)
        if more is None:
            return False
        here = self.quantities(column.item, self.best)
        there = (*here[: column.slot], here[column.slot] + column.pack * step, *here[column.slot + 1 :])
        floor = self.floors[column.item]
        before = self._price(column.item, [here])[0]
        if floor.below(there) + more >= before - LOOSE:
            return False
        more += self._price(column.item, [there])[0] - before
        if more >= -LOOSE:
            return False
        self.best[at], self.cost = count, self.cost + more
        return True

    def total(self, packs: Counts) -> float:
        """The true expected cost of an order."""
        goods, delivery, consequences = self.parts(packs)
        return goods + delivery + float(consequences.sum()) - self.problem.constant

    def parts(self, packs: Counts) -> tuple[float, float, Floats]:
        """Goods, delivery, and what follows for each material along its paths."""
        spent = conditions.spent(self.problem, packs)
        delivery = sum(conditions.charge(self.problem.groups[group], goods) for group, goods in spent.items())
        follows = [self._price(item, [self.quantities(item, packs)])[0] for item in range(len(self.problem.courses))]
        return sum(spent.values()), delivery, np.array(follows)

    def quantities(self, item: int, packs: Counts) -> Point:
        """What an order puts into each slot of a material."""
        return self._point(item, [(at, int(packs[at])) for at in self.members[item]])

    def _price(self, item: int, points: Sequence[Point]) -> list[float]:
        """True costs at some points of a material; each new one gives its floor a tangent."""
        floor, course = self.floors[item], self.problem.courses[item]
        new = [point for point in dict.fromkeys(points) if point not in floor.known]
        if new:
            at = np.array(new, dtype=np.float64).reshape(len(new), len(course.slots))
            costs, slopes = evaluate(course, at)
            for point, cost, slope in zip(new, costs.tolist(), slopes, strict=True):
                floor.known[point] = cost
                floor.tangents.append((point, cost - float(slope @ np.array(point)), slope))
        return [floor.known[point] for point in points]

    def _begin(self, item: int) -> None:
        """Price nothing, and each offer alone: in growing steps, then pack by pack around its best."""
        problem, steps = self.problem, dict[int, list[int]]()
        for at in self.members[item]:
            most = max(int(self.most[at]), 1)
            steps[at] = [0, *np.unique(np.geomspace(1, most, FIRST).astype(int)).tolist()]
        points = [problem.point(at, packs) for at, counts in steps.items() for packs in counts]
        self._price(item, [(0.0,) * len(problem.courses[item].slots), *points])
        near: list[Point] = []
        for at, counts in steps.items():
            price, known = problem.columns[at].price, self.floors[item].known
            best = min(counts, key=lambda packs: price * packs + known[problem.point(at, packs)])
            around = {1, 2, *range(best - 2, best + 3)}
            near += [problem.point(at, packs) for packs in sorted(around) if 0 <= packs <= self.most[at]]
        self._price(item, near)

    def _learn(self, packs: Counts) -> bool:
        """Price an order and one pack beside it; whether any of it was new."""
        before = sum(len(floor.tangents) for floor in self.floors)
        for item, columns in enumerate(self.members):
            here = self.quantities(item, packs)
            beside = [here]
            for at in columns:
                if packs[at]:
                    slot, step = self.problem.columns[at].slot, self.problem.columns[at].pack
                    for moved in (max(here[slot] - step, 0.0), here[slot] + step):
                        beside.append((*here[:slot], moved, *here[slot + 1 :]))
            self._price(item, beside)
        return sum(len(floor.tangents) for floor in self.floors) > before


def _most(problem: Problem, column: Column) -> int:
    """No more packs than the hungriest path can use, but for reaching a price, a smallest order or free delivery."""
    course, group = problem.courses[column.item], problem.groups[column.group]
    useful = int(np.ceil(float(course.need.sum(axis=1).max(initial=0.0)) / column.pack))
    reach = max(group.smallest, min(group.free_from or 0.0, group.charge))
    extra = int(np.ceil(reach / column.price)) if column.price > 0 else 0
    most = max(useful + extra, column.least)
    return most if column.most is None else min(most, column.most)
