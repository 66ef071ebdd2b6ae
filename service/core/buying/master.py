"""One combination of packs for each material, and the suppliers' conditions: by linear programme for prices, by integer
programme for an order.

Column generation: Dantzig & Wolfe, Operations Research 8 (1960) 101-111. The linear programme's prices tell each material what
its packs are worth to an order as a whole (towards free delivery, the smallest order, the budget); the sum of what each then
costs at least is a bound for every order (Lagrangian relaxation: Geoffrion, Mathematical Programming Study 2 (1974) 82-114).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.core.buying.rows import Problem
from service.core.cover.runout import Floats


@dataclass(frozen=True, slots=True)
class Candidate:
    """A combination in the programme: of which material, its goods in each order, and all that it costs (or at least)."""

    item: int
    goods: dict[int, float]
    cost: float


@dataclass(frozen=True, slots=True)
class Prices:
    """What goods cost times their price in each order (G,), what being part of an order costs each material more (items, G), and
    what the orders themselves then cost at least; `cost` is that of the linear programme."""

    goods: Floats
    fixed: Floats
    orders: float
    cost: float


@dataclass(frozen=True, slots=True)
class Solution:
    """Which candidates an integer programme takes (None: nothing found), what it costs, and a bound."""

    taken: list[int] | None
    cost: float
    bound: float


class Master:
    """The programme over some candidates: their variables, then whether each order is placed, then whether it comes free."""

    def __init__(self, problem: Problem, items: int, candidates: Sequence[Candidate]) -> None:
        from scipy.sparse import csr_array  # type: ignore[import-untyped]

        self.problem, self.items, self.candidates = problem, items, candidates
        self.groups, count = len(problem.groups), len(candidates)
        self.placed, self.free = count, count + self.groups
        charge = np.array([group.charge for group in problem.groups])
        self.cost = np.concatenate([[one.cost for one in candidates], charge, -charge])
        self.links = sorted({(one.item, group) for one in candidates for group in one.goods})
        rows = [*self._links(), *self._orders()]
        entries = [(row, column, value) for row, terms in enumerate(rows) for column, value in terms]
        shape = (len(rows), len(self.cost))
        at = np.array(entries, dtype=np.float64).reshape(-1, 3)
        self.upper = csr_array((at[:, 2], (at[:, 0].astype(np.int64), at[:, 1].astype(np.int64))), shape=shape)
        self.most = np.zeros(len(rows))
        if problem.budget is not None:
            self.most[-1] = problem.budget
        one_each = np.array([one.item for one in candidates])
        self.equal = csr_array((np.ones(count), (one_each, np.arange(count))), shape=(items, len(self.cost)))

    def _links(self) -> list[list[tuple[int, float]]]:
        """A combination is part of placed orders only."""
        place = {link: row for row, link in enumerate(self.links)}
        rows: list[list[tuple[int, float]]] = [[(self.placed + group, -1.0)] for _, group in self.links]
        for column, one in enumerate(self.candidates):
            for group in one.goods:
                rows[place[one.item, group]].append((column, 1.0))
        return rows

    def _orders(self) -> list[list[tuple[int, float]]]:
        """For each order: free only when placed, not below the smallest, free from a value on; then the budget."""
        rows: list[list[tuple[int, float]]] = []
        budget: list[tuple[int, float]] = []
        goods: list[list[tuple[int, float]]] = [[] for _ in range(self.groups)]
        for column, one in enumerate(self.candidates):
            for group, value in one.goods.items():
                goods[group].append((column, value))
        for at, one_order in enumerate(self.problem.groups):
            placed, free = self.placed + at, self.free + at
            less = [(column, -value) for column, value in goods[at]]
            rows.append([(free, 1.0), (placed, -1.0)])
            rows.append([*less, (placed, one_order.smallest)])
            rows.append([*less, (free, _free_from(one_order.free_from))])
            if one_order.order == 0:
                budget += [*goods[at], (placed, one_order.charge), (free, -one_order.charge)]
        return rows if self.problem.budget is None else [*rows, budget]

    def _bounds(self) -> Any:
        """No order comes free that never does."""
        from scipy.optimize import Bounds  # type: ignore[import-untyped]

        most = np.ones(len(self.cost))
        most[self.free :] = [group.free_from is not None and group.charge > 0 for group in self.problem.groups]
        return Bounds(np.zeros(len(self.cost)), most)

    def prices(self) -> Prices:
        """The prices of the programme without whole numbers."""
        from scipy.optimize import linprog

        bounds = self._bounds()
        got: Any = linprog(
            self.cost, self.upper, self.most, self.equal, np.ones(self.items), np.stack([bounds.lb, bounds.ub], axis=1),
            method="highs",
        )  # fmt: skip
        dual = np.maximum(-np.asarray(got.ineqlin.marginals), 0.0)  # of rows that may be at most
        fixed = np.zeros((self.items, self.groups))
        for row, (item, group) in enumerate(self.links):
            fixed[item, group] = dual[row]
        first = len(self.links)
        small, free = dual[first + 1 : first + 3 * self.groups : 3], dual[first + 2 : first + 3 * self.groups : 3]
        budget = dual[-1] if self.problem.budget is not None else 0.0
        now = np.array([group.order == 0 for group in self.problem.groups])
        orders = self._least(fixed.sum(axis=0), small, free, budget * now)
        return Prices(1 + budget * now - small - free, fixed, orders, float(got.fun))

    def _least(self, fixed: Floats, small: Floats, free: Floats, budget: Floats) -> float:
        """What the orders cost at least at these prices: each not placed, placed, or placed and free."""
        total = 0.0
        for at, group in enumerate(self.problem.groups):
            charge = group.charge * (1 + budget[at])
            placed = charge - fixed[at] + small[at] * group.smallest
            able = group.free_from is not None and group.charge > 0
            saved = free[at] * _free_from(group.free_from) - charge if able else 0.0
            total += min(0.0, placed, placed + saved)
        return total - float(budget.max(initial=0.0)) * (self.problem.budget or 0.0)

    def solve(self, gap: float, seconds: float) -> Solution:
        """One combination for each material at the least cost, to a gap as a share of it."""
        from scipy.optimize import LinearConstraint, milp

        limits = [LinearConstraint(self.upper, -np.inf, self.most), LinearConstraint(self.equal, 1.0, 1.0)]
        options = {"time_limit": max(seconds, 0.01), "mip_rel_gap": gap}
        got: Any = milp(
            self.cost, integrality=np.ones(len(self.cost)), bounds=self._bounds(), constraints=limits, options=options
        )
        bound = -np.inf if got.mip_dual_bound is None else float(got.mip_dual_bound)
        if got.x is None:
            return Solution(None, np.inf, bound)
        taken = np.flatnonzero(got.x[: self.placed] > 0.5).tolist()
        return Solution(taken, float(got.fun), bound)


def _free_from(value: float | None) -> float:
    return 0.0 if value is None else value
