"""How long all stock lasts, finished products too: what the alerts ask of the forecast every day, with demand drawn once."""

from collections.abc import Sequence

import numpy as np

from service.core.cover import cover
from service.core.cover.cover import DAYS, RATE_WEEKS, Singles
from service.core.cover.sampled import Clock, demand
from service.core.demand.planning import PATHS, SEED, Books, History, Lasting, Lot


def lasting(
    history: History, books: Books, level: float, seed: int = SEED, count: int = PATHS
) -> tuple[list[Lasting], list[Lasting]]:
    """Of every node, then of every product, the latter at this service level."""
    total, clock, _ = demand(history, (), cover.sight(books), seed, count)
    products = finished(total, clock, books, level)
    found = cover.of_nodes(total, clock, books)
    return [Lasting(one.surely, one.weekly_need, one.expiring, one.order_by) for one in found], products


def finished(total: Singles, clock: Clock, books: Books, level: float) -> list[Lasting]:
    """Each product's finished stock against its own demand, and that of the sets it is in beyond the sets that are there.

    Stock that still rests counts as there: what is resting is made already.
    """
    need = total.copy()
    for outer, inner, units in books.sets:
        need[:, :, inner] += np.float32(units) * cover.beyond(need[:, :, outer], _given(need, clock, books, outer)[0])
    return [_of(need[:, :, at], clock, books.finished.get(at, ()), level) for at in range(need.shape[2])]


def _given(need: Singles, clock: Clock, books: Books, product: int) -> tuple[Singles, list[Singles]]:
    return cover.given(need[:, :, product], clock, books.finished.get(product, ()))


def _of(need: Singles, clock: Clock, lots: Sequence[Lot], level: float) -> Lasting:
    """One product: `need` is cumulative, (P, K + 1)."""
    got, parts = cover.given(need, clock, lots)
    ordered = np.sort(cover.run_out(need[:, :, None], clock, got[:, None])[:, 0])
    late = int(ordered[min(int(np.floor((1 - level) * len(ordered) + 1e-9)), len(ordered) - 1)])
    knot = min(RATE_WEEKS, need.shape[1] - 1)
    weekly = float(need[:, knot].mean(dtype=np.float64) / (clock.knots[knot] / 7))
    losses = [max(lot.quantity - float(part.mean(dtype=np.float64)), 0.0) for lot, part in zip(lots, parts, strict=True)]
    return Lasting(None if late >= DAYS else late, weekly, losses)
