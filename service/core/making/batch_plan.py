"""How large to make the batches of one formula, and what to fill from each: the least mass that serves all that is wanted.

A variable-sized bin packing: batches are the bins, whole units the things packed. What is least is the mass put into the pot
(so what it loses counts like what is left over: more batches are no way to leave less), then the number of batches; of equals
the most urgent are filled first. Found by filling the most urgent first; where that misses the bound of an undivided mass,
by branch and bound over batches filled as far as they go, up to a stated number of steps. Milligrams and day numbers.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from service.core.making import scaling
from service.core.units import FULL_PPM

PARTS_OF_USUAL = 4  # batches are quarters of the usual one, any number of them
GRAM = 1_000
STEPS = 5_000
MORE = 60  # totals above the bound for which the plainest sizes are tried
MOST_BATCHES, MOST_DEMANDS, MOST_SIZES = 12, 30, 80  # beyond these the first answer stands, unless it meets the bound


@dataclass(frozen=True, slots=True)
class Demand:
    """Units of a fill weight, from a batch that is made on a day from `first` to `last`."""

    fill_mg: int
    units: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch, the units of each demand that it fills, and the last day to make it."""

    batch_mg: int
    fills: tuple[int, ...]
    last: int


@dataclass(frozen=True, slots=True)
class Choice:
    """The batches, most urgent first; `proved`: no less would do; demands of which no batch holds one unit."""

    batches: tuple[Batch, ...]
    proved: bool
    too_large: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Kettle:
    """How a formula is made: quarters of its usual batch (whole grams without one), within its smallest and largest."""

    usual_mg: int | None
    smallest_mg: int | None
    largest_mg: int | None
    loss_ppm: int = 0
    loss_mg: int = 0

    @property
    def grid(self) -> "Grid":
        """The sizes there are; where no quarter lies within the bounds, whole grams, at last milligrams."""
        steps = [(GRAM, 1), (1, 1)]
        for step, parts in [(self.usual_mg, PARTS_OF_USUAL), *steps] if self.usual_mg else steps:
            low = max(1, -(-(self.smallest_mg or 0) * parts // step))
            high = None if self.largest_mg is None else self.largest_mg * parts // step
            if high is None or high >= low:
                return Grid(step, parts, low, high, self.loss_ppm, self.loss_mg)
        raise ValueError("the smallest batch is larger than the largest")


@dataclass(frozen=True, slots=True)
class Grid:
    """Sizes `n x step / parts` for n from `low` to `high`."""

    step: int
    parts: int
    low: int
    high: int | None
    loss_ppm: int
    loss_mg: int

    def size(self, n: int) -> int:
        """The batch of a number of steps, in mg."""
        return n * self.step // self.parts

    def yields(self, n: int) -> int:
        """What it leaves after its losses."""
        return scaling.made_from(self.size(n), self.loss_ppm, self.loss_mg)

    def for_mass(self, mass: int) -> int | None:
        """The fewest steps that leave so much; None when it is more than the largest batch leaves."""
        n = max(self.low, -(-scaling.batch_for_mass(mass, self.loss_ppm, self.loss_mg) * self.parts // self.step))
        while n > self.low and self.yields(n - 1) >= mass:
            n -= 1
        while self.yields(n) < mass:
            n += 1
        return n if self.high is None or n <= self.high else None

    def holds(self, mass: int) -> bool:
        """Whether a batch can leave so much."""
        return self.high is None or self.yields(self.high) >= mass

    def bound(self, mass: int) -> tuple[int, int]:
        """The fewest steps, and batches, that leave so much of an undivided mass: no packing does with less."""
        if not mass:
            return 0, 0
        batches = 1
        while True:
            batch = -(-(mass + batches * self.loss_mg) * FULL_PPM * self.parts // ((FULL_PPM - self.loss_ppm) * self.step))
            steps = max(batch, batches * self.low)
            fewest = batches if self.high is None else -(-steps // self.high)
            if fewest <= batches:
                return steps, batches
            batches = fewest


@lru_cache(maxsize=256)
def choose(kettle: Kettle, demands: tuple[Demand, ...]) -> Choice:
    """The batches that serve all demands with the least mass."""
    grid = kettle.grid
    too_large = tuple(at for at, one in enumerate(demands) if one.units and not grid.holds(one.fill_mg))
    places = sorted(
        (at for at, one in enumerate(demands) if one.units and at not in too_large),
        key=lambda at: (demands[at].last, demands[at].first, -demands[at].fill_mg, at),
    )
    packing = _Packing(grid, [demands[at] for at in places])
    batches = []
    for steps, fills in packing.best():
        by_place = dict(zip(places, fills, strict=True))
        last = min(demands[at].last for at, units in by_place.items() if units)
        batches.append(Batch(grid.size(steps), tuple(by_place.get(at, 0) for at in range(len(demands))), last))
    return Choice(tuple(sorted(batches, key=lambda one: one.last)), packing.proved, too_large)


Filled = tuple[int, tuple[int, ...]]  # steps, units of each demand


class _Packing:
    """Demands of one formula, most urgent first."""

    def __init__(self, grid: Grid, demands: Sequence[Demand]) -> None:
        self.grid, self.demands = grid, demands
        self.all = tuple(one.units for one in demands)
        self.steps_left = STEPS
        self.seen: dict[tuple[int, ...], tuple[int, int]] = {}
        self.found: list[Filled] = []
        self.cost = (0, 0)
        self.proved = True
        self.whole = True

    def best(self) -> list[Filled]:
        """Fill the most urgent first; look further only where the bound says that less may do."""
        self.found = self._urgent_first()
        self.cost = sum(steps for steps, _ in self.found), len(self.found)
        bound = self.grid.bound(self._mass(self.all))
        self._plain_sizes(bound)
        if self.cost > bound:
            self.whole = len(self.found) <= MOST_BATCHES and len(self.demands) <= MOST_DEMANDS
            if self.whole:
                self._branch(self.all, (0, 0), [])
            self.proved = self.cost == bound or (self.whole and self.steps_left > 0)
        return self.found

    def _mass(self, units: Sequence[int]) -> int:
        return sum(one.fill_mg * some for one, some in zip(self.demands, units, strict=True))

    def _plain_sizes(self, bound: tuple[int, int]) -> None:
        """From the bound up: sizes as unequal as may be, and as equal; the first that hold all are better than what there is."""
        low, high = self.grid.low, self.grid.high
        if high is None or len(self.found) > 4 * MOST_BATCHES:
            return
        for total in range(bound[0], min(self.cost[0], bound[0] + MORE)):
            batches = max(bound[1], -(-total // high))
            spare, span = total - batches * low, high - low
            if spare < 0:
                continue
            unequal = [low + min(span, max(0, spare - at * span)) for at in range(batches)]
            equal = [total // batches + (at < total % batches) for at in range(batches)]
            for sizes in (unequal, equal):
                found = self._urgent_first(sizes)
                cost = sum(steps for steps, _ in found), len(found)
                if cost < self.cost and sum(self._mass(fills) for _, fills in found) == self._mass(self.all):
                    self.cost, self.found = cost, found
                    return

    def _urgent_first(self, sizes: Sequence[int] = ()) -> list[Filled]:
        """Each batch filled with the most urgent, as far as it goes: the largest there is, or of these sizes, if they do."""
        left = list(self.all)
        found: list[Filled] = []
        while any(left) and not (sizes and len(found) == len(sizes)):
            high = sizes[len(found)] if sizes else self.grid.high
            room = None if high is None else self.grid.yields(high)
            fills = [0] * len(left)
            first = 0
            last: int | None = None
            for at, one in enumerate(self.demands):
                if not left[at] or (last is not None and max(first, one.first) > last):
                    continue
                fills[at] = left[at] if room is None else min(left[at], room // one.fill_mg)
                if fills[at]:
                    first, last = max(first, one.first), one.last if last is None else last
                    room = None if room is None else room - fills[at] * one.fill_mg
            if not any(fills):  # this size does not hold one unit
                break
            steps = self.grid.for_mass(self._mass(fills))
            assert steps is not None, "no more is filled than the largest batch leaves"
            found.append((steps, tuple(fills)))
            left = [had - some for had, some in zip(left, fills, strict=True)]
        return found

    def _branch(self, left: tuple[int, ...], cost: tuple[int, int], so_far: list[Filled]) -> None:
        """All ways to fill the batch that takes the most urgent of what is left, then the rest."""
        mass = self._mass(left)
        if not mass:
            if cost < self.cost:
                self.cost, self.found = cost, list(so_far)
            return
        if self.steps_left <= 0 or self.seen.get(left, (cost[0] + 1, 0)) <= cost or not self._hope(cost, mass):
            return
        self.seen[left] = cost
        for steps in self._sizes(mass):
            now = cost[0] + steps, cost[1] + 1
            if not self._hope(now, max(0, mass - self.grid.yields(steps))):
                continue
            for fills in self._fillings(left, steps):
                so_far.append((steps, fills))
                self._branch(tuple(had - some for had, some in zip(left, fills, strict=True)), now, so_far)
                so_far.pop()
                if self.steps_left <= 0:
                    return

    def _hope(self, cost: tuple[int, int], mass: int) -> bool:
        steps, batches = self.grid.bound(mass)
        return (cost[0] + steps, cost[1] + batches) < self.cost

    def _sizes(self, mass: int) -> list[int]:
        """Sizes to try, largest first; only telling ones where there are very many (and then nothing is proved)."""
        grid = self.grid
        most = grid.for_mass(mass)
        high = most if most is not None else grid.high
        assert high is not None, "without a largest batch one holds all"
        if high - grid.low < MOST_SIZES:
            return list(range(high, grid.low - 1, -1))
        self.whole = False
        steps, batches = grid.bound(mass)
        even = [grid.for_mass(-(-mass // parts)) for parts in (batches, batches + 1)]
        telling = {high, grid.low, steps - (batches - 1) * grid.low, *(one for one in even if one is not None)}
        return sorted((one for one in telling if grid.low <= one <= high), reverse=True)

    def _fillings(self, left: tuple[int, ...], steps: int) -> Iterator[tuple[int, ...]]:
        """The ways to fill a batch of a size so far that no unit more goes in, the most urgent of what is left within."""
        demands, anchor = self.demands, next(at for at, units in enumerate(left) if units)
        last = demands[anchor].last
        fills = [0] * len(left)

        def rest(at: int, room: int, first: int) -> Iterator[tuple[int, ...]]:
            if at == len(left):
                self.steps_left -= 1
                if not self._more(left, fills, room, first, last):
                    yield tuple(fills)
                return
            one = demands[at]
            most = min(left[at], room // one.fill_mg) if max(first, one.first) <= last else 0
            least = most if at == len(left) - 1 else int(at == anchor)  # the last takes what it can
            for units in range(most, least - 1, -1):
                if self.steps_left <= 0:
                    return
                fills[at] = units
                yield from rest(at + 1, room - units * one.fill_mg, max(first, one.first) if units else first)
            fills[at] = 0

        yield from rest(anchor, self.grid.yields(steps), 0)

    def _more(self, left: Sequence[int], fills: Sequence[int], room: int, first: int, last: int) -> bool:
        """Whether one unit more would go in."""
        return any(
            had > some and one.fill_mg <= room and max(first, one.first) <= last
            for one, had, some in zip(self.demands, left, fills, strict=True)
        )
