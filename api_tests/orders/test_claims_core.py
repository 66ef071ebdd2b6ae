"""Law 14 as a property: nothing is claimed twice, whatever is open; and served by due date."""

from collections import Counter
from datetime import date, timedelta
from random import Random

import pytest
from conftest import SOAK

from service.core.making import claims
from service.core.making.claims import Books, Order, Plan
from service.core.making.needs import Catalogue, Made, Recipe
from service.core.stock.draw import Shelf

TODAY = date(2027, 3, 1)
SHEA, OIL, TIN, BULK, SALVE, BOX = range(1, 7)
CATALOGUE = Catalogue(
    {BULK: Recipe(BULK, ((SHEA, 600_000), (OIL, 400_000)))},
    {SALVE: Made(SALVE, BULK, 100_000, ((TIN, 1),)), BOX: Made(BOX, None, 0, ((TIN, 2),), ((SALVE, 2),))},
)


def some_books(chance: Random) -> Books:
    """Plans of salve, boxes and bulk, orders of salve and boxes, lots in every condition."""
    lots: dict[int, list[Shelf]] = {}
    for n in range(chance.randrange(8)):
        item = chance.choice((SALVE, SALVE, BOX, BULK))
        quantity = chance.randrange(1, 9) * (100_000 if item == BULK else 1)
        use_by, ready = TODAY + timedelta(chance.choice((-1, 5, 90, 300))), chance.choice((None, TODAY + timedelta(10)))
        status = chance.choice(("released", "released", "released", "quarantined"))
        lots.setdefault(item, []).append(
            Shelf(100 + n, f"L{n}", TODAY - timedelta(20), use_by, quantity, status, None, ready, chance.random() < 0.8)
        )
    plans = []
    for n in range(chance.randrange(4)):
        units = chance.randrange(1, 12)
        kind = chance.randrange(3)
        needs = {SHEA: 60_000 * units, OIL: 40_000 * units, **({} if kind == 2 else {TIN: units})}
        needs, makes = ({SALVE: 2 * units, TIN: 2 * units}, {BOX: units}) if kind == 1 else (
            needs, {SALVE: units} if kind == 0 else {BULK: 100_000 * units}
        )  # fmt: skip
        plans.append(Plan(n, f"B{n}", TODAY + timedelta(chance.randrange(9)), needs, makes, chance.choice((None, 0, 1))))
    orders = []
    for n in range(chance.randrange(1, 5)):
        due = chance.choice((None, TODAY + timedelta(chance.randrange(-3, 40))))
        wants = {item: chance.randrange(1, 9) for item in chance.sample((SALVE, BOX), chance.choice((1, 2)))}
        orders.append(Order(n, f"O{n}", TODAY, due, wants, chance.choice((0, 3)), chance.choice((0, 60))))
    return Books(plans, orders, TODAY, CATALOGUE, lots)


@pytest.mark.parametrize("seed", range(3000 if SOAK else 300))
def test_every_unit_is_served_once_and_no_stock_twice(seed: int) -> None:
    books = some_books(Random(seed))
    found = claims.claimed(books)
    planned = claims.by_item(books.plans)
    given: Counter[int] = Counter()
    for order in books.orders:
        served = sum(found.finished[order.order_id].values()) + sum(found.planned[order.order_id].values())
        assert served + sum(found.to_make[order.order_id].values()) == sum(order.wants.values())
        given.update(found.planned[order.order_id])
    for plan in books.plans:
        assert given[plan.run_id] <= sum(units for item, units in plan.makes.items() if item != BULK)
    for item in (SALVE, BOX):
        there = sum(lot.quantity for lot in books.lots.get(item, ()))
        assert sum(found.finished[order.order_id][item] for order in books.orders) <= there
        assert found.by_item[item] - planned.get(item, 0) <= there
    for item, claimed in found.by_item.items():
        assert claimed >= planned.get(item, 0)
        assert 0 <= found.of_production[item] <= claimed


@pytest.mark.parametrize("seed", range(3000 if SOAK else 300))
def test_materials_are_claimed_only_for_what_nothing_else_covers(seed: int) -> None:
    """All salve that is claimed, planned or to be made, by hand: tins tell how many units still have to be filled."""
    books = some_books(Random(seed))
    found = claims.claimed(books)
    to_make = sum(found.to_make.values(), Counter())
    tins = found.by_item[TIN] - claims.by_item(books.plans).get(TIN, 0)
    inside = 2 * to_make[BOX]
    assert 2 * to_make[BOX] + to_make[SALVE] <= tins <= 2 * to_make[BOX] + to_make[SALVE] + inside
    shea = found.by_item[SHEA] - claims.by_item(books.plans).get(SHEA, 0)
    oil = found.by_item[OIL] - claims.by_item(books.plans).get(OIL, 0)
    assert shea * 2 == oil * 3
    assert shea <= 60_000 * (tins - 2 * to_make[BOX])


@pytest.mark.parametrize("seed", range(1000 if SOAK else 100))
def test_an_order_that_is_left_out_frees_what_it_claimed_and_harms_no_other(seed: int) -> None:
    books = some_books(Random(seed))
    found, first = claims.claimed(books), books.orders[0].order_id
    serving = found.planned[first].keys()
    others = claims.claimed(books.without(first, serving))
    kept = [plan for plan in books.plans if plan.run_id not in serving and plan.order_id != first]
    assert others.by_item == claims.claimed(Books(kept, books.orders[1:], TODAY, CATALOGUE, books.lots)).by_item
    fewer = claims.claimed(books.without(first))
    if not any(plan.order_id == first for plan in books.plans):
        assert all(
            sum(fewer.to_make[one.order_id].values()) <= sum(found.to_make[one.order_id].values()) for one in books.orders[1:]
        )


def test_the_order_that_is_due_first_is_served_first() -> None:
    lot = Shelf(1, "L1", TODAY, date(2028, 1, 1), 5)
    due = [Order(n, f"O{n}", TODAY, day, {SALVE: 3}) for n, day in enumerate((None, date(2027, 5, 1), date(2027, 4, 1)))]
    found = claims.claimed(Books([], due, TODAY, CATALOGUE, {SALVE: [lot]}))
    assert [found.finished[n][SALVE] for n in range(3)] == [0, 2, 3]
    assert [found.to_make[n][SALVE] for n in range(3)] == [3, 1, 0]
    assert found.by_item == Counter({SALVE: 5, SHEA: 240_000, OIL: 160_000, TIN: 4})


def test_the_orders_that_are_short_are_told_in_turn() -> None:
    shelves = {SHEA: [Shelf(1, "S", TODAY, date(2028, 1, 1), 300_000)], OIL: [Shelf(2, "O", TODAY, date(2028, 1, 1), 10**9)],
               TIN: [Shelf(3, "T", TODAY, date(2028, 1, 1), 100)]}  # fmt: skip
    orders = [Order(n, f"O{n}", TODAY, TODAY + timedelta(n), {SALVE: units}) for n, units in enumerate((3, 2, 1))]
    for taken, expected in ((0, ["O2"]), (60_000, ["O1", "O2"]), (200_000, ["O0", "O1", "O2"])):
        plans = [Plan(9, "B", None, {SHEA: taken})]
        books = Books(plans, orders, TODAY, CATALOGUE, shelves)
        assert [one.reference for one in claims.orders_short(books, claims.claimed(books))] == expected
        assert claims.orders_short(books, claims.claimed(books), {TIN}) == []
    enough = Books([], orders[:2], TODAY, CATALOGUE, shelves)
    assert claims.orders_short(enough, claims.claimed(enough)) == []
