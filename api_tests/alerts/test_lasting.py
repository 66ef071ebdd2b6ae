"""How long finished stock lasts, against plain loops over days and units."""

from datetime import date

import numpy as np
import pytest
from conftest import SOAK

from service.core.cover import cover, lasting
from service.core.cover.cover import DAYS
from service.core.cover.sampled import Clock
from service.core.demand.planning import Books, Coming, History, Lot

TODAY = date(2026, 11, 23).toordinal()  # a Monday, so that every week is whole
WEEKS = 27
Lots = dict[int, list[Lot]]


def plain(daily: list[list[float]], lots: Lots, sets: list[tuple[int, int, float]]) -> tuple[list[int], dict[int, list[float]]]:
    """One path, sets before what is inside: the day each product first lacks something (DAYS: never), and what lots give."""
    left = {product: [lot.quantity for lot in some] for product, some in lots.items()}
    out = [DAYS] * len(daily[0])
    for day, wanted in enumerate(daily):
        need = list(wanted)
        for product in (2, 0, 1):  # the set before what it holds
            rest = need[product]
            some = sorted(range(len(lots.get(product, []))), key=lambda at: (lots[product][at].last or 10**6, at))
            for at in some:
                if lots[product][at].last is None or day <= lots[product][at].last:  # type: ignore[operator]
                    taken = min(rest, left[product][at])
                    left[product][at] -= taken
                    rest -= taken
            if rest > 1e-4 and out[product] == DAYS and day < DAYS:
                out[product] = day
            if product == 2:
                for _, inner, units in sets:
                    need[inner] += units * rest
    given = {
        product: [lot.quantity - rest for lot, rest in zip(some, left[product], strict=True)] for product, some in lots.items()
    }
    return out, given


@pytest.mark.parametrize("seed", range(40 if SOAK else 5))
def test_finished_stock_lasts_as_long_as_plain_loops_say(seed: int) -> None:
    dice = np.random.default_rng(seed)
    count = 20
    sets = [(2, 0, 2.0), (2, 1, 1.0)]
    lots = {
        product: [
            Lot(float(dice.integers(1, 120)), int(dice.integers(5, 170)) if dice.random() < 0.7 else None) for _ in range(2)
        ]
        for product in range(3)
    }
    books = Books(0, rest=[0, 28, 0], sets=sets, finished=lots)
    clock = Clock.of(TODAY, TODAY, WEEKS + 4)
    weekly = dice.poisson((6, 2, 1), (count, WEEKS + 4, 3)).astype(np.float32)
    total = np.concatenate([np.zeros((count, 1, 3), np.float32), np.cumsum(weekly, axis=1)], axis=1)
    found = lasting.finished(total.copy(), clock, books, 0.9)
    paths = [plain([[float(w) / 7 for w in week] for week in path for _ in range(7)], lots, sets) for path in weekly]
    for product in range(3):
        days = sorted(out[product] for out, _ in paths)
        late = days[2]  # at most a tenth of twenty may run out before
        got = DAYS if found[product].runs_out is None else found[product].runs_out
        assert got is not None
        assert abs(got - late) <= 1, (product, got, days)
        # the whole sight, beyond which no lot's last day counts
        lost = [lot.quantity - np.mean([given[product][at] for _, given in paths]) for at, lot in enumerate(lots[product])]
        for at, lot in enumerate(lots[product]):
            if lot.last is not None:
                assert found[product].expiring[at] == pytest.approx(lost[at], abs=0.05), (product, at)


def test_nodes_last_as_the_cover_says() -> None:
    made = History(TODAY, 0, 1, [(0, "retail")])
    for back in range(1, 30):
        made.at.append(0)
        made.day.append(TODAY - 7 * back + 3)
        made.units.append(float(5 + back % 3))
    books = Books(2, goes=[(0, 0, 40.0), (0, 1, 1.0)], rest=[0], finished={0: [Lot(20.0, 60)]})
    books.lots = {0: [Lot(3_000.0, 30), Lot(900.0)], 1: [Lot(90.0)]}
    books.lead, books.level = [14, 3], [0.95, 0.9]
    nodes, products = lasting.lasting(made, books, 0.95)
    for one, node, lead in zip(cover.cover(made, books), nodes, books.lead, strict=True):
        assert node.runs_out is not None
        assert one.order_by == node.order_by == node.runs_out - lead  # nothing is on order, and the days it takes are sure
        assert (one.weekly_need, one.expiring) == (node.weekly_need, node.expiring)
    books.coming = {1: [Coming(25.0, (5,), (1.0,))]}
    books.leads = {0: ((10, 20), (0.96, 0.04))}
    late, ordered = lasting.lasting(made, books, 0.95)[0]
    assert (late.runs_out, ordered.runs_out) == (nodes[0].runs_out, nodes[1].runs_out), "of what is there"
    assert late.order_by is not None
    assert nodes[0].runs_out - 20 < late.order_by < nodes[0].runs_out - 10, "one delivery in 25 takes ten days more"
    assert nodes[1].order_by is not None
    assert ordered.order_by is not None
    assert 21 <= ordered.order_by - nodes[1].order_by <= 35, "25 more at five to seven a week"
    assert 5 <= products[0].weekly_need <= 7
    assert products[0].runs_out is not None
    assert 14 <= products[0].runs_out <= 28  # twenty units at five to seven a week, and on nineteen paths of twenty not before
