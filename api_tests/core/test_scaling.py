"""Scaling of pharmacopoeia formulas against the published amounts."""

from decimal import Decimal

import pytest
from published import Case, cases, check

from service.core import units
from service.core.making import scaling

FINE = 10**12  # parts a whole is split into where a publication prints more digits than a milligram shows


def in_ppm(amounts: list[Decimal | int], whole: Decimal | int) -> list[int]:
    """Amounts of a whole as the shares a formula line states; they must be exact to the ppm."""
    return [units.percent_in(Decimal(amount) / Decimal(whole) * 100, "#/percent") for amount in amounts]


def scaled(shares: list[int], target: Decimal | int) -> list[Decimal]:
    """Lines of a batch of `target` grams, in grams."""
    parts = scaling.scale(units.quantity_in(Decimal(target), "g", "#/batch_g"), shares)
    return [Decimal(part) / units.MG_PER_G for part in parts]


@pytest.mark.parametrize("case", cases("formula scaling"))
def test_the_percentages_of_a_published_formula(case: Case) -> None:
    """percent = amount / the real total, which need not be the round figure the monograph names."""
    formula = case["inputs"]["formula_g"]
    weights = [units.quantity_in(Decimal(grams), "g", "#/quantity") for grams in formula.values()]
    check(case, "sum", Decimal(sum(weights)) / units.MG_PER_G, case["expected"]["sum_g"])
    parts = dict(zip(formula, scaling.scale(FINE, weights), strict=True))
    for name, percent in case["expected"]["percent"].items():
        check(case, name, Decimal(parts[name]) * 100 / FINE, percent)


@pytest.mark.parametrize("case", [case for case in cases("formula scaling") if "target_g" in case.values[0]["inputs"]])
def test_a_published_formula_made_smaller(case: Case) -> None:
    formula = case["inputs"]["formula_g"]
    shares = in_ppm(list(formula.values()), case["expected"]["sum_g"])
    assert sum(shares) == units.FULL_PPM
    got = dict(zip(formula, scaled(shares, case["inputs"]["target_g"]), strict=True))
    assert got.keys() == case["expected"]["scaled_g"].keys()
    for name, grams in case["expected"]["scaled_g"].items():
        check(case, name, got[name], grams)


@pytest.mark.parametrize("case", cases("reducing formula"))
def test_a_reduced_formula(case: Case) -> None:
    """factor = target / what the formula makes; what is filled up to the mark (q.s.) takes the rest."""
    given, expected = case["inputs"], case["expected"]
    formula = given.get("formula_g") or given["formula"]
    makes = given.get("makes_ml") or sum(formula.values())
    target = given.get("target_ml") or given["target_g"]
    shares = in_ppm(list(formula.values()), makes)
    filled_up = units.FULL_PPM - sum(shares)
    lines = scaled([*shares, *([filled_up] if filled_up else [])], target)
    assert sum(lines) == target
    for (name, _), got in zip(formula.items(), lines, strict=False):
        check(case, name, got, (expected.get("scaled") or expected["scaled_g"])[name])
    if "factor" in expected:
        first = next(iter(formula.values()))
        check(case, "factor", lines[0] / first, expected["factor"])
