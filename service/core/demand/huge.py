"""Single orders far above what a series' other orders ask for: capped in what is learnt, and asked about. No numpy here."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import sqrt

LEAST = 12  # other lines before one can be called huge
DEVIATIONS = 3.0


@dataclass(slots=True)
class Sizes:
    """A series' order lines: how many, their sum and sum of squares, and the largest of each day."""

    lines: int = 0
    total: float = 0.0
    squares: float = 0.0
    largest: dict[int, float] = field(default_factory=dict)

    def add(self, day: int, lines: int, total: float, squares: float, largest: float) -> None:
        """One day's lines."""
        self.lines += lines
        self.total += total
        self.squares += squares
        self.largest[day] = max(largest, self.largest.get(day, 0.0))


def usual_most(sizes: Sizes, units: float) -> float | None:
    """The most that the other lines would have led one to expect: their mean + 3 standard deviations; None with too few.

    Compared with the others only, so that one giant cannot hide itself; the variance is at least that of counts (Poisson).
    """
    rest = sizes.lines - 1
    if rest < LEAST:
        return None
    mean = (sizes.total - units) / rest
    variance = max((sizes.squares - units * units) / rest - mean * mean, mean)
    return mean + DEVIATIONS * sqrt(variance)


def found(series: Mapping[int, Sizes] | Iterable[tuple[int, Sizes]]) -> list[tuple[int, int, float, float]]:
    """Series, day, units and the usual most of each huge line, by series and day."""
    pairs = series.items() if isinstance(series, Mapping) else series
    rows = []
    for at, sizes in pairs:
        for day, units in sizes.largest.items():
            most = usual_most(sizes, units)
            if most is not None and units > most:
                rows.append((at, day, units, most))
    return sorted(rows)
