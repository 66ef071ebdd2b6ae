"""The purchase programme as rows and columns of a mixed-integer programme.

A material takes nothing, or one offer at one price, or a mixture; each way has its own floor, switched by a yes or no (Balas,
SIAM Journal on Algebraic and Discrete Methods 6 (1985) 466-486). With one offer only whole packs count, so chords between
neighbouring packs hold the floor exactly; a mixture has the tangents of the convex cost.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.core.buying.paths import Course
from service.core.cover.runout import Floats

Counts = NDArray[np.int64]
Point = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """Packs of one offer at one price, in one order: from `least` to `most` packs, or none.

    `choice` names the line of the order: at most one price of it holds.
    """

    item: int
    slot: int
    group: int
    choice: int
    pack: float
    price: float
    least: int = 1
    most: int | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """An order to a supplier: delivery charge, the value from which it is free, the smallest value; `order` 0 is now, and
    counts in the budget."""

    charge: float = 0.0
    free_from: float | None = None
    smallest: float = 0.0
    order: int = 0


@dataclass(frozen=True, slots=True)
class Problem:
    """The materials' courses, what can be ordered, and what an order costs; money in one unit throughout."""

    courses: Sequence[Course]
    columns: Sequence[Column]
    groups: Sequence[Group]
    budget: float | None = None
    constant: float = 0.0  # what every order costs the same, and is left out

    def members(self) -> list[list[int]]:
        """The columns of each material."""
        found: list[list[int]] = [[] for _ in self.courses]
        for at, column in enumerate(self.columns):
            found[column.item].append(at)
        return found

    def several_orders(self, columns: Sequence[int]) -> bool:
        """Whether a material's columns belong to orders of different days."""
        return len({self.groups[self.columns[at].group].order for at in columns}) > 1

    def mixable(self, columns: Sequence[int]) -> bool:
        """Whether a material has more than one offer."""
        return len({self.columns[at].choice for at in columns}) > 1

    def point(self, at: int, packs: int) -> Point:
        """What so many packs of one column alone put into its material's slots."""
        column = self.columns[at]
        slots = len(self.courses[column.item].slots)
        return tuple(column.pack * packs if slot == column.slot else 0.0 for slot in range(slots))


@dataclass(slots=True)
class Floor:
    """True costs of a material at the points known, and the tangents there: point, base, slope."""

    known: dict[Point, float] = field(default_factory=dict)
    tangents: list[tuple[Point, float, Floats]] = field(default_factory=list)

    def below(self, point: Point) -> float:
        """A bound for the cost at any point."""
        at = np.array(point)
        return max((base + float(slope @ at) for _, base, slope in self.tangents), default=-np.inf)


@dataclass(frozen=True, slots=True)
class Mixture:
    """A material's mixture in a programme: the variable that switches it (None: always on), and packs by column."""

    item: int
    way: int | None
    packs: list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Programme:
    """Minimise `cost` with `low` <= `rows` x <= `high`; `packs` holds each column's variables."""

    cost: Floats
    whole: Floats
    bounds: Any
    rows: Any
    low: Floats
    high: Floats
    packs: list[list[int]]
    mixtures: list[Mixture]

    def read(self, found: Floats) -> Counts:
        """Packs of each column."""
        return np.array([round(sum(found[at] for at in places)) for places in self.packs], dtype=np.int64)


class Writer:
    """Variables and sparse rows as they are written."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.whole: list[float] = []
        self.least: list[float] = []
        self.most: list[float] = []
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def variable(self, cost: float = 0.0, least: float = 0.0, most: float = 1.0, whole: bool = True) -> int:
        """A new variable: by default a yes or no."""
        self.cost.append(cost)
        self.least.append(least)
        self.most.append(most)
        self.whole.append(float(whole))
        return len(self.cost) - 1

    def follow(self) -> int:
        """A variable for what follows for a material: never below nothing, as no weight is."""
        return self.variable(1.0, 0.0, np.inf, whole=False)

    def add(self, terms: Sequence[tuple[int, float]], low: float = -np.inf, high: float = np.inf) -> None:
        """One row."""
        for column, value in terms:
            self.row.append(len(self.low))
            self.column.append(column)
            self.value.append(value)
        self.low.append(low)
        self.high.append(high)

    def programme(self, packs: list[list[int]], mixtures: list[Mixture]) -> Programme:
        """All that was written."""
        from scipy.optimize import Bounds  # type: ignore[import-untyped]
        from scipy.sparse import csr_array  # type: ignore[import-untyped]

        matrix = csr_array((self.value, (self.row, self.column)), shape=(len(self.low), len(self.cost)))
        bounds = Bounds(np.array(self.least), np.array(self.most))
        whole, low, high = np.array(self.whole), np.array(self.low), np.array(self.high)
        return Programme(np.array(self.cost), whole, bounds, matrix, low, high, packs, mixtures)


class Rows:
    """Writes the programme with what is known of each material's floor; mixtures only where `mixed`."""

    def __init__(self, problem: Problem, most: Counts, floors: Sequence[Floor], mixed: bool) -> None:
        self.problem, self.most, self.floors, self.out = problem, most, floors, Writer()
        self.placed = [self.out.variable(group.charge) for group in problem.groups]
        self.goods: list[list[tuple[int, float]]] = [[] for _ in problem.groups]
        self.packs: list[list[int]] = [[] for _ in problem.columns]
        self.mixtures: list[Mixture] = []
        for item, columns in enumerate(problem.members()):
            if problem.several_orders(columns):
                self._mixture(item, columns, None)
                continue
            ways = [self._nothing(item), *self._one_offer(item, columns)]
            if mixed and problem.mixable(columns):
                ways.append(self.out.variable())
                self._mixture(item, columns, ways[-1])
            self.out.add([(way, 1.0) for way in ways], 1.0, 1.0)
        self._orders()
        if problem.constant:
            self.out.variable(-problem.constant, 1.0, 1.0, whole=False)

    def written(self) -> Programme:
        """The programme."""
        return self.out.programme(self.packs, self.mixtures)

    def _nothing(self, item: int) -> int:
        """Ordering none of a material, at what then follows."""
        return self.out.variable(self.floors[item].known[(0.0,) * len(self.problem.courses[item].slots)])

    def _amount(self, at: int, most: float) -> int:
        """Packs of a column."""
        column = self.problem.columns[at]
        packs = self.out.variable(column.price, 0.0, most)
        self.goods[column.group].append((packs, column.price))
        self.packs[at].append(packs)
        return packs

    def _one_offer(self, item: int, columns: Sequence[int]) -> list[int]:
        """One offer at one price: packs within its range, and its chords and tangents."""
        ways, by_group = [], dict[int, list[int]]()
        for at in columns:
            column, most = self.problem.columns[at], float(self.most[at])
            packs, way, follow = self._amount(at, most), self.out.variable(), self.out.follow()
            ways.append(way)
            by_group.setdefault(column.group, []).append(way)
            self.out.add([(packs, 1.0), (way, -most)], high=0.0)
            self.out.add([(packs, 1.0), (way, -float(column.least))], low=0.0)
            for base, slope in axis(self.problem, self.floors[item], at):
                self.out.add([(follow, 1.0), (packs, -slope), (way, -base)], low=0.0)
        for group, members in by_group.items():
            self.out.add([*((way, 1.0) for way in members), (self.placed[group], -1.0)], high=0.0)
        return ways

    def _mixture(self, item: int, columns: Sequence[int], way: int | None) -> None:
        """Several offers at once: at least two when it is a way of its own, any number over orders of several days."""
        amounts, choices = [], dict[int, list[int]]()
        for at in columns:
            column, most = self.problem.columns[at], float(self.most[at])
            packs, taken = self._amount(at, most), self.out.variable()
            amounts.append(packs)
            choices.setdefault(column.choice, []).append(taken)
            self.out.add([(packs, 1.0), (taken, -most)], high=0.0)
            self.out.add([(packs, 1.0), (taken, -float(column.least))], low=0.0)
            self.out.add([(taken, 1.0), (self.placed[column.group], -1.0)], high=0.0)
        for members in choices.values():
            limit = [] if way is None else [(way, -1.0)]
            self.out.add([*((taken, 1.0) for taken in members), *limit], high=1.0 if way is None else 0.0)
        if way is not None:
            every = [(taken, 1.0) for members in choices.values() for taken in members]
            self.out.add([*every, (way, -2.0)], low=0.0)
        self.mixtures.append(Mixture(item, way, list(zip(columns, amounts, strict=True))))
        follow = self.out.follow()
        for _, base, slope in self.floors[item].tangents:
            terms = [
                (packs, -float(slope[self.problem.columns[at].slot]) * self.problem.columns[at].pack)
                for packs, at in zip(amounts, columns, strict=True)
            ]
            switch = [] if way is None else [(way, -base)]
            self.out.add([(follow, 1.0), *terms, *switch], low=base if way is None else 0.0)

    def _orders(self) -> None:
        """Smallest orders, free delivery from a value on, and the budget of what is ordered now."""
        budget: list[tuple[int, float]] = []
        for group, placed, goods in zip(self.problem.groups, self.placed, self.goods, strict=True):
            if group.smallest > 0:
                self.out.add([*goods, (placed, -group.smallest)], low=0.0)
            paid = [(placed, group.charge)]
            if group.free_from is not None and group.charge > 0:
                free = self.out.variable(-group.charge)
                self.out.add([*goods, (free, -group.free_from)], low=0.0)
                self.out.add([(free, 1.0), (placed, -1.0)], high=0.0)
                paid.append((free, -group.charge))
            if group.order == 0:
                budget += [*goods, *paid]
        if self.problem.budget is not None:
            self.out.add(budget, high=self.problem.budget)


def axis(problem: Problem, floor: Floor, at: int) -> list[tuple[float, float]]:
    """Lines below a column's cost at whole packs of it alone, as (base, slope per pack): chords of neighbours, tangents."""
    column = problem.columns[at]
    alone: dict[int, float] = {}
    lines = []
    for point, base, slope in floor.tangents:
        packs = round(point[column.slot] / column.pack)
        if point == problem.point(at, packs):
            alone[packs] = floor.known[point]
            lines.append((packs, base, float(slope[column.slot]) * column.pack))
    chords = []
    for packs, cost in alone.items():
        if packs + 1 in alone:
            step = alone[packs + 1] - cost
            chords.append((cost - step * packs, step))
    inside = {packs for packs in alone if packs - 1 in alone and packs + 1 in alone}
    return chords + [(base, slope) for packs, base, slope in lines if packs not in inside]
