"""Laws 1, 4, 9 and 14 of the workshop as properties. Law 6, the needs and the check have files of their own."""

from decimal import Decimal
from fractions import Fraction

import naive
import pytest
from gaps import minimal
from hypothesis import assume, example, given
from hypothesis import strategies as st
from worlds import FULL, TODAY, days, many, shares

from service.core import units
from service.core.making import claims, scaling
from service.core.making.check import Stock
from service.core.stock import costs, movements
from service.core.stock.draw import FOREVER, Shelf
from service.errors import Invalid

milligrams = st.one_of(st.integers(0, 5000), st.integers(0, units.MOST))
micros = st.one_of(st.integers(0, 1000), st.integers(0, 10**12))


def written(smallest: int, decimals: int, mark: str = ".") -> str:
    """A number as a person writes it, put together digit by digit."""
    whole, rest = divmod(smallest, 10**decimals)
    return f"{whole}{mark}{rest:0{decimals}d}"


# Law 1


@many(150)
@given(milligrams, st.sampled_from(".,"))
def test_grams_written_are_milligrams_exactly_and_back(mg: int, mark: str) -> None:
    got = units.quantity_in(units.parse_decimal(written(mg, 3, mark)), "g", "#/quantity")
    assert (got, type(got)) == (mg, int)
    # The answer is a JSON number: what it spells, not what a float holds, must be the milligrams.
    assert Fraction(repr(units.quantity_out(got, "g"))) == Fraction(mg, 1000)


@many(120)
@given(st.integers(0, 10**15))
def test_money_written_is_millionths_exactly_and_back(micro: int) -> None:
    got = units.money_in(units.parse_decimal(written(micro, 6)), "#/cost")
    assert (got, type(got)) == (micro, int)
    assert Fraction(repr(units.money_out(got))) == Fraction(micro, 10**6)


@many(120)
@given(st.integers(1, FULL))
def test_percent_written_is_ppm_exactly_and_back(ppm: int) -> None:
    got = units.percent_in(units.parse_decimal(written(ppm, 4)), "#/percent")
    assert (got, type(got)) == (ppm, int)
    assert Fraction(repr(units.percent_out(got))) == Fraction(ppm, 10**4)


@many(120)
@given(st.integers(1, 10**9), st.integers(4, 12), st.sampled_from(".,"))
def test_finer_than_a_milligram_is_refused(number: int, decimals: int, mark: str) -> None:
    assume(number % 10 ** (decimals - 3))
    with pytest.raises(Invalid, match="finer than 1 mg"):
        units.quantity_in(units.parse_decimal(written(number, decimals, mark)), "g", "#/quantity")


HIDDEN = minimal("digits-behind-zeros")


@pytest.mark.parametrize("zeros", [3, 14, 26, *(pytest.param(zeros, marks=HIDDEN) for zeros in (27, 33, 300))])
def test_no_number_of_zeros_hides_a_finer_part(zeros: int) -> None:
    text = "1." + "0" * zeros + "1"
    with pytest.raises((ValueError, Invalid), match=r"finer than 1 mg|15 significant digits|out of range"):
        units.quantity_in(units.parse_decimal(text), "g", "#/quantity")


NO_NUMBERS = ["", " ", "1e3", "nan", "inf", "1.2.3", "1,000.5", "--1", "+", ".", "0x1", "1_000", "1 000", "١"]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="number"):
        units.parse_decimal(text)


@many(150)
@given(st.integers(1, 10**6), st.integers(0, 6), st.sampled_from([*units.GRAMS, *units.MILLILITRES]), st.integers(1, 20_000))
@example(1, 6, "kg", 1000).via("1 mg")
@example(5, 4, "ml", 1000).via("half a milligram: a tie that would round to 0")
@example(15, 4, "ml", 1000).via("a tie between 1 and 2")
def test_conversions_round_half_to_even_and_never_to_nothing(number: int, decimals: int, unit: str, density: int) -> None:
    """Only `g` is taken as it stands; the factors are checked against their publications in test_units."""
    assume(unit != "g")
    value = Decimal(number).scaleb(-decimals)
    factor = Fraction(units.GRAMS[unit]) if unit in units.GRAMS else Fraction(units.MILLILITRES[unit]) * density / 1000
    expected = naive.half_even(Fraction(value) * factor * 1000)
    if expected == 0 or expected > 10**12:
        with pytest.raises(Invalid, match="out of range"):
            units.convert_in(value, unit, "g", Decimal(density) / 1000, "#/quantity")
        return
    got = units.convert_in(value, unit, "g", Decimal(density) / 1000, "#/quantity")
    assert (got, type(got)) == (expected, int)


@minimal("conversion-precision")
def test_a_conversion_is_rounded_once() -> None:
    """The product has 31 digits and lies just below a half: rounded on the way it becomes a tie, and goes up."""
    value, density = Decimal("52159981.3992227"), Decimal("2.7741704957674")
    exact = Fraction(value) * Fraction(density) * 1000
    assert units.convert_in(value, "ml", "g", density, "#/quantity") == naive.half_even(exact) == 144_700_681_457


@pytest.mark.parametrize(("value", "unit", "item_unit"), [("1.5", "piece", "piece"), ("1", "g", "piece"), ("1", "piece", "g")])
def test_pieces_stay_pieces(value: str, unit: str, item_unit: str) -> None:
    with pytest.raises(Invalid):
        units.convert_in(Decimal(value), unit, item_unit, None, "#/quantity")
    assert units.convert_in(Decimal(7), "piece", "piece", None, "#/quantity") == 7


@pytest.mark.parametrize("unit", units.MILLILITRES)
def test_a_volume_without_a_density_is_refused(unit: str) -> None:
    with pytest.raises(Invalid, match="density is not known"):
        units.convert_in(Decimal(1), unit, "g", None, "#/quantity")


# Law 4


@many(150)
@given(st.data(), milligrams, st.integers(1, 8))
def test_scaled_lines_sum_to_exactly_the_batch(data: st.DataObject, batch: int, count: int) -> None:
    lines = data.draw(shares(count))
    got = scaling.scale(batch, lines)
    assert sum(got) == batch
    assert all(type(part) is int and part >= 0 for part in got)
    assert got == naive.hamilton(batch, lines)


def test_ties_go_by_line_order() -> None:
    third = [333_333, 333_333, 333_334]
    assert scaling.scale(1, [500_000, 500_000]) == [1, 0]
    assert scaling.scale(2, [250_000] * 4) == [1, 1, 0, 0]
    assert scaling.scale(1, third) == [0, 0, 1]  # no tie: the last is larger by one millionth


@many(150)
@given(st.integers(1, 10**9), st.integers(0, FULL - 1), st.integers(0, 10**6))
def test_a_batch_is_the_smallest_that_fills(filled: int, loss_ppm: int, loss_mg: int) -> None:
    """batch = (units x fill + fixed loss) / (1 - loss share), rounded up to the milligram."""
    batch = scaling.batch_for_mass(filled, loss_ppm, loss_mg)
    kept = 1 - Fraction(loss_ppm, FULL)
    assert batch - 1 < (filled + loss_mg) / kept <= batch
    assert scaling.made_from(batch, loss_ppm, loss_mg) >= filled > scaling.made_from(batch - 1, loss_ppm, loss_mg)


@many(100)
@given(st.integers(1, 1000), st.integers(1, 10**6), st.integers(0, 900_000), st.integers(0, 10**6))
def test_units_are_their_mass(count: int, fill: int, loss_ppm: int, loss_mg: int) -> None:
    assert scaling.batch_for_units(count, fill, loss_ppm, loss_mg) == -(-(count * fill + loss_mg) * FULL // (FULL - loss_ppm))


# Law 9


@many(150)
@given(micros, st.integers(0, 10**6), st.integers(1, 10**6))
def test_what_is_left_is_worth_its_share_half_to_even(cost: int, left: int, received: int) -> None:
    assert costs.worth(cost, left, received) == naive.half_even(Fraction(cost * left, received))
    assert costs.worth(None, left, received) is None


@many(150)
@given(st.integers(-(10**12), 10**12), st.integers(1, 10**6))
@example(1, 2)
@example(3, 2)
@example(-1, 2)
@example(-3, 2)
def test_half_to_even(numerator: int, denominator: int) -> None:
    assert costs.half_even(numerator, denominator) == naive.half_even(Fraction(numerator, denominator))


@many(120)
@given(micros, st.lists(st.integers(1, 1000), min_size=1, max_size=12), st.data())
def test_the_shares_of_a_lot_used_up_sum_to_its_cost(cost: int, draws: list[int], data: st.DataObject) -> None:
    """Any sequence of draws, also with some of it put back on the way."""
    received = sum(draws)
    lot = movements.Balance(1, received, received, cost, cost)
    entries = movements.Entries()
    for quantity in draws:
        used = entries.change(1, lot, -quantity)
        assert used is not None
        assert used <= 0
        if data.draw(st.booleans()):
            assert entries.change(1, lot, quantity) == -used
            assert entries.change(1, lot, -quantity) == used
    assert lot.on_hand == 0
    assert lot.worth == 0
    assert sum(-(moved.cost or 0) for moved in entries.movements) == cost
    assert sum(-moved.quantity for moved in entries.movements) == received


def test_unknown_cost_is_never_zero() -> None:
    lot = movements.Balance(1, 10, 10, None, None)
    assert movements.Entries().change(1, lot, -4) is None
    assert costs.total([5, None]) is None
    assert costs.total([5, 0]) == 5
    assert costs.shared(None, [1, 2]) == [None, None]
    assert units.money_out(None) is None


@many(150)
@given(micros, st.lists(st.integers(0, 10**9), min_size=1, max_size=6))
def test_a_batch_shares_its_cost_by_grams(cost: int, grams: list[int]) -> None:
    assume(sum(grams))
    got = costs.shared(cost, grams)
    assert got == naive.hamilton(cost, grams)
    assert sum(part for part in got if part is not None) == cost


# Law 14


plans = st.lists(
    st.builds(
        claims.Plan,
        run_id=st.integers(1, 99),
        code=st.just(""),
        planned_on=st.one_of(st.none(), days(-2, 2)),
        needs=st.dictionaries(st.integers(1, 3), st.integers(0, 20)),
    ),
    max_size=5,
).flatmap(
    lambda made: st.permutations("ABCDE").map(
        lambda codes: [
            claims.Plan(plan.run_id, code, plan.planned_on, plan.needs) for plan, code in zip(made, codes, strict=False)
        ]
    )
)


@many(120)
@given(plans, st.integers(0, 30))
def test_claims_are_what_open_plans_state_and_available_is_never_below_nothing(open_plans: list[claims.Plan], held: int) -> None:
    claimed = claims.by_item(open_plans)
    for item in (1, 2, 3):
        expected = 0
        for plan in open_plans:
            expected += plan.needs.get(item, 0)
        assert claimed.get(item, 0) == expected
        stock = Stock({item: [Shelf(1, "lot", TODAY, FOREVER, held)]}, claimed, frozenset())
        left = stock.available(item, TODAY)
        assert left == (held - expected if held > expected else 0)


@many(120)
@given(plans, st.fixed_dictionaries({1: st.integers(0, 40), 2: st.integers(0, 40), 3: st.integers(0, 40)}))
def test_plans_are_served_by_day_then_code(open_plans: list[claims.Plan], usable: dict[int, int]) -> None:
    """A plan is short when it and all before it need more than there is; one without a day comes last."""
    before = dict(usable)
    expected = []
    for day in [*[TODAY.replace(day=TODAY.day + ahead) for ahead in range(-2, 3)], None]:
        for code in "ABCDE":
            for plan in open_plans:
                if (plan.planned_on, plan.code) == (day, code):
                    if [item for item in plan.needs if plan.needs[item] > before[item]]:
                        expected.append(code)
                    before = {item: max(0, left - plan.needs.get(item, 0)) for item, left in before.items()}
    assert [plan.code for plan in claims.now_short(open_plans, usable)] == expected
