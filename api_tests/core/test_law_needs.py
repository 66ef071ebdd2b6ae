"""From what is wanted to what must be taken, against an explosion that asks upwards instead of pushing downwards."""

import naive
import pytest
from gaps import OPEN, minimal
from hypothesis import assume, given
from hypothesis import strategies as st
from worlds import FORMULAS, MATERIALS, PACKAGING, PRODUCTS, catalogues, many, wants

from service.core.making import needs
from service.core.making.needs import Catalogue, Made, Recipe, Want

WAX, OIL, TIN, BOX = 1, 2, 11, 12
BASE, CREAM, LOTION = 101, 102, 103
POT, JAR, SET = 201, 202, 203


@st.composite
def questions(draw: st.DrawFn) -> tuple[Catalogue, tuple[Want, ...], dict[int, int], dict[int, int]]:
    catalogue = draw(catalogues())
    finished = {product: draw(st.sampled_from([0, 1, 2, 3, 9])) for product in catalogue.products}
    bulk = {formula: draw(st.sampled_from([0, 0, 1, 50, 150])) for formula in catalogue.recipes}
    return catalogue, draw(wants(catalogue)), finished, bulk


@many(120)
@given(questions())
def test_needs_are_what_every_user_of_a_thing_asks_of_it(
    asked: tuple[Catalogue, tuple[Want, ...], dict[int, int], dict[int, int]],
) -> None:
    catalogue, wanted, finished, bulk = asked
    got = needs.explode(catalogue, wanted, finished, bulk)
    expected = naive.Explosion(catalogue, wanted, finished, bulk)
    for product in PRODUCTS:
        known = product in catalogue.products
        assert got.from_finished[product] == (expected.from_finished(product) if known else 0)
        assert got.to_make[product] == (expected.to_make(product) if known else 0)
    for formula in FORMULAS:
        known = formula in catalogue.recipes
        assert got.from_bulk[formula] == (expected.from_bulk(formula) if known else 0)
        assert got.batches[formula] == (expected.batch(formula) if known else 0)
    for item in (*MATERIALS, *PACKAGING):
        assert got.materials[item] == expected.material(item)
    assert set(got.materials) <= {*MATERIALS, *PACKAGING}


@many(100)
@given(questions())
def test_bulk_that_goes_into_other_batches_is_made_first_and_deepest_first(
    asked: tuple[Catalogue, tuple[Want, ...], dict[int, int], dict[int, int]],
) -> None:
    catalogue, wanted, finished, bulk = asked
    got = needs.explode(catalogue, wanted, finished, bulk)
    expected = naive.Explosion(catalogue, wanted, finished, bulk)
    into = {inner: {outer for outer in catalogue.recipes if expected.on_lines(outer, inner)} for inner in catalogue.recipes}
    first = {inner for inner, outers in into.items() if outers and expected.mass(inner) > expected.from_bulk(inner)}
    if "make-first-without-use" in OPEN:
        inside = {item for outer in catalogue.recipes.values() for item, _ in outer.lines}
        assume(all(into[inner] or not expected.batch(inner) for inner in inside & into.keys()))
    assert set(got.first) == first
    assert len(got.first) == len(first)
    for at, inner in enumerate(got.first):
        assert not into[inner] & set(got.first[:at])


@many(50)
@given(questions(), st.randoms(use_true_random=False))
def test_the_order_and_grouping_of_wants_do_not_matter(
    asked: tuple[Catalogue, tuple[Want, ...], dict[int, int], dict[int, int]], random: "object"
) -> None:
    """Wants of one formula are one batch, so that splitting a want changes nothing either."""
    catalogue, wanted, finished, bulk = asked
    split = [Want(want.item, part) for want in wanted for part in (want.quantity - 1, 1) if part]
    random.shuffle(split)  # type: ignore[attr-defined]
    one, other = (needs.explode(catalogue, some, finished, bulk) for some in (wanted, split))
    assert (one.materials, one.batches, one.to_make) == (other.materials, other.batches, other.to_make)
    assert (one.from_finished, one.from_bulk, set(one.first)) == (other.from_finished, other.from_bulk, set(other.first))


def recipe(formula: int, *lines: tuple[int, int], **fields: int) -> Recipe:
    return Recipe(formula, tuple((item, percent * 10_000) for item, percent in lines), **fields)


def test_a_set_of_jars_with_bulk_in_bulk_by_hand() -> None:
    """2 sets of 1 pot (100 mg of cream) and 2 jars (50 mg of lotion); half the lotion is cream, half the cream base."""
    recipes = {
        LOTION: recipe(LOTION, (CREAM, 50), (WAX, 50)),
        CREAM: recipe(CREAM, (BASE, 50), (OIL, 50)),
        BASE: recipe(BASE, (WAX, 100), loss_ppm=500_000),
    }
    products = {
        POT: Made(POT, CREAM, 100, ((TIN, 1),)),
        JAR: Made(JAR, LOTION, 50, ((TIN, 1),)),
        SET: Made(SET, packaging=((BOX, 1),), contains=((POT, 1), (JAR, 2))),
    }
    got = needs.explode(Catalogue(recipes, products), [Want(SET, 2)], {JAR: 1}, {BASE: 20})
    assert dict(got.to_make) == {SET: 2, POT: 2, JAR: 3}
    assert dict(got.batches) == {LOTION: 150, CREAM: 275, BASE: 236}  # 137 or 138 mg of base less 20, twice
    assert got.from_bulk[BASE] == 20
    assert dict(got.materials) == {BOX: 2, TIN: 5, WAX: 75 + 236, OIL: 137}
    assert got.first == [BASE, CREAM]


def test_sets_on_the_shelf_need_nothing_inside() -> None:
    products = {POT: Made(POT, packaging=((TIN, 1),)), SET: Made(SET, packaging=((BOX, 1),), contains=((POT, 2),))}
    got = needs.explode(Catalogue({}, products), [Want(SET, 3), Want(POT, 1)], {SET: 1, POT: 2}, {})
    assert dict(got.from_finished) == {SET: 1, POT: 2}
    assert dict(got.to_make) == {SET: 2, POT: 3}  # 2 x 2 for the sets and 1, less 2
    assert dict(got.materials) == {BOX: 2, TIN: 3}


@minimal("make-first-without-use")
def test_bulk_that_is_only_filled_is_not_made_first() -> None:
    """The set's lotion is on the shelf, so no cream goes into any: the cream for the pots is simply made."""
    recipes = {CREAM: recipe(CREAM, (OIL, 100)), LOTION: recipe(LOTION, (CREAM, 50), (WAX, 50))}
    products = {POT: Made(POT, CREAM, 10), JAR: Made(JAR, LOTION, 10)}
    got = needs.explode(Catalogue(recipes, products), [Want(POT, 1), Want(JAR, 1)], {JAR: 1}, {})
    assert dict(got.batches) == {CREAM: 10}
    assert got.first == []


LOOPS = [[(BASE, BASE)], [(BASE, CREAM), (CREAM, BASE)], [(BASE, CREAM), (CREAM, LOTION), (LOTION, BASE)]]


@pytest.mark.parametrize("lines", LOOPS)
def test_a_loop_is_refused(lines: list[tuple[int, int]]) -> None:
    with pytest.raises(ValueError, match="contains itself"):
        needs.order_of({outer: recipe(outer, (inner, 100)) for outer, inner in lines})
