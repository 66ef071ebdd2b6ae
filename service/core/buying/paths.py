"""What an order costs a material along its sample paths, exactly, and how that changes with every unit more.

P paths, B spans of days between `edges`, K batches: the lots there or arriving, then the slots that orders could fill. Each
path serves its need first expired, first out; need that finds nothing is lost and costs its span's weight. Money spent on
what is not used yet costs `held` a unit and day. Since drawing first expired first serves the most need up to every
day at once, the cost is convex in the ordered quantities as long as weights do not grow with time: `evaluate` returns it
with a subgradient, from which `purchase_model` builds its piecewise-linear floor.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.core.cover.runout import EDGE, FOREVER, Days, Floats, Lot


@dataclass(frozen=True, slots=True)
class Coming:
    """What is on order: how much, the day it comes on each path (P,), and its last usable day (None: keeps)."""

    quantity: float
    arrives: Days
    last_day: int | None = None


Stock = Lot | Coming


@dataclass(frozen=True, slots=True)
class Slot:
    """What an order could fill: on each path the day it arrives (P,), and its last usable day (None: keeps)."""

    arrives: Days
    last_day: int | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """A material's paths: `need`, `weight` and `promised` have shape (P, B), `edges` B + 1 days.

    What arrives within a span serves from the next one on, and a last day is the end of a span: the edges hold every day
    on which something arrives, expires or changes its weight. `promised` is 1 where the service level is promised: what is
    expected short there beyond `allowed` costs `breach` a unit more.
    """

    edges: Days
    need: Floats
    weight: Floats
    held: float
    lots: tuple[Stock, ...] = ()
    slots: tuple[Slot, ...] = ()
    promised: Floats | None = None
    allowed: float = 0.0
    breach: float = 0.0


@dataclass(frozen=True, slots=True)
class Walked:
    """What happened: lost need (P, B), what each batch lost to its expiry (P, K), and unit-days of unused stock (P,)."""

    short: Floats
    expired: Floats
    unused: Floats


@dataclass(frozen=True, slots=True)
class _Queue:
    """Batches first expired first: places of lots and slots in it, last days, and the span in which each arrives (K, P)."""

    lots: Days
    slots: Days
    last: Days
    span: Days


def days_of(lots: Sequence[Stock], slots: Sequence[Slot], ends: ArrayLike, usual: ArrayLike, until: int) -> Days:
    """The edges up to day `until`: the usual ones, and each day on which something arrives, expires or changes."""
    found = [np.asarray(usual), np.asarray(ends), *(slot.arrives for slot in slots)]
    found += [np.asarray(_first(lot)) for lot in lots]
    ends_of = [*(lot.last_day for lot in lots), *(slot.last_day for slot in slots)]
    lasts = [day for day in ends_of if day is not None]
    found.append(np.array(lasts, dtype=np.int64) + 1)
    days = np.concatenate([np.asarray(part, dtype=np.int64).reshape(-1) for part in found])
    return np.unique(np.concatenate([days[(days > 0) & (days < until)], [0, until]]))


def evaluate(course: Course, points: ArrayLike) -> tuple[Floats, Floats]:
    """Expected cost (N,) and a subgradient (N, slots) at each of N points of ordered quantities (N, slots)."""
    at = np.asarray(points, dtype=np.float64).reshape(-1, len(course.slots))
    count, run = len(at), _Run(course, at)
    cost, short = run.forward()
    costs, over = _mean(cost, count), np.zeros(count)
    if run.promised is not None:
        missed = _mean(short, count) - course.allowed
        costs, over = costs + course.breach * np.maximum(missed, 0.0), np.where(missed > 0, course.breach, 0.0)
    return costs, _mean(run.back(np.repeat(over, len(course.need))), count).T


def _mean(values: Floats, count: int) -> Floats:
    """Over the paths of each point: (..., count x P) to (..., count)."""
    return np.asarray(values.reshape(*values.shape[:-1], count, -1).mean(axis=-1))


class _Run:
    """One walk of all paths at all points, forward and back; rows R are points x paths, spans come first."""

    def __init__(self, course: Course, points: Floats) -> None:
        self.course, self.queue, count = course, _queue(course), len(points)
        self.amount = _amounts(course, self.queue, np.repeat(points, len(course.need), axis=0))
        self.span = np.tile(self.queue.span, (1, count))
        self.need, self.weight = np.tile(course.need.T, (1, count)), np.tile(course.weight.T, (1, count))
        breached = course.promised is not None and course.breach > 0
        self.promised = np.tile(course.promised.T, (1, count)) if breached and course.promised is not None else None
        self.coming: dict[int, list[int]] = {}  # batches that arrive in a span, on some path
        for batch, spans in enumerate(self.queue.span):
            for now in np.unique(spans).tolist():
                self.coming.setdefault(now, []).append(batch)
        self.gone = np.searchsorted(self.queue.last, course.edges, side="left").tolist()  # batches expired before each edge
        self.kept = course.held * np.diff(course.edges).astype(np.float64)  # what a unit unused costs in each span
        self.drawn = np.empty(self.need.shape, dtype=np.uint8 if len(self.queue.last) < 255 else np.int64)

    def forward(self) -> tuple[Floats, Floats]:
        """Cost of each row, and what is short of the promise; notes the batch drawn last (beyond all: need is lost), and what
        `walk` tells.

        `total` holds what there is of each batch and those before it in the queue.
        """
        total, there, came = np.zeros_like(self.amount), np.empty_like(self.need), np.zeros_like(self.need)
        enough, expired = self.need - EDGE * np.maximum(self.need, 1.0), 0
        self.wasted = np.zeros_like(total)
        for now, end in enumerate(self.gone[:-1]):
            arriving = self.coming.get(now, ())
            for batch in arriving:
                some = np.where(self.span[batch] == now, self.amount[batch], 0.0)
                total[batch:] += some
                came[now] += some
            if end > expired or any(batch < end for batch in arriving):
                self._expire(total, end)
                expired = end
            there[now] = total[-1]
            np.add.reduce(total < enough[now], axis=0, dtype=self.drawn.dtype, out=self.drawn[now])
            total -= self.need[now]
            np.maximum(total, 0.0, out=total)
        if (end := self.gone[-1]) > expired:
            self._expire(total, end)
        self.lost = np.where(self.drawn == len(total), self.need - there, 0.0)
        self.unused = np.cumsum(came - np.minimum(self.need, there), axis=0)
        cost = np.einsum("br,br->r", self.weight, self.lost) + self.kept @ self.unused
        missed = np.zeros_like(cost) if self.promised is None else np.einsum("br,br->r", self.promised, self.lost)
        return cost, missed

    def _expire(self, total: Floats, end: int) -> None:
        """What is left of the first batches of the queue is lost."""
        self.wasted[:end] += np.diff(total[:end], axis=0, prepend=0.0)
        total[end:] -= total[end - 1]
        total[:end] = 0.0

    def back(self, breach: Floats) -> Floats:
        """What one unit more in each slot changes on each row: followed back from the last span.

        A unit more of a batch serves lost need, where there is any (at its weight, and on rows with a `breach` at what that
        costs); else it takes the place of a unit of the batch drawn last, which then is the unit more. Once its batch has
        expired it is only money spent. `ahead` leaves out what a unit kept to the end costs, `spent`, the same for every batch.
        """
        batches, rows = self.amount.shape
        spent = np.cumsum(self.kept[::-1])[::-1]
        served = -self.weight if self.promised is None else -(self.weight + breach * self.promised)
        served -= spent[:, None]
        ahead, slope, own = np.zeros((batches + 1, rows)), np.zeros((batches, rows)), np.arange(batches)[:, None]
        flat, places = ahead.reshape(-1), self.drawn * np.int64(rows) + np.arange(rows)
        for now in range(len(self.kept) - 1, -1, -1):
            end = self.gone[now]
            ahead[batches] = served[now]
            np.copyto(ahead[end:batches], flat[places[now]], where=self.drawn[now] > own[end:])
            ahead[:end] = 0.0
            for batch in self.coming.get(now, ()):
                np.copyto(slope[batch], ahead[batch] + spent[now], where=self.span[batch] == now)
        return slope[self.queue.slots]


def walk(course: Course, quantities: Sequence[float]) -> Walked:
    """What happens on each path when these quantities fill the slots: the same walk as `evaluate`, kept in full."""
    run = _Run(course, np.asarray(quantities, dtype=np.float64).reshape(1, -1))
    run.forward()
    back = np.concatenate([run.queue.lots, run.queue.slots])
    return Walked(run.lost.T, run.wasted[back].T, np.diff(course.edges) @ run.unused)


def one_more(course: Course, quantities: Sequence[float]) -> tuple[Floats, Floats]:
    """What is short on each path when these quantities fill the slots (P, B), and what one unit more in each slot changes of the
    expected cost (slots,), but for a promise."""
    run = _Run(course, np.asarray(quantities, dtype=np.float64).reshape(1, -1))
    run.forward()
    return run.lost.T, run.back(np.zeros(len(course.need))).mean(axis=1)


def _queue(course: Course) -> _Queue:
    """Lots and slots by last day, those that keep last, lots before slots, and the span from which each can be drawn."""
    batches: list[Stock | Slot] = [*course.lots, *course.slots]
    lasts = [FOREVER if one.last_day is None else one.last_day for one in batches]
    order = sorted(range(len(batches)), key=lambda at: (lasts[at], at))
    place = np.empty(len(batches), dtype=np.int64)
    place[order] = np.arange(len(batches))
    span = np.empty((len(batches), len(course.need)), dtype=np.int64)
    for at, one in enumerate(batches):
        span[place[at]] = np.searchsorted(course.edges[:-1], _first(one), side="left")
    ordered = np.array([lasts[at] for at in order], dtype=np.int64)
    return _Queue(place[: len(course.lots)], place[len(course.lots) :], ordered, span)


def _first(one: Stock | Slot) -> ArrayLike:
    """The day from which it serves, the same on all paths or one for each (P,)."""
    return max(one.first_day, 0) if isinstance(one, Lot) else np.maximum(one.arrives, 0)


def _amounts(course: Course, queue: _Queue, points: Floats) -> Floats:
    """What each batch holds when it arrives, in the queue's order, one column for each row of points: (K, R)."""
    amount = np.empty((len(queue.last), len(points)))
    for at, lot in zip(queue.lots, course.lots, strict=True):
        amount[at] = lot.quantity
    amount[queue.slots] = points.T
    return amount
