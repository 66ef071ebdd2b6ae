"""The day to order by under a lead time that varies, and how long stock lasts with what is on order, against plain loops."""

import numpy as np
import pytest

from service.core.buying.lead_times import LeadTime, learn
from service.core.cover import arriving, cover, sampled
from service.core.demand.planning import Books, Coming, History, Lot

SIGHT = cover.DAYS


def chance_out_before(run_out: list[int], day: int, lead: LeadTime) -> float:
    """Of running out before what is ordered on this day comes."""
    both = [chance for out in run_out for days, chance in zip(lead.days, lead.chances, strict=True) if out < day + days]
    return sum(both) / len(run_out)


@pytest.mark.parametrize("seed", range(12))
def test_order_by_is_the_latest_day_that_keeps_the_service_level(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lead = learn(float(rng.integers(1, 30)), rng.integers(1, 30, int(rng.integers(0, 9))).tolist())
    run_out = sorted(rng.integers(0, 100, 60).tolist())
    level = float(rng.choice([0.5, 0.8, 0.95]))
    day = arriving.order_by(np.array(run_out), (lead.days, lead.chances), level, SIGHT)
    assert day is not None
    assert chance_out_before(run_out, day, lead) <= 1 - level + 1e-6
    assert chance_out_before(run_out, day + 1, lead) > 1 - level


def test_a_lead_time_that_is_sure_is_simply_taken_off() -> None:
    run_out = np.arange(20, 120)
    assert arriving.order_by(run_out, ((14,), (1.0,)), 0.95, SIGHT) == 25 - 14
    assert arriving.order_by(run_out, ((40,), (1.0,)), 0.95, SIGHT) == 25 - 40
    assert arriving.order_by(np.full(100, SIGHT), ((14,), (1.0,)), 0.95, SIGHT) is None
    rare = np.concatenate([np.full(4, 10), np.full(96, SIGHT)])
    assert arriving.order_by(rare, ((14,), (1.0,)), 0.95, SIGHT) is None, "4 % are within the service level"


def test_what_is_not_there_yet_comes_later() -> None:
    lead = LeadTime((5, 10, 20), (0.5, 0.3, 0.2), 0.0)
    assert lead.after(0) == lead
    assert (lead.after(7).days, lead.after(7).chances) == ((3, 13), (pytest.approx(0.6), pytest.approx(0.4)))
    assert lead.after(10).days == (0, 10), "it may still come today"
    assert lead.after(21) == lead, "longer than anything known: as if it were ordered today"
    assert lead.moved(4).days == (9, 14, 24)
    assert lead.moved(-7).days == (0, 3, 13)


def simulated(daily: list[float], stock: float, last: int, orders: list[tuple[float, int, int | None]]) -> int:
    """The day one path runs out, first expired first out, day by day; `orders`: quantity, day it comes, days it keeps."""
    lots = [[stock, 0, last]] + [[quantity, day, SIGHT * 9 if life is None else day + life] for quantity, day, life in orders]
    for day, need in enumerate(daily):
        rest = need
        for one in sorted(lots, key=lambda lot: lot[2]):
            if one[1] <= day <= one[2]:
                taken = min(one[0], rest)
                one[0] -= taken
                rest -= taken
        if rest > 1e-3:
            return day
    return SIGHT


@pytest.mark.parametrize("seed", range(8))
def test_with_orders_as_a_plain_walk_through_the_days(seed: int) -> None:
    rng = np.random.default_rng(seed)
    paths, weeks = 40, 27
    clock = sampled.Clock.of(0, int(rng.integers(-6, 1)), weeks)
    steps = rng.gamma(1.5, 40, (paths, weeks + 1)) * np.diff(clock.knots, prepend=0)[: weeks + 1] / 7
    need = np.cumsum(steps, axis=1).astype(np.float32)
    need[:, 0] = 0
    last = int(rng.integers(20, 60))
    stock = float(rng.integers(200, 1500))
    some = [
        Coming(float(rng.integers(100, 900)), (8, 15, 40), (0.3, 0.5, 0.2), None if n else 70)
        for n in range(int(rng.integers(1, 4)))
    ]
    got = cover.given(need, clock, [Lot(stock, last)])[0]
    out = cover.run_out(need[:, :, None], clock, got[:, None])[:, 0]
    ends, position = arriving.with_orders(
        some, need, clock.knots, got, out, lambda bound: cover.run_out(need[:, :, None], clock, bound[:, None])[:, 0], 3
    )
    comes = [arriving.samples(one.days, one.chances, paths, 4 + n) for n, one in enumerate(some)]
    total = np.array([[clock.at(need, day)[path] for day in range(SIGHT + 1)] for path in range(paths)])
    daily = np.diff(total, axis=1)
    for path in range(paths):
        orders = [(one.quantity, int(comes[n][path]), one.life) for n, one in enumerate(some)]
        assert simulated(daily[path].tolist(), stock, last, orders) == ends[path]
    assert (position >= ends).all()
    assert (ends >= out).all()
    assert (ends > out).any(), "an order that comes in time helps"


def test_samples_are_the_same_for_a_lead_time_and_an_arrival() -> None:
    lead = learn(9, [4, 12])
    assert (lead.samples(500, 8) == arriving.samples(lead.days, lead.chances, 500, 8)).all()


def test_a_gap_that_no_order_closes_does_not_hurry_the_next_one() -> None:
    """100 units, 10 a day, last ten days; 200 more come on day 15. The stock is out on day 10; the next order is for day 30."""
    today = 740_000
    known = [(0, today + day, 10.0) for day in range(180)]
    history = History(today, products=1, series=[(0, "retail")], known=known)
    coming = {0: [Coming(200.0, (15,), (1.0,))]}
    books = Books(1, [(0, 0, 1.0)], rest=[0], lots={0: [Lot(100.0)]}, lead=[5], level=[0.95], coming=coming)
    (found,) = cover.cover(history, books)
    assert (found.runs_out[1], found.with_orders[1], found.order_by) == (10, 10, 25)
    books.coming = {0: [Coming(200.0, (9,), (1.0,))]}
    (found,) = cover.cover(history, books)
    assert (found.runs_out[1], found.with_orders[1], found.order_by) == (10, 30, 25)
    books.coming = {}
    (found,) = cover.cover(history, books)
    assert (found.with_orders, found.order_by) == (found.runs_out, 5)
