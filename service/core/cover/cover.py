"""How long stock lasts: every product's sample paths through finished stock, bulk stock and recipes to the materials' lots.

P paths, K + 1 knots in time (day 0, then the ends of weeks), N products, M nodes. Cumulative quantities are linear between knots,
so that all lots of a node have a closed form (as in runout): what lots 1..k give by the last day of lot k. Within the
week in which finished or bulk stock ends, what then has to be made is taken as even over that week.
"""

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from service.core.cover import arriving, runout
from service.core.cover.sampled import Clock, demand
from service.core.demand.planning import PATHS, SEED, WEEKS, Books, CoverOf, History, Lot

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Days = NDArray[np.int64]
EDGE = 2e-6  # of the quantities, which are single floats here
BANDS = (0.1, 0.5, 0.9)
DAYS = 7 * WEEKS
DRIVERS = 5
RATE_WEEKS = 13  # weeks whose mean is the weekly need


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
    keep = int(np.searchsorted(clock.knots, DAYS)) + 1
    usual = min(RATE_WEEKS, keep - 1)
    gross = total[:, usual].mean(axis=0)
    for outer, inner, units in books.sets:
        gross[inner] += np.float32(units) * gross[outer]
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
    need = np.matmul(_earlier(net, clock, books.rest, keep), matrix)
    by_product = (gross / (clock.knots[usual] / 7))[:, None].astype(np.float64) * matrix
    for bulk in dict.fromkeys(node for node, _, _ in books.bulk):
        rows = [(node, each) for source, node, each in books.bulk if source == bulk]
        _through_bulk(need, Clock(clock.knots[:keep]), books, bulk, rows)
        for node, each in rows:
            by_product[:, node] += by_product[:, bulk] * each
    return need, by_product


def _earlier(net: Singles, clock: Clock, rest: Sequence[int], keep: int) -> Singles:
    """Each product's need as many days earlier as it rests before it is sold, at the first knots."""
    resting = sorted({rest[product] for product in range(net.shape[2])} - {0}) if rest else []
    moved = net[:, :keep].copy() if resting else net[:, :keep]
    for days in resting:
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
    total, clock, _ = demand(history, extra, sight(books), seed, count)
    return of_nodes(total, clock, books, seed)


def sight(books: Books) -> int:
    """Weeks of demand that the cover needs: what rests is made before it is sold."""
    return WEEKS + 1 + -(-max(books.rest, default=0) // 7)


def of_nodes(total: Singles, clock: Clock, books: Books, seed: int = SEED) -> list[CoverOf]:
    """The cover of every node from the cumulative demand of every product, which is used up by it."""
    need, clock, by_product = _needed(total, clock, books)
    count = len(need)
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
    ends, positions = out, out
    if books.coming:
        ends, positions = out.copy(), out.copy()
        for node, orders in books.coming.items():
            mine = np.ascontiguousarray(need[:, :, node])
            lasts = partial(_lasts, mine, clock)
            ends[:, node], positions[:, node] = arriving.with_orders(
                orders, mine, clock.knots, got[:, node], out[:, node], lasts, seed
            )
    ordered, ends, positions = np.sort(out, axis=0), np.sort(ends, axis=0), np.sort(positions, axis=0)
    return [
        _of_node(at, (ordered[:, at], ends[:, at], positions[:, at]), books, by_product[:, at], losses[at], bands[:, :, at])
        for at in range(books.nodes)
    ]


def needs(history: History, books: Books, seed: int = SEED, count: int = PATHS) -> tuple[Singles, Clock]:
    """Cumulative need of every node from today along the sample paths (P, K + 1, M), and its knots."""
    total, clock, _ = demand(history, (), sight(books), seed, count)
    return _needed(total, clock, books)[:2]


def _needed(total: Singles, clock: Clock, books: Books) -> tuple[Singles, Clock, Floats]:
    """Cumulative need of every node, plans included, its knots, and each node's weekly need by product."""
    need, by_product = to_nodes(total, clock, books)
    clock = Clock(clock.knots[: need.shape[1]])
    bulk = {node for node, _, _ in books.bulk}
    _plan(need, clock, [one for one in books.planned if one[0] not in bulk])
    return need, clock, by_product


def _lasts(need: Singles, clock: Clock, given_: Singles) -> Days:
    """The day to which so much lasts on each path of one node."""
    return run_out(need[:, :, None], clock, given_[:, None])[:, 0]


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
    left = np.ascontiguousarray(need[:, knots].T)  # a node's weeks together, paths as neighbours: eaten and sorted much faster
    for node in range(books.nodes):
        mine, held = left[node], np.zeros((len(knots), 1), np.float32)
        for lot, part in zip(books.lots.get(node, ()), parts[node], strict=True):
            gone = next((n for n, knot in enumerate(knots) if lot.last is not None and lot.last < clock.knots[knot]), len(knots))
            held[:gone] += np.float32(lot.quantity)
            mine[gone:] -= part  # eaten by then, and expired
        np.subtract(held, np.maximum(mine, 0.0, out=mine), out=mine)
        np.maximum(mine, 0.0, out=mine)
    left.sort(axis=2)
    places = [min(int(share * len(need)), len(need) - 1) for share in BANDS]
    return np.ascontiguousarray(left[:, :, places].T)


def _of_node(
    node: int, days: tuple[Days, Days, Days], books: Books, by_product: Floats, losses: list[float], bands: Singles
) -> CoverOf:  # fmt: skip
    """`days` it runs out, ascending: with what is there, with what is on order, and as if that came in time."""
    lead = books.leads.get(node, ((books.lead[node],), (1.0,)))
    order_by = arriving.order_by(days[2], lead, books.level[node], DAYS)
    need = float(by_product.sum())
    most = [int(product) for product in np.argsort(-by_product)[:DRIVERS] if by_product[product] > 0]
    drivers = [(product, float(by_product[product] / need)) for product in most]
    surely = arriving.order_by(days[0], ((0,), (1.0,)), books.level[node], DAYS)
    return CoverOf(_banded(days[0]), order_by, need, losses, bands.tolist(), drivers, _banded(days[1]), surely)


def _banded(ordered: Days) -> list[int | None]:
    """Early, likely, late; None beyond sight."""
    count = len(ordered)
    found = [int(ordered[min(max(int(np.ceil(share * count)) - 1, 0), count - 1)]) for share in BANDS]
    return [None if day >= DAYS else day for day in found]
