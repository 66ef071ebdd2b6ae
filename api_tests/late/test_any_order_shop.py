"""A whole shop's history told in order of happening, and shuffled weeks later, ends with the same books.

Left out, as nothing can decide them: what `shop_days` does not make up; papers that are refused; histories in which a batch is
released at first in one order only, which stands as recorded (a lot that it names was not yet known to be unfit).
"""

from collections import Counter
from random import Random, SystemRandom

import pytest
from conftest import SOAK
from late.desk import House
from late.shop import Shop, Slip, shuffled
from late.shop_books import Reader, unlike
from late.shop_days import Days

pytest_plugins = ["late.rooms"]


def judged(in_order: Shop, late: Shop) -> list[str]:
    """Where two shops differ, and what `verify` says of either."""
    house = in_order.house
    return unlike(Reader(in_order).read(), Reader(late).read()) + house.proof(in_order.workshop) + house.proof(late.workshop)


def look(at: House, seed: int) -> str:
    """Compares both ends of one history; says whether it could."""
    random = Random(seed)
    history = Days(random).history(random.randint(6, 11))
    try:
        first, second = Shop(at), Shop(at)
        told = first.told_in_order(history)
        order = shuffled(random, told)
        if second.told_late(order) != order:
            return "refused"
        if first.started != second.started:
            return "started otherwise"
        wrong = judged(first, second)
    except AssertionError as error:  # an answer that no paper may have
        pytest.fail("\n".join([f"seed {seed}", str(error), *map(str, history)]))
    if wrong:
        pytest.fail(f"seed {seed}\n{shortest(at, told, order)}")
    return "compared"


def shortest(at: House, in_order: list[Slip], late: list[Slip]) -> str:
    """A failing history without what it does not need: what differs in it, and both orders."""
    wrong = retold(at, in_order, late)
    for slip in reversed(in_order):
        fewer = [[one for one in order if one is not slip] for order in (in_order, late)]
        if found := retold(at, *fewer):
            (in_order, late), wrong = fewer, found
    return "\n".join([*wrong, "In order, each at the end of its day:", *map(str, in_order), "and all late:", *map(str, late)])


def retold(at: House, in_order: list[Slip], late: list[Slip]) -> list[str]:
    """What differs when both orders are told again; nothing where they cannot be."""
    first, second = Shop(at), Shop(at)
    if first.told_in_order(in_order) != in_order or second.told_late(late) != late:
        return []
    return judged(first, second) if first.started == second.started else []


def test_any_order_of_a_shops_papers(at: House) -> None:
    histories = (20 if at.engine.dialect.name == "sqlite" else 5) * (50 if SOAK else 1)
    start = SystemRandom().randrange(10**9) if SOAK else 0
    looked = Counter(look(at, start + number) for number in range(histories))
    assert looked["compared"] > 0.8 * histories, looked
