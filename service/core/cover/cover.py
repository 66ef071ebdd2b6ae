"""How long stock lasts: every product's sample paths through finished stock, bulk stock and recipes to the materials' lots.

P paths, K + 1 knots in time (day 0, then the ends of weeks), N products, M nodes. Cumulative quantities are linear between knots,
so that all lots of a node have a closed form (as in runout): what lots 1..k give by the last day of lot k. Within the
week in which finished or bulk stock ends, what then has to be made is taken as even over that week.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.core.cover import runout
from service.core.demand import paths
from service.core.demand.outlook import Outlook, known_weeks, look
from service.core.demand.planning import PATHS, SEED, WEEKS, Books, CoverOf, History, Lot

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Days = NDArray[np.int64]
EDGE = 2e-6  # of the quantities, which are single floats here
BANDS = (0.1, 0.5, 0.9)
DAYS = 7 * WEEKS
DRIVERS = 5
RATE_WEEKS = 13  # weeks whose mean is the weekly need


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


def given(total: Singles, clock: Clock, lots: Sequence[Lot]) -> tuple[Singles, list[Singles]]:
    """What lots that are there give to a cumulative need (P, K + 1) before they are used up or expire; all, and each one."""
    order = sorted(range(len(lots)), key=lambda at: (runout.FOREVER if lots[at].last is None else lots[at].last, at))
    whole = np.zeros(len(total), np.float32)
    parts: list[Singles] = [whole] * len(lots)
    for at in order:
        lot, last = lots[at], lots[at].last
        if last is None or last >= DAYS:
            parts[at] = np.full(len(total), lot.quantity, np.float32)
        elif last < 0:
            parts[at] = np.zeros(len(total), np.float32)
        else:
            asked = clock.at(total, last + 1)
            parts[at] = np.clip(asked - whole, 0.0, np.float32(lot.quantity))
        whole = whole + parts[at]
    return whole, parts


def beyond(total: Singles, got: Singles) -> Singles:
    """What of a cumulative need (P, K + 1) stock does not serve."""
    rest: Singles = np.maximum(total - got[:, None], np.float32(0))
    return rest


def to_nodes(total: Singles, clock: Clock, books: Books) -> tuple[Singles, Floats]:
    """Cumulative need of every node (P, K + 1, M), net of finished and bulk stock; and each node's weekly need by product."""
    gross = total.copy()
    for outer, inner, units in books.sets:
        gross[:, :, inner] += np.float32(units) * gross[:, :, outer]
    net = total
    done: set[int] = set()
    for outer, inner, units in books.sets:
        if outer not in done and books.finished.get(outer):
            net[:, :, outer] = beyond(net[:, :, outer], given(net[:, :, outer], clock, books.finished[outer])[0])
        done.add(outer)
        net[:, :, inner] += np.float32(units) * net[:, :, outer]
    for product, lots in books.finished.items():
        if product not in done and lots:
            net[:, :, product] = beyond(net[:, :, product], given(net[:, :, product], clock, lots)[0])
    matrix = np.zeros((total.shape[2], books.nodes), np.float32)
    for product, node, each in books.goes:
        matrix[product, node] += each
    keep = int(np.searchsorted(clock.knots, DAYS)) + 1
    need = np.matmul(_earlier(net, clock, books.rest, keep), matrix)
    rate = gross[:, min(RATE_WEEKS, keep - 1)].mean(axis=0) / (clock.knots[min(RATE_WEEKS, keep - 1)] / 7)
    by_product = rate[:, None].astype(np.float64) * matrix
    for bulk in dict.fromkeys(node for node, _, _ in books.bulk):
        rows = [(node, each) for source, node, each in books.bulk if source == bulk]
        _through_bulk(need, Clock(clock.knots[:keep]), books, bulk, rows)
        for node, each in rows:
            by_product[:, node] += by_product[:, bulk] * each
    return need, by_product


def _earlier(net: Singles, clock: Clock, rest: Sequence[int], keep: int) -> Singles:
    """Each product's need as many days earlier as it rests before it is sold, at the first knots."""
    moved = np.ascontiguousarray(net[:, :keep])
    for days in sorted({rest[product] for product in range(net.shape[2])} - {0}) if rest else ():
        some = [product for product in range(net.shape[2]) if rest[product] == days]
        shifted = net[:, :, some]
        for knot in range(keep):
            moved[:, knot, some] = clock.at(shifted, float(clock.knots[knot] + days))
    return moved


def _through_bulk(need: Singles, clock: Clock, books: Books, bulk: int, rows: Sequence[tuple[int, float]]) -> None:
    """Bulk stock first; what it does not serve is made, of what goes into it."""
    mine = need[:, :, bulk]
    _plan(mine[:, :, None], clock, [(0, day, quantity) for node, day, quantity in books.planned if node == bulk])
    rest = beyond(mine, given(mine, clock, books.lots.get(bulk, ()))[0])
    for node, each in rows:
        need[:, :, node] += np.float32(each) * rest


def _plan(need: Singles, clock: Clock, planned: Sequence[tuple[int, int, float]]) -> None:
    """Add what is certainly taken on a day."""
    for node, day, quantity in planned:
        need[:, clock.knots > day, node] += np.float32(quantity)
        if day <= 0:
            need[:, 0, node] += np.float32(quantity)


def run_out(need: Singles, clock: Clock, got: Singles) -> Days:
    """The first day whose cumulative need is above what is given, (P, M); DAYS when it is none within sight."""
    bound = got + np.float32(EDGE) * np.maximum(got, 1.0)
    before = np.zeros(got.shape, np.int64)
    for knot in range(need.shape[1]):
        before += need[:, knot] <= bound
    place = np.clip(before, 1, need.shape[1] - 1)
    high = np.take_along_axis(need, place[:, None, :], 1)[:, 0]
    low = np.take_along_axis(need, place[:, None, :] - 1, 1)[:, 0]
    begin, end = clock.knots[place - 1], clock.knots[place]
    part = np.clip((bound - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    day = np.floor(begin + part * (end - begin) + 1e-4).astype(np.int64)
    day = np.where(before == 0, 0, day)
    return np.where((before == need.shape[1]) | (day >= DAYS), DAYS, day)


def cover(
    history: History, books: Books, extra: Sequence[tuple[int, str, int, float]] = (), seed: int = SEED, count: int = PATHS
) -> list[CoverOf]:
    """The cover of every node."""
    longest = max(books.rest, default=0)
    weeks = WEEKS + 1 + -(-longest // 7)
    total, clock, _ = demand(history, extra, weeks, seed, count)
    need, by_product = to_nodes(total, clock, books)
    clock = Clock(clock.knots[: need.shape[1]])
    bulk = {node for node, _, _ in books.bulk}
    _plan(need, clock, [one for one in books.planned if one[0] not in bulk])
    got, parts = np.zeros((count, books.nodes), np.float32), []
    for node in range(books.nodes):
        got[:, node], some = given(need[:, :, node], clock, books.lots.get(node, ()))
        parts.append(some)
    losses = [_losses(books.lots.get(node, ()), some) for node, some in enumerate(parts)]
    out = run_out(need, clock, got)
    resting = [node for node, lots in books.lots.items() if any(lot.first > 0 for lot in lots)]
    for node in resting:
        found = _coming(need[:, :, node], clock, books.lots[node])
        out[:, node] = np.minimum(found.run_out, DAYS)
        losses[node] = [float(loss) for loss in runout.expected_loss(found)]
    bands = _bands(need, clock, books, parts)
    ordered = np.sort(out, axis=0)
    return [_of_node(at, ordered[:, at], books, by_product[:, at], losses[at], bands[:, :, at]) for at in range(books.nodes)]


def _losses(lots: Sequence[Lot], parts: Sequence[Singles]) -> list[float]:
    """What each lot is expected to lose: what it does not give."""
    return [max(lot.quantity - float(part.mean(dtype=np.float64)), 0.0) for lot, part in zip(lots, parts, strict=True)]


def _coming(need: Singles, clock: Clock, lots: Sequence[Lot]) -> runout.Outcome:
    """Lots that still rest: day by day."""
    days = np.arange(1, DAYS + 1)
    place = np.clip(np.searchsorted(clock.knots, days, side="left"), 1, len(clock.knots) - 1)
    part = (days - clock.knots[place - 1]) / (clock.knots[place] - clock.knots[place - 1])
    daily = need[:, place - 1] + (need[:, place] - need[:, place - 1]) * part.astype(np.float32)
    return runout.run_out(daily, [runout.Lot(lot.quantity, lot.last, lot.first) for lot in lots])


def _bands(need: Singles, clock: Clock, books: Books, parts: Sequence[Sequence[Singles]]) -> Singles:
    """What is left at the end of each week on 10, 50 and 90 % of the paths, (3, W, M). `parts`: what each lot gives."""
    knots = [knot for knot in range(1, need.shape[1]) if clock.knots[knot] <= DAYS]
    held = np.zeros((len(knots), books.nodes), np.float32)
    eaten = np.zeros((len(need), len(knots), books.nodes), np.float32)  # by lots that expired by then
    for node, lots in books.lots.items():
        for lot, part in zip(lots, parts[node], strict=True):
            gone = next((n for n, knot in enumerate(knots) if lot.last is not None and lot.last < clock.knots[knot]), len(knots))
            held[:gone, node] += np.float32(lot.quantity)
            if gone < len(knots):
                eaten[:, gone:, node] += part[:, None]
    left = np.maximum(held - np.maximum(need[:, knots] - eaten, 0.0), 0.0)
    count = len(need)
    ordered = np.sort(left.reshape(count, -1).T, axis=1)  # rows of neighbours: sorted much faster than columns
    places = [min(int(share * count), count - 1) for share in BANDS]
    return np.ascontiguousarray(ordered[:, places].T).reshape(len(BANDS), len(knots), books.nodes)


def _of_node(
    node: int, ordered: Days, books: Books, by_product: Floats, losses: list[float], bands: Singles
) -> CoverOf:  # fmt: skip
    count = len(ordered)
    days = [int(ordered[min(max(int(np.ceil(share * count)) - 1, 0), count - 1)]) for share in BANDS]
    allowed = min(int(np.floor((1 - books.level[node]) * count + 1e-9)), count - 1)
    late = int(ordered[allowed])
    need = float(by_product.sum())
    most = [int(product) for product in np.argsort(-by_product)[:DRIVERS] if by_product[product] > 0]
    drivers = [(product, float(by_product[product] / need)) for product in most]
    return CoverOf(
        [None if day >= DAYS else day for day in days], None if late >= DAYS else late - books.lead[node], need, losses,
        bands.tolist(), drivers,
    )  # fmt: skip
