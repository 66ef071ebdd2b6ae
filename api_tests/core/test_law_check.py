"""Is there enough, how many, and when: against trying every number and every day."""

from collections.abc import Sequence
from datetime import date, timedelta
from fractions import Fraction

import naive
import pytest
from gaps import OPEN, minimal
from hypothesis import assume, given
from worlds import MATERIALS, PACKAGING, PRODUCTS, TODAY, many, workshops

from service.core.making import check
from service.core.making.check import Question, Stock
from service.core.making.needs import Catalogue, Made, Recipe, Want
from service.core.stock.draw import FOREVER, Shelf

ITEMS = (*MATERIALS, *PACKAGING)
World = tuple[Catalogue, Stock, Question]
OIL, TIN, CREAM, BASE, POT = 1, 11, 102, 101, 201
TRIED = 60  # units tried one by one


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


@many(70)
@given(workshops())
def test_enough_is_nothing_short(world: World) -> None:
    catalogue, stock, question = world
    for day in (TODAY, ahead(3)):
        got = check.on_day(catalogue, stock, question, day)
        expected = naive.short_on(stock, naive.needs_on(catalogue, stock, question, day), day, ITEMS)
        assert got.short == expected
        assert got.enough is (not expected)
        assert (got.ready_on is None) is bool(expected)
        for item in got.needs.materials:
            assert got.available[item] == naive.available(stock, item, day)


@many(60)
@given(workshops())
def test_the_limiting_material_has_the_least_of_what_it_needs(world: World) -> None:
    catalogue, stock, question = world
    got = check.on_day(catalogue, stock, question, TODAY)
    expected = naive.needs_on(catalogue, stock, question, TODAY)
    shares = {
        item: Fraction(naive.available(stock, item, TODAY), expected.material(item))
        for item in ITEMS
        if expected.material(item) and item not in stock.unstocked
    }
    limit = check.limiting(got, stock.unstocked)
    assert (limit is None) is (not shares)
    if limit is not None:
        assert shares[limit] == min(shares.values())


@minimal("limiting-by-float")
def test_the_limiting_material_is_exact() -> None:
    """Floats appear only in forecasts: two shares closer than a float can tell stay two."""
    recipes = {CREAM: Recipe(CREAM, ((OIL, 500_000), (2, 500_000)))}
    half = 200_000_000
    there = {item: [Shelf(item, f"lot-{item}", TODAY, FOREVER, half - lacking)] for item, lacking in ((OIL, 1), (2, 2))}
    assert _limit(recipes, there, 2 * half) == 2
    # n / (n + 1) against (n - 1) / n: told apart only by numbers that are not rounded
    uneven = {CREAM: Recipe(CREAM, ((OIL, 500_000), (2, 500_000))), BASE: Recipe(BASE, ((OIL, 1_000_000),))}
    there = {item: [Shelf(item, f"lot-{item}", TODAY, FOREVER, held)] for item, held in ((OIL, half), (2, half - 1))}
    assert _limit(uneven, there, 2 * half, 1) == 2


def _limit(recipes: dict[int, Recipe], lots: dict[int, list[Shelf]], batch: int, base: int = 0) -> int | None:
    asked = Question((Want(CREAM, batch), Want(BASE, base)), TODAY)
    return check.limiting(check.on_day(Catalogue(recipes, {}), Stock(lots, {}, frozenset()), asked, TODAY), frozenset())


@many(60)
@given(workshops(least_fill=8))
def test_makeable_units_are_the_most_of_all_that_were_tried(world: World) -> None:
    catalogue, stock, question = world
    for want in question.wants:
        if want.item not in catalogue.products:
            continue
        enough = []
        for units in range(TRIED + 1):
            alone = (Want(want.item, units),)
            expected = naive.needs_on(catalogue, stock, question, TODAY, alone)
            enough.append(not naive.short_on(stock, expected, TODAY, ITEMS))
        got = check.most_units(catalogue, stock, question, want.item, TODAY)
        most = max(units for units in range(TRIED + 1) if enough[units])
        assert got == most if most < TRIED else got >= TRIED


def test_makeable_units_reach_the_most_that_can_be_told() -> None:
    products = {POT: Made(POT, None, packaging=((TIN, 1),))}
    question = Question((Want(POT, 1),), TODAY)
    for held in (check.MOST_UNITS - 1, check.MOST_UNITS, check.MOST_UNITS + 5):
        stock = Stock({TIN: [Shelf(1, "lot-1", TODAY, FOREVER, held)]}, {}, frozenset())
        assert check.most_units(Catalogue({}, products), stock, question, POT, TODAY) == min(held, check.MOST_UNITS)


@many(120)
@given(workshops())
def test_the_making_day_is_the_latest_of_all_days_that_work(world: World) -> None:
    catalogue, stock, question = world
    if "rest-of-today" in OPEN:
        every = [ahead(days) for days in range(max(0, ((question.by or TODAY) - TODAY).days) + 1)]
        assume(len({naive.needs_on(catalogue, stock, question, day).rest_days() for day in every}) == 1)
    got = check.best_day(catalogue, stock, question)
    expected = naive.making_day(catalogue, stock, question, ITEMS)
    assert got.enough is (expected is not None)
    if expected is not None:
        assert got.day == expected
    elif question.by is None:
        assert got.day == TODAY


@many(60)
@given(workshops(claims=False))
def test_ready_is_when_the_last_of_it_is(world: World) -> None:
    catalogue, stock, question = world
    if "ready-by-unfit-lots" in OPEN:
        until = max(question.by or TODAY, TODAY)
        stock = Stock({item: _all_serve(item, lots, until) for item, lots in stock.lots.items()}, {}, stock.unstocked)
    got = check.best_day(catalogue, stock, question)
    assume(got.enough)
    assert got.ready_on == naive.ready(catalogue, stock, question, got.day)


def _all_serve(item: int, lots: Sequence[Shelf], until: date) -> list[Shelf]:
    """Of a product only lots that may serve on any day of the question."""
    plain = [lot for lot in lots if (lot.use_by, lot.status, lot.retest_on, lot.production) == (FOREVER, "released", None, True)]
    return [lot for lot in plain if (lot.ready_on or TODAY) <= until] if item in PRODUCTS else list(lots)


def lot(item: int, quantity: object, **fields: object) -> Shelf:
    made = {"id": item, "code": f"lot-{item}", "received_on": TODAY, "use_by": FOREVER, "quantity": quantity}
    return Shelf(**{**made, **fields})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("lots", "day"),
    [
        pytest.param([{}], 9, id="always there"),
        pytest.param([{"use_by": ahead(3)}], 3, id="its last usable day"),
        pytest.param([{"retest_on": ahead(3)}], 2, id="the day before its re-test"),
        pytest.param([{"use_by": ahead(3)}, {"use_by": ahead(5)}], 5, id="the later of two lots"),
        pytest.param([{"ready_on": ahead(4), "use_by": ahead(6)}], 6, id="ready on the way, gone before the end"),
        pytest.param([{"quantity": 60, "use_by": ahead(5)}, {"quantity": 60, "ready_on": ahead(4)}], 5, id="two at once"),
        pytest.param([{"quantity": 60, "use_by": ahead(3)}, {"quantity": 60, "ready_on": ahead(4)}], None, id="never at once"),
        pytest.param([{"quantity": 99}], None, id="never"),
    ],
)
def test_the_making_day_by_hand(lots: list[dict[str, object]], day: int | None) -> None:
    """100 mg of oil for a cream that rests 2 days, by day 11: day 9 at the latest; that day too where none will do."""
    stock = Stock({OIL: [lot(OIL, **{"quantity": 100, "id": at, **fields}) for at, fields in enumerate(lots)]}, {}, frozenset())
    catalogue = Catalogue({CREAM: Recipe(CREAM, ((OIL, 1_000_000),), rest_days=2)}, {})
    got = check.best_day(catalogue, stock, Question((Want(CREAM, 100),), TODAY, ahead(11)))
    assert got.enough is (day is not None)
    assert got.day == ahead(9 if day is None else day)
    assert got.ready_on == (None if day is None else ahead(day + 2))


@minimal("rest-of-today")
def test_bulk_that_becomes_ready_saves_its_rest() -> None:
    """Base rests 30 days, but a lot of it is ready on day 5: by day 20 the cream can be made from that."""
    recipes = {CREAM: Recipe(CREAM, ((BASE, 1_000_000),)), BASE: Recipe(BASE, ((OIL, 1_000_000),), rest_days=30)}
    stock = Stock({BASE: [lot(BASE, 100, ready_on=ahead(5))], OIL: [lot(OIL, 100)]}, {}, frozenset())
    got = check.best_day(Catalogue(recipes, {}), stock, Question((Want(CREAM, 100),), TODAY, ahead(20)))
    assert (got.day, got.ready_on, got.enough) == (ahead(20), ahead(20), True)


def test_bulk_rests_before_what_it_goes_into_does() -> None:
    """Base rests 7 days and goes into a cream that rests 3: made today it is ready on day 10; by day 12, made on day 2."""
    recipes = {CREAM: Recipe(CREAM, ((BASE, 1_000_000),), rest_days=3), BASE: Recipe(BASE, ((OIL, 1_000_000),), rest_days=7)}
    catalogue, stock = Catalogue(recipes, {}), Stock({OIL: [lot(OIL, 100)]}, {}, frozenset())
    for by, day, ready, enough in ((None, 0, 10, True), (12, 2, 12, True), (9, 0, 10, True)):
        got = check.best_day(catalogue, stock, Question((Want(CREAM, 100),), TODAY, None if by is None else ahead(by)))
        assert (got.day, got.ready_on, got.enough) == (ahead(day), ahead(ready), enough)


@minimal("rest-of-today")
def test_what_expires_on_the_way_brings_its_rest_back() -> None:
    """Pots on the shelf last to day 3; later ones would be made and rest 30 days, which is after the day asked for."""
    recipes = {CREAM: Recipe(CREAM, ((OIL, 1_000_000),), rest_days=30)}
    catalogue = Catalogue(recipes, {POT: Made(POT, CREAM, 10)})
    stock = Stock({POT: [lot(POT, 4, use_by=ahead(3))], OIL: [lot(OIL, 100)]}, {}, frozenset())
    got = check.best_day(catalogue, stock, Question((Want(POT, 4),), TODAY, ahead(20)))
    assert (got.day, got.ready_on, got.enough) == (ahead(3), ahead(3), True)


def test_claimed_pots_do_not_serve_twice() -> None:
    catalogue = Catalogue({}, {POT: Made(POT, packaging=((TIN, 1),))})
    stock = Stock({POT: [lot(POT, 5)], TIN: [lot(TIN, 1)]}, {POT: 3}, frozenset())
    got = check.on_day(catalogue, stock, Question((Want(POT, 4),), TODAY), TODAY)
    assert (dict(got.needs.from_finished), dict(got.needs.to_make), got.short) == ({POT: 2}, {POT: 2}, {TIN: 1})


@minimal("ready-by-unfit-lots")
def test_a_lot_that_may_not_serve_does_not_make_it_ready() -> None:
    """The cream must be made by day 3; of the pots the rejected do not count, those that serve are ready on day 10."""
    catalogue = Catalogue({CREAM: Recipe(CREAM, ((OIL, 1_000_000),))}, {POT: Made(POT, None, packaging=((TIN, 1),))})
    pots = [lot(POT, 9, status="rejected"), lot(POT, 4, id=2, ready_on=ahead(10))]
    stock = Stock({POT: pots, OIL: [lot(OIL, 100, use_by=ahead(3))]}, {}, frozenset())
    got = check.best_day(catalogue, stock, Question((Want(POT, 4), Want(CREAM, 100)), TODAY, ahead(15)))
    assert got.needs.from_finished == {POT: 4}
    assert (got.enough, got.day, got.ready_on) == (True, ahead(3), ahead(10))
