"""Demand drawn along sample paths: every product's cumulative demand at the knots in time, known orders included."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.core.demand import paths
from service.core.demand.outlook import Outlook, known_weeks, look
from service.core.demand.planning import History

Singles = NDArray[np.float32]
Days = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Clock:
    """Days of the knots, from today: 0, the end of this week, the ends of the weeks after."""

    knots: Days

    @classmethod
    def of(cls, today: int, start: int, weeks: int) -> "Clock":
        """The knots of this week, which began at `start`, and of the weeks after it."""
        first = start + 7 - today
        return cls(np.concatenate([[0], first + 7 * np.arange(weeks)]).astype(np.int64))

    def at(self, total: Singles, day: float) -> Singles:
        """A cumulative quantity (P, K + 1, ...) at a time between the knots; beyond them it goes on as in the last week."""
        place = int(np.clip(np.searchsorted(self.knots, day, side="right") - 1, 0, len(self.knots) - 2))
        begin, end = self.knots[place], self.knots[place + 1]
        part = np.float32((day - begin) / (end - begin))
        low: Singles = total[:, place]
        return low + part * (total[:, place + 1] - low)


def demand(
    history: History, extra: Sequence[tuple[int, str, int, float]], weeks: int, seed: int, count: int
) -> tuple[Singles, Clock, Outlook | None]:
    """Cumulative demand of every product from today (P, K + 1, N); `extra` are imagined orders (product, channel, day, units)."""
    places = {series: at for at, series in enumerate(history.series)}
    base = len(places)
    for product, channel, _, _ in extra:
        places.setdefault((product, channel), len(places))
    start = history.today - (history.today - 1 - history.week_start) % 7  # ordinal 1 was a Monday
    clock = Clock.of(history.today, start, weeks)
    seen = look(history, weeks) if base else None
    drawn = np.zeros((count, weeks, len(places) - base), np.float32)
    if seen is not None:
        own = paths.sample(seen.forecast, count, seed, paths.shared_luck(seen.made))
        drawn = np.concatenate([own, drawn], axis=2) if drawn.shape[2] else own
    drawn[:, 0] *= np.float32((start + 7 - history.today) / 7)
    coming = [(at, day, units) for at, day, units in history.known if day >= history.today]
    coming += [(places[product, channel], max(day, history.today), units) for product, channel, day, units in extra]
    certain = known_weeks(coming, len(places), start, weeks)
    if certain.any():
        some = np.flatnonzero(certain.any(axis=0))
        drawn[:, :, some] = paths.consume(drawn[:, :, some], certain[:, some])
    besides = [one for one in history.known if one[1] < history.today]  # due already: the stock must still serve it
    for at, day, units in [*besides, *history.apart]:  # what no forecast expects
        if (week := max((day - start) // 7, 0)) < weeks:
            drawn[:, week, at] += np.float32(units)
    return _by_product(drawn, [product for product, _ in places], history.products), clock, seen


def _by_product(drawn: Singles, products: Sequence[int], count: int) -> Singles:
    """Paths of series (P, H, N) summed over channels, from 0 on (P, H + 1, products)."""
    total = np.zeros((drawn.shape[0], drawn.shape[1] + 1, count), np.float32)
    order = np.argsort(products, kind="stable")
    if not np.array_equal(order, np.arange(len(products))):
        drawn = np.take(drawn, order, axis=2)
    present, starts = np.unique(np.asarray(products, np.int64)[order], return_index=True)
    if len(present) < len(products):
        drawn = np.add.reduceat(drawn, starts, axis=2)
    if len(present) < count:
        spread = np.zeros((*drawn.shape[:2], count), np.float32)
        spread[:, :, present] = drawn
        drawn = spread
    for week in range(drawn.shape[1]):  # several times as fast as a cumulative sum over the middle axis
        np.add(total[:, week], drawn[:, week], out=total[:, week + 1])
    return total
