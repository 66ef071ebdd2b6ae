"""From orders to entries: lines of a product added up, days goods left, and what is huge, as plainly counted."""

import random
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby
from typing import NamedTuple

from service.core.demand.entries import Entries, Lines, Orders, Past, entries
from service.core.demand.huge import Sizes, outliers, usual_most

MONDAY = date(2026, 3, 2)
PRODUCTS = (907, 31, 2_000_000_000_000_000_000)


class Line(NamedTuple):
    """A line of an order, with what is known of the order."""

    order: int
    channel: str
    day: date
    transit: int
    product: int
    units: int


def past(lines: list[Line], known: set[int] | None = None) -> Past:
    """As the books tell it; of orders that are not `known`, the lines alone."""
    told = sorted({(line.channel, line.day, line.transit, line.order) for line in lines if known is None or line.order in known})
    orders = [Orders(*by, ",".join(str(one[3]) for one in some)) for by, some in groupby(told, key=lambda one: one[:3])]
    columns = [(line.order, line.product, line.units) for line in lines]
    texts = [",".join(str(row[at]) for row in columns) for at in range(3)]
    return Past(orders, Lines(*texts), PRODUCTS, MONDAY.toordinal())


def plainly(told: Entries) -> list[tuple[int, int, str, date, float]]:
    """Order, product, channel, day, units."""
    found = []
    for of, at, day, units in zip(told.of, told.at, told.day, told.units, strict=True):
        product, channel = told.series[at]
        assert (channel, day) == (told.channels[of], told.left[of])
        found.append((int(told.orders[of]), PRODUCTS[product], channel, date.fromordinal(day), units))
    return sorted(found)


def some_lines(seed: int) -> list[Line]:
    dice = random.Random(seed)
    found = []
    for order in dice.sample(range(10**18, 2 * 10**18), 60):
        channel, day = dice.choice(("retail", "wholesale", "market")), MONDAY - timedelta(days=dice.randint(-20, 90))
        transit = dice.choice((0, 0, 3, 14))
        found += [
            Line(order, channel, day, transit, dice.choice(PRODUCTS), dice.choice((1, 2, 3, 400 if dice.random() < 0.05 else 4)))
            for _ in range(dice.randint(1, 5))
        ]
    return found


def test_an_entry_is_all_that_an_order_asks_for_of_a_product() -> None:
    for seed in range(20):
        lines = some_lines(seed)
        sums: dict[tuple[int, int, str, date], float] = {}
        for line in lines:
            left = line.day - timedelta(days=line.transit)
            if left < MONDAY:
                key = line.order, line.product, line.channel, left
                sums[key] = sums.get(key, 0.0) + line.units
        told = entries(past(lines))
        assert plainly(told) == sorted((*key, units) for key, units in sums.items())
        assert told.series == sorted(set(told.series)), "series do not follow from the order of the lines"
        random.Random(seed).shuffle(lines)
        again = entries(past(lines))
        assert (again.series, plainly(again)) == (told.series, plainly(told))


def test_lines_of_orders_that_are_not_told_are_left_out() -> None:
    lines = some_lines(4)
    known = {line.order for line in lines[::2]}
    assert plainly(entries(past(lines, known))) == plainly(entries(past([line for line in lines if line.order in known])))


def test_without_orders_there_are_no_entries() -> None:
    told = entries(past([]))
    assert (told.orders, told.series, list(told.at)) == ([], [], [])
    assert outliers(told).entries == outliers(told).orders == []


def test_the_digest_tells_every_past_from_every_other() -> None:
    lines = [Line(n, "retail", MONDAY - timedelta(days=9 * n), n, PRODUCTS[n % 3], 10 * n) for n in range(1, 6)]
    one = past(lines)
    assert one.digest() == past(lines).digest()
    others = [past([*lines[:n], changed, *lines[n + 1 :]]) for n, line in enumerate(lines) for changed in changes(line)]
    others += [past(lines[1:]), past(lines, known={lines[0].order}), replace(one, end=one.end + 7)]
    others += [replace(one, products=PRODUCTS[::-1]), replace(one, products=PRODUCTS[:2])]
    assert len({other.digest() for other in (one, *others)}) == 1 + len(others)


def changes(line: Line) -> list[Line]:
    """The line with each of its facts changed."""
    other = next(product for product in PRODUCTS if product != line.product)
    return [
        line._replace(order=line.order + 1), line._replace(channel="market" if line.channel == "retail" else "retail"),
        line._replace(day=line.day - timedelta(days=1)), line._replace(transit=line.transit + 1), line._replace(product=other),
        line._replace(units=line.units + 1),
    ]  # fmt: skip


def test_what_is_huge_is_what_is_huge_beside_each_of_the_others() -> None:
    seen = 0
    for seed in range(40):
        told = entries(past(some_lines(seed)))
        by_series: dict[int, list[int]] = {}
        for n, at in enumerate(told.at):
            by_series.setdefault(at, []).append(n)
        expected = []
        for _, mine in sorted(by_series.items()):
            *others, largest = sorted((told.units[n], n) for n in mine)
            most = usual_most(plain_sizes(largest[0], [units for units, _ in others]))
            expected += [(largest[1], most)] if most is not None else []
        found = outliers(told)
        assert found.entries == expected
        seen += len(expected)
    assert seen > 5, "there is something to find"


def plain_sizes(largest: float, others: list[float]) -> Sizes:
    every = [largest, *others]
    return Sizes(len(every), sum(every), sum(units * units for units in every), largest, max(others, default=0.0))


def test_an_order_of_several_products_may_be_huge_by_its_total() -> None:
    small = [Line(n, "retail", MONDAY - timedelta(days=n), 0, product, 2) for n in range(1, 20) for product in PRODUCTS[:2]]
    big = [Line(50, "retail", MONDAY - timedelta(days=3), 0, product, 5) for product in PRODUCTS]
    told = entries(past(small + big))
    [(order, units, most)] = outliers(told).orders
    assert (told.orders[order], units) == ("50", 15)
    assert most == usual_most(plain_sizes(15.0, [4.0] * 19))
    alone = [Line(50, "retail", MONDAY - timedelta(days=3), 0, PRODUCTS[0], 15)]
    found = outliers(entries(past(small + alone)))
    assert found.orders == [], "one product: its entry says it"
    assert len(found.entries) == 1


def test_an_order_that_is_huge_by_one_product_is_not_for_the_rest_of_it() -> None:
    small = [Line(n, "retail", MONDAY - timedelta(days=n), 0, product, 2) for n in range(1, 20) for product in PRODUCTS]
    big = [Line(50, "retail", MONDAY, 3, product, 90 if product == PRODUCTS[1] else 2) for product in PRODUCTS]
    found = outliers(entries(past(small + big)))
    assert found.orders == []
    assert [most for _, most in found.entries] == [usual_most(plain_sizes(90.0, [2.0] * 19))]


def test_a_line_of_a_product_that_is_not_told_counts_for_no_other() -> None:
    day = MONDAY - timedelta(days=7)
    lines = [Line(10**18, "retail", day, 0, PRODUCTS[1], 3), Line(10**18 + 1, "retail", day, 0, 5, 400)]
    assert plainly(entries(past(lines))) == [(10**18, PRODUCTS[1], "retail", day, 3.0)]
