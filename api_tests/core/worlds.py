"""Small invented workshops for the property tests: few lots, few days, small numbers, all kinds of trouble."""

import os
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, TypeVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from service.core.making.check import Question, Stock
from service.core.making.needs import Catalogue, Made, Recipe, Want
from service.core.stock.draw import FOREVER, Shelf

T = TypeVar("T")
TODAY = date(2027, 5, 10)
MATERIALS, PACKAGING, FORMULAS, PRODUCTS = (1, 2, 3, 4), (11, 12), (101, 102, 103), (201, 202, 203, 204)
FULL = 1_000_000


def many(examples: int) -> Any:
    """So many examples; twenty times as many on a long campaign."""
    times = 20 if os.environ.get("STILLROOM_SOAK") == "1" else 1
    return settings(max_examples=examples * times, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def days(first: int, last: int) -> st.SearchStrategy[date]:
    return st.integers(first, last).map(lambda days: TODAY + timedelta(days=days))


@st.composite
def shares(draw: st.DrawFn, count: int) -> list[int]:
    """Parts per million that sum to exactly 100 %, tiny ones among them."""
    cuts = draw(st.lists(st.integers(1, FULL - 1), min_size=count - 1, max_size=count - 1, unique=True))
    edges = [0, *sorted(cuts), FULL]
    return [high - low for low, high in pairwise(edges)]


def _kinds(within: int, coming: bool) -> list[dict[str, Any]]:
    """Every state a lot can be in, on every day around `TODAY` that matters; plain lots are the most frequent."""
    around = [TODAY + timedelta(days=ahead) for ahead in range(-2, within)]
    kinds: list[dict[str, Any]] = [{}] * 12
    kinds += [{"use_by": day} for day in around] + [{"retest_on": day} for day in around] + [{"ready_on": day} for day in around]
    kinds += [{"use_by": one, "ready_on": other} for one in around[1::2] for other in around[2::3]]
    kinds += [{"status": "quarantined"}, {"status": "rejected"}, {"production": False}, {"status": "rejected", "use_by": TODAY}]
    return kinds + ([{"use_by": around[-1], "received_on": day} for day in around] if coming else [])


@st.composite
def shelves(draw: st.DrawFn, quantity: st.SearchStrategy[int], most: int = 6, coming: bool = True) -> list[Shelf]:
    """Lots of one item around `TODAY`; two may share every date, so that only the code decides."""
    kind = st.tuples(st.sampled_from(_kinds(6, coming)), st.integers(-2, 0), quantity)
    lots = draw(st.lists(kind, max_size=most))
    names = draw(st.sampled_from([list(range(most)), list(range(most))[::-1], [(3 * at + 2) % 7 for at in range(most)]]))
    return [
        Shelf(
            **{"received_on": TODAY + timedelta(days=came), "use_by": FOREVER, **fields},
            id=900 + at,
            code=f"lot-{name}",
            quantity=held,
        )
        for at, ((fields, came, held), name) in enumerate(zip(lots, names, strict=False))
    ]


def changed(lot: Shelf, **fields: Any) -> Shelf:
    """The same lot with other fields."""
    return replace(lot, **fields)


@st.composite
def catalogues(draw: st.DrawFn, least_fill: int = 1) -> Catalogue:
    """Formulas with bulk inside bulk, products filled from them, and sets of products and sets; in any order."""
    recipes: dict[int, Recipe] = {}
    for formula in FORMULAS[: draw(st.integers(1, 3))]:
        within = [*MATERIALS, *recipes]
        items = draw(st.lists(st.sampled_from(within), min_size=1, max_size=3))  # one material may stand on two lines
        lines = tuple(zip(items, draw(shares(len(items))), strict=True))
        loss = draw(st.sampled_from([0, 0, 20_000, 333_333])), draw(st.integers(0, 3))
        recipes[formula] = Recipe(formula, lines, *loss, draw(st.integers(0, 4)))
    products: dict[int, Made] = {}
    packed = st.lists(st.tuples(st.sampled_from(PACKAGING), st.integers(1, 2)), max_size=2).map(tuple)
    for product in PRODUCTS[: draw(st.integers(1, 4))]:
        if products and draw(st.booleans()):
            inside = draw(st.lists(st.tuples(st.sampled_from(list(products)), st.integers(1, 2)), min_size=1, max_size=2))
            products[product] = Made(product, packaging=draw(packed), contains=tuple(inside))
        else:
            filled = draw(st.sampled_from(list(recipes))), draw(st.integers(least_fill, least_fill + 40))
            products[product] = Made(product, *filled, packaging=draw(packed))
    return Catalogue(_shuffled(draw, recipes), _shuffled(draw, products))


def _shuffled(draw: st.DrawFn, things: dict[int, T]) -> dict[int, T]:
    return {at: things[at] for at in draw(st.permutations(list(things)))}


@st.composite
def wants(draw: st.DrawFn, catalogue: Catalogue) -> tuple[Want, ...]:
    product = st.builds(Want, st.sampled_from(list(catalogue.products)), st.integers(1, 5))
    batch = st.builds(Want, st.sampled_from(list(catalogue.recipes)), st.integers(1, 120))
    return tuple(draw(st.lists(st.one_of(product, product, batch), min_size=1, max_size=3)))


@st.composite
def workshops(draw: st.DrawFn, least_fill: int = 1, claims: bool = True) -> tuple[Catalogue, Stock, Question]:
    """A catalogue, what lies on the shelves, what plans claim, and a question about it."""
    catalogue = draw(catalogues(least_fill))
    held: dict[int, list[Shelf]] = {}
    plenty = draw(st.booleans())  # else hardly any of so many materials would do for long
    for item in (*MATERIALS, *PACKAGING, *catalogue.recipes, *catalogue.products):
        made = item in catalogue.recipes or item in catalogue.products
        high = 12 if item in PRODUCTS or item in PACKAGING else 400
        lots = draw(shelves(st.integers(0 if made else high // 2, high), 2 if made else 3, coming=False))
        held[item] = [_settled(lot, item, at) for at, lot in enumerate(lots)]
        if plenty and not made:
            until = draw(st.sampled_from([TODAY + timedelta(days=ahead) for ahead in range(6)] + [FOREVER] * 6))
            held[item].append(Shelf(item * 10 + 9, f"lot-{item}", TODAY, until, 5000))
    claimed = draw(
        st.dictionaries(st.sampled_from([*MATERIALS, *PACKAGING, *FORMULAS, *PRODUCTS]), st.integers(0, 20), max_size=3)
    )
    unstocked = draw(st.frozensets(st.sampled_from([*MATERIALS, *PACKAGING]), max_size=1))
    question = Question(draw(wants(catalogue)), TODAY, draw(st.one_of(st.none(), days(-1, 9))), draw(st.booleans()))
    return catalogue, Stock(held, claimed if claims else {}, unstocked), question


def _settled(lot: Shelf, item: int, at: int) -> Shelf:
    """Nothing is received after today; a product that rests outlives the whole question."""
    lot = changed(lot, id=item * 10 + at)
    rests = item in PRODUCTS and lot.ready_on is not None and lot.ready_on > TODAY
    return changed(lot, use_by=FOREVER, retest_on=None) if rests else lot
