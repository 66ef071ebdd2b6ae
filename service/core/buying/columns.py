"""The cheapest order by combinations of packs: drawn one after another as prices ask for them, then proven.

First prices and combinations by turns (column generation), until no combination is missing that would make the linear programme
cheaper: its value is a bound. Then an integer programme over the combinations there are. Where the two are too far
apart, every combination that could still be part of a cheaper order joins, at what it costs at least; those that the
programme takes are priced truly, until it takes none that is not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import monotonic

import numpy as np

from service.core.buying.combinations import Choices, Places
from service.core.buying.master import Candidate, Master, Prices
from service.core.buying.rows import Counts, Floor, Point, Problem
from service.core.cover.runout import Floats

TURNS = 40  # of prices and combinations
TRIES = 12  # combinations that a material looks at in one turn
TOGETHER = 2  # of them priced together
FIRST = 3  # numbers of packs of each offer looked at before there are prices
CLOSE = 0.1  # of the gap: what a bound may lack by not looking closer
MOST = 60_000  # combinations in one programme
Price = Callable[[int, Sequence[Point]], list[float]]


@dataclass(slots=True)
class Item:
    """A material's lines, its combinations that are priced truly (all that they cost), and the order each is part of."""

    choices: Choices
    costs: dict[Places, float] = field(default_factory=dict)
    goods: dict[Places, dict[int, float]] = field(default_factory=dict)

    def cheapest(self, prices: Floats, fixed: Floats) -> float:
        """The least that any of them costs under these prices."""
        return min(cost + self.more(self.goods[places], prices, fixed) for places, cost in self.costs.items())

    def more(self, goods: dict[int, float], prices: Floats, fixed: Floats) -> float:
        """What prices add to what a combination costs."""
        return sum(value * (float(prices[group]) - 1) + float(fixed[group]) for group, value in goods.items())


class Columns:
    """The combinations of all materials, the best order of them, and a bound for every order."""

    def __init__(
        self, problem: Problem, most: Counts, floors: Sequence[Floor], price: Price, gap: float, until: float
    ) -> None:  # fmt: skip
        self.problem, self.floors, self.price, self.gap, self.until = problem, floors, price, gap, until
        self.items = [
            Item(Choices(problem, columns, most, len(course.slots)))
            for columns, course in zip(problem.members(), problem.courses, strict=True)
        ]
        self.best: list[Places] = [(0,) * len(one.choices.lines) for one in self.items]
        self.cost, self.bound, self.solver, self.rounds = np.inf, -np.inf, 0.0, 0
        self.lowest = np.full(len(self.items), -np.inf)
        self.asked: Prices | None = None

    @property
    def late(self) -> bool:
        """Whether the time is over."""
        return monotonic() >= self.until

    def solve(self) -> None:
        """The cheapest order, to the gap or as near as the time allows."""
        for at in range(len(self.items)):
            if self.late:
                return
            self._begin(at)
        self._generate()
        self._order(*self._known())
        for _ in range(TURNS):
            if self.late or self.cost - self.bound <= self.allowed or not self._prove():
                return

    @property
    def allowed(self) -> float:
        """How much money a cost may be off: the gap, of the larger of cost and money spent."""
        taken = [min(one.costs, key=lambda some: one.costs[some]) for one in self.items] if np.isinf(self.cost) else self.best
        costs = sum(one.costs[some] for one, some in zip(self.items, taken, strict=True)) - self.problem.constant
        spent = sum(sum(one.goods[some].values()) for one, some in zip(self.items, taken, strict=True))
        return self.gap * max(abs(costs), spent, 1e-9)

    def _known(self) -> tuple[list[Candidate], list[tuple[int, Places]]]:
        """All combinations that are priced truly, and which they are."""
        meant = [(at, places) for at, one in enumerate(self.items) for places in one.costs]
        return [Candidate(at, self.items[at].goods[some], self.items[at].costs[some]) for at, some in meant], meant

    def _begin(self, at: int) -> None:
        """Nothing, and each offer alone in growing numbers."""
        choices = self.items[at].choices
        places = {(0,) * len(choices.lines)}
        for n, line in enumerate(choices.lines):
            last = len(line.counts) - 1
            steps = np.unique(np.geomspace(1, last, FIRST).astype(int)).tolist() if last else []
            places |= {tuple(step if m == n else 0 for m in range(len(choices.lines))) for step in steps}
        self._add(at, sorted(places))

    def _add(self, at: int, places: Sequence[Places]) -> None:
        """Price combinations truly."""
        one = self.items[at]
        new = [some for some in dict.fromkeys(places) if some not in one.costs]
        for some, follows in zip(new, self.price(at, [one.choices.point(some) for some in new]), strict=True):
            one.goods[some] = one.choices.goods(some)
            one.costs[some] = follows + sum(one.goods[some].values())

    def _generate(self) -> None:
        """Prices and combinations by turns, until the bound is near what the linear programme costs."""
        before = -np.inf
        for _ in range(TURNS):
            began = monotonic()
            prices = Master(self.problem, len(self.items), self._known()[0]).prices()
            self.solver, self.rounds = self.solver + monotonic() - began, self.rounds + 1
            close = CLOSE * self.allowed
            lowest = np.array([self._settle(at, prices, close / len(self.items)) for at in range(len(self.items))])
            bound = prices.orders + float(lowest.sum())
            if bound > self.bound:
                self.bound, self.lowest, self.asked = bound, lowest, prices
            if self.late or self.bound >= prices.cost - 3 * close or prices.cost == before:
                return
            before = prices.cost

    def _settle(self, at: int, prices: Prices, close: float) -> float:
        """Look for the cheapest combination at these prices; answers a bound for all."""
        one, lowest = self.items[at], -np.inf
        fixed = prices.fixed[at]
        for _ in range(TRIES):
            best = one.cheapest(prices.goods, fixed)
            found = one.choices.below(self.floors[at], prices.goods, fixed, best - close)
            lowest = max(lowest, min(float(found.least.min(initial=np.inf)), found.limit))
            if self.late or (not len(found.least) and found.middle is None):
                return lowest
            if found.middle is not None:
                self.price(at, [found.middle])
            self._add(at, [*found.near, *(tuple(found.places[n].tolist()) for n in _apart(found.least))])
        return lowest

    def _order(self, candidates: Sequence[Candidate], meant: Sequence[tuple[int, Places]]) -> float:
        """The best order of these combinations; answers a bound for orders of them."""
        began, scale = monotonic(), abs(self.cost if np.isfinite(self.cost) else self.bound)
        master = Master(self.problem, len(self.items), candidates)
        got = master.solve(self.allowed / 4 / max(scale, 1e-9), self.until - began)
        self.solver, self.rounds = self.solver + monotonic() - began, self.rounds + 1
        if got.taken is None:
            return got.bound
        taken = [meant[n] for n in got.taken]
        for at, places in taken:
            self._add(at, [places])
        cost = got.cost + sum(self.items[at].costs[p] - candidates[n].cost for n, (at, p) in zip(got.taken, taken, strict=True))
        if cost < self.cost:
            self.best, self.cost = [places for _, places in sorted(taken)], cost
        return got.bound

    def _prove(self) -> bool:
        """Let every combination join that could be part of a cheaper order; whether more can be learnt."""
        if self.asked is None:
            return False
        prices, slack = self.asked, self.cost - (self.asked.orders + float(self.lowest.sum()))
        candidates: list[Candidate] = []
        meant: list[tuple[int, Places]] = []
        for at, one in enumerate(self.items):
            found = one.choices.below(self.floors[at], prices.goods, prices.fixed[at], float(self.lowest[at]) + slack)
            if found.limit < float(self.lowest[at]) + slack or len(candidates) + len(found.least) > MOST:
                return False
            for places, least in zip(found.places.tolist(), found.least.tolist(), strict=True):
                some = tuple(places)
                goods = one.goods[some] if some in one.goods else one.choices.goods(some)
                cost = one.costs[some] if some in one.costs else least - one.more(goods, prices.goods, prices.fixed[at])
                candidates.append(Candidate(at, goods, cost))
                meant.append((at, some))
        before = sum(len(one.costs) for one in self.items)
        self.bound = max(self.bound, min(self._order(candidates, meant), self.cost))
        return sum(len(one.costs) for one in self.items) > before

    def packs(self) -> Counts:
        """The best order as packs of each column."""
        found = np.zeros(len(self.problem.columns), dtype=np.int64)
        for one, places in zip(self.items, self.best, strict=True):
            for line, place in zip(one.choices.lines, places, strict=True):
                if place:
                    found[line.column[place]] += int(line.counts[place])
        return found


def _apart(least: Floats) -> list[int]:
    """The cheapest, and some others a little dearer."""
    if not len(least):
        return []
    order = np.argsort(least, kind="stable")
    some = np.unique(np.linspace(0, min(len(order) - 1, 8), TOGETHER).astype(int))
    return [int(at) for at in order[some]]
