"""Law 6 as properties: which lots a quantity is drawn from, against taking it a milligram at a time."""

from collections import Counter
from datetime import date, timedelta

import naive
import pytest
from hypothesis import given
from hypothesis import strategies as st
from worlds import TODAY, changed, days, many, shelves

from service.core.stock import draw
from service.core.stock.draw import FOREVER, Shelf

NEXT, YESTERDAY = TODAY + timedelta(days=1), TODAY - timedelta(days=1)
PLAIN = Shelf(1, "lot-1", YESTERDAY, FOREVER, 10)


@st.composite
def asked(make: st.DrawFn) -> tuple[list[Shelf], int, date, list[tuple[int, int | None]], list[int]]:
    lots = make(shelves(st.integers(-3, 12)))
    ids = [lot.id for lot in lots]
    most = st.one_of(st.none(), st.integers(0, 15))
    named = make(st.lists(st.tuples(st.sampled_from(ids), most), max_size=3)) if ids else []
    without = make(st.lists(st.sampled_from(ids), max_size=1)) if ids else []
    return lots, make(st.integers(0, 40)), make(days(-2, 5)), named, without


@many(250)
@given(asked())
def test_a_draw_is_what_one_milligram_at_a_time_would_take(
    given_: tuple[list[Shelf], int, date, list[tuple[int, int | None]], list[int]],
) -> None:
    lots, quantity, day, named, without = given_
    got = draw.draw(lots, quantity, day, named, without)
    by_name, guessed, order, missing = naive.taken(lots, quantity, day, named, without)
    took: dict[str, Counter[int]] = {"named": Counter(), "assumed": Counter()}
    for take in got.takes:
        took[take.chosen][take.lot_id] += take.quantity
    assert got.short == missing
    assert took["named"] == by_name
    assert took["assumed"] == guessed
    assert [take.lot_id for take in got.takes if take.chosen == "assumed"] == order
    assert [take.lot_id for take in got.takes if take.chosen == "named"] == [lot_id for lot_id, _ in named]
    assert sum(take.quantity for take in got.takes) + got.short == quantity


@many(120)
@given(asked(), st.randoms(use_true_random=False))
def test_the_order_lots_are_handed_over_in_does_not_matter(
    given_: tuple[list[Shelf], int, date, list[tuple[int, int | None]], list[int]], random: "object"
) -> None:
    lots, quantity, day, named, without = given_
    mixed = list(lots)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert draw.draw(mixed, quantity, day, named, without) == draw.draw(lots, quantity, day, named, without)


@pytest.mark.parametrize(
    ("lot", "serves", "state"),
    [
        pytest.param({}, True, "usable", id="plain"),
        pytest.param({"use_by": TODAY}, True, "usable", id="its last usable day"),
        pytest.param({"use_by": YESTERDAY}, False, "expired", id="the day after"),
        pytest.param({"retest_on": NEXT}, True, "usable", id="the day before its re-test"),
        pytest.param({"retest_on": TODAY}, False, "expired", id="its re-test day"),
        pytest.param({"ready_on": TODAY}, True, "usable", id="ready today"),
        pytest.param({"ready_on": NEXT}, False, "resting", id="resting"),
        pytest.param({"status": "quarantined"}, False, "quarantined", id="quarantined"),
        pytest.param({"status": "rejected"}, False, "rejected", id="rejected"),
        pytest.param({"status": "quarantined", "use_by": YESTERDAY}, False, "quarantined", id="quarantined before expired"),
        pytest.param({"use_by": YESTERDAY, "ready_on": NEXT}, False, "expired", id="expired before resting"),
        pytest.param({"production": False}, False, "set_apart", id="in a place without production"),
        pytest.param({"received_on": TODAY}, True, "usable", id="came today"),
        pytest.param({"received_on": NEXT}, False, "usable", id="comes tomorrow"),
    ],
)
def test_the_edges_of_what_production_draws(lot: dict[str, object], serves: bool, state: str) -> None:
    there = changed(PLAIN, **lot)
    got = draw.draw([there], 4, TODAY)
    assert [(take.quantity, take.chosen) for take in got.takes] == ([(4, "assumed")] if serves else [])
    assert got.short == (0 if serves else 4)
    assert draw.drawable(there, TODAY) is serves
    assert draw.state(there, TODAY) == state
    assert bool(draw.why_not(there, TODAY)) is not serves


def test_a_named_lot_is_taken_whatever_its_state_and_the_rest_is_drawn() -> None:
    """A named lot that proves too small gives what it has; the rest is drawn at once like any other."""
    old = changed(PLAIN, id=2, code="lot-2", use_by=YESTERDAY, quantity=3)
    got = draw.draw([PLAIN, old], 8, TODAY, [(2, None)])
    assert got.takes == (draw.Take(2, 3, "named"), draw.Take(1, 5, "assumed"))
    empty = changed(old, quantity=0)
    assert draw.draw([empty], 2, TODAY, [(2, 2)]) == draw.Drawn((draw.Take(2, 0, "named"),), 2)  # it stays linked


def test_dates_then_receipt_then_code_decide() -> None:
    late = changed(PLAIN, id=1, code="a", use_by=FOREVER, received_on=TODAY - timedelta(days=90))
    newer = changed(PLAIN, id=2, code="a-1", use_by=NEXT, received_on=TODAY)
    twin = changed(PLAIN, id=3, code="b", use_by=NEXT, received_on=YESTERDAY)
    first = changed(PLAIN, id=4, code="a", use_by=NEXT, received_on=YESTERDAY)
    got = draw.draw([late, newer, twin, first], 40, TODAY)
    assert [take.lot_id for take in got.takes] == [4, 3, 2, 1]


@many(120)
@given(st.one_of(st.none(), days(-5, 20)), st.one_of(st.none(), days(-5, 5)), st.one_of(st.none(), st.integers(0, 10)))
def test_the_last_usable_day_is_the_earlier_of_expiry_and_opened_life(
    expires: date | None, opened: date | None, life: int | None
) -> None:
    got = draw.last_usable_day(expires, opened, life)
    opened_until = opened + timedelta(days=life) if opened is not None and life is not None else None
    ends = [day for day in (expires, opened_until) if day is not None]
    assert got in (ends or [FOREVER])
    assert all(got <= day for day in ends)


@many(120)
@given(shelves(st.integers(0, 12)), st.integers(0, 40), days(-2, 4))
def test_what_a_count_takes_it_takes_from_unusable_lots_too(lots: list[Shelf], quantity: int, day: date) -> None:
    """Law 13: from lots received by that day in law 6's order, unusable ones too."""
    there = [changed(lot, status="released", retest_on=None, ready_on=None, production=True) for lot in lots]
    ever = [changed(lot, received_on=lot.received_on) for lot in there if lot.received_on <= day]
    got = draw.take_all_states(lots, quantity, day)
    assert got.short == max(0, quantity - sum(lot.quantity for lot in ever))
    left = quantity
    expected = []
    for lot in sorted(ever, key=lambda one: (one.use_by.isoformat(), one.received_on.isoformat(), one.code)):
        if min(left, lot.quantity):
            expected.append((lot.id, min(left, lot.quantity)))
            left -= min(left, lot.quantity)
    assert [(take.lot_id, take.quantity) for take in got.takes] == expected


@many(120)
@given(shelves(st.integers(0, 12)), days(-2, 4))
def test_a_gain_falls_on_the_newest_usable_lot_else_the_newest(lots: list[Shelf], day: date) -> None:
    got = draw.newest_usable(lots, day)
    there = [lot for lot in lots if lot.received_on <= day]
    among = [lot for lot in there if naive.fit(lot, day)] or there
    if not among:
        assert got is None
        return
    assert got in among
    assert all(lot.received_on <= got.received_on for lot in among)
