"""Which open orders may not go out in time: against the claims, and by hand."""

from datetime import timedelta
from random import Random

import pytest
from conftest import SOAK
from orders.test_claims_core import BULK, OIL, SALVE, SHEA, TIN, TODAY, some_books

from service.core.making import claims
from service.core.making.at_risk import Outlook, outlooks
from service.core.making.claims import Books, Order, Plan
from service.core.making.needs import Catalogue, Made, Recipe
from service.core.stock.draw import Shelf

CURED = Catalogue(
    {BULK: Recipe(BULK, ((SHEA, 600_000), (OIL, 400_000)), rest_days=28)}, {SALVE: Made(SALVE, BULK, 100_000, ((TIN, 1),))}
)
LATER = {SHEA: TODAY + timedelta(14), OIL: TODAY + timedelta(14), TIN: TODAY + timedelta(5)}


def lot(item: int, quantity: int) -> Shelf:
    return Shelf(1000 + item, f"L{item}", TODAY - timedelta(9), TODAY + timedelta(900), quantity)


def there(shea: int, oil: int, tins: int) -> dict[int, list[Shelf]]:
    return {item: [lot(item, some)] for item, some in ((SHEA, shea), (OIL, oil), (TIN, tins)) if some}


def found(books: Books) -> dict[str, Outlook]:
    return {one.order.reference: one for one in outlooks(books, claims.claimed(books), LATER)}


def order(n: int, units: int, days: int, transit: int = 0) -> Order:
    return Order(n, f"O{n}", TODAY, TODAY + timedelta(days), {SALVE: units}, transit)


@pytest.mark.parametrize("seed", range(3000 if SOAK else 300))
def test_the_orders_that_lack_something_are_those_that_claims_say_are_short(seed: int) -> None:
    chance = Random(seed)
    books = some_books(chance)
    lots = dict(books.lots) | there(*(chance.randrange(3) * 400_000 for _ in range(2)), chance.randrange(30))
    books = Books(books.plans, books.orders, TODAY, books.catalogue, lots)
    claimed = claims.claimed(books)
    short = {one.reference for one in claims.orders_short(books, claimed)}
    told = outlooks(books, claimed, LATER)
    assert [one.order for one in told] == sorted((o for o in books.orders if o.due_on is not None), key=lambda o: o.turn)
    for one in told:
        assert all(quantity > 0 for quantity in one.short.values())
        assert one.ready_on >= TODAY
        served_by_plans = sum(claimed.planned[one.order.order_id].values())
        lacks = any(one.short.values())
        assert lacks or one.order.reference not in short
        if not served_by_plans:
            assert lacks == (one.order.reference in short)


def test_what_is_still_to_be_made_is_ready_after_its_rest() -> None:
    one = found(Books((), [order(1, 10, 40, transit=3)], TODAY, CURED, there(10**7, 10**7, 100)))["O1"]
    assert (one.short, one.to_make) == ({}, True)
    assert (one.ready_on, one.leave_on) == (TODAY + timedelta(28), TODAY + timedelta(37))


def test_what_is_missing_comes_before_it_can_be_made() -> None:
    books = Books((), [order(1, 10, 40), order(2, 10, 50)], TODAY, CURED, there(10**7, 10**7, 14))
    told = found(books)
    assert (told["O1"].short, told["O1"].ready_on) == ({}, TODAY + timedelta(28))
    assert (told["O2"].short, told["O2"].ready_on) == ({TIN: 6}, TODAY + timedelta(5 + 28))  # the later order lacks


def test_a_planned_run_serves_its_order_unless_it_lacks_or_its_day_has_passed() -> None:
    needs = {SHEA: 600_000, OIL: 400_000, TIN: 10}

    def told(days: int, tins: int) -> Outlook:
        plan = Plan(7, "B7", TODAY + timedelta(days), needs, {SALVE: 10}, 1)
        return found(Books([plan], [order(1, 10, 40)], TODAY, CURED, there(10**7, 10**7, tins)))["O1"]

    planned = told(4, 10)
    assert (planned.short, planned.to_make, planned.ready_on) == ({}, False, TODAY + timedelta(4 + 28))
    lacks = told(4, 7)
    assert (lacks.short, lacks.ready_on) == ({TIN: 3}, TODAY + timedelta(5 + 28))
    missed = told(-2, 10)
    assert (missed.to_make, missed.ready_on) == (True, TODAY + timedelta(28))


def test_finished_units_can_go_today() -> None:
    finished = {SALVE: [Shelf(5, "L5", TODAY - timedelta(40), TODAY + timedelta(300), 10)]}
    one = found(Books((), [order(1, 10, -3)], TODAY, CURED, finished))["O1"]
    assert (one.short, one.to_make, one.ready_on, one.leave_on) == ({}, False, TODAY, TODAY - timedelta(3))
