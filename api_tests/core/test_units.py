"""Units and densities against the published figures, and against a general-purpose units library."""

from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

import pytest
from published import Case, cases, check, source

from service.core import units
from service.errors import Invalid

NAMES = {"oz_avdp": "oz", "mL": "ml"}
# Units the service does not take, by the exact definition that ties each to one it does:
# 7000 grains to the pound, 231 cubic inches to the US gallon (NIST Handbook 44, Appendix C).
DEFINED = {"grain": ("lb", 7000), "cubic_inch": ("us_gal", 231)}


def milligrams(value: Decimal, unit: str, density: Decimal | None = None) -> int:
    return units.convert_in(value, unit, "g", density, "#/quantity")


def grams_per(unit: str) -> Decimal:
    """Grams (or millilitres) of one unit, read off a quantity so large that rounding to 1 mg stays below 1e-12."""
    known = units.GRAMS.get(unit) or units.MILLILITRES[unit]
    many = int(Decimal("9e8") / known)
    return Decimal(milligrams(Decimal(many), unit, Decimal(1))) / many / 1000


@pytest.mark.parametrize("case", cases("units"))
def test_a_unit_is_what_its_publication_says(case: Case) -> None:
    given, to = case["inputs"]["from"], case["inputs"]["to"]
    base, parts = DEFINED.get(given, (NAMES.get(given, given), 1))
    if case["id"] == "1.kg_lb":  # two rounded figures would not reach 1e-12: the factors themselves do
        got = units.GRAMS["kg"] / units.GRAMS["lb"]
    else:
        got = grams_per(base) / parts * (1000 if to == "mg" else 1) * case["inputs"]["value"]
    check(case, f"1 {given} in {to}", got, case["expected"]["value"])


@pytest.mark.parametrize("case", cases("density"))
def test_a_volume_weighs_its_density(case: Case) -> None:
    given = case["inputs"]
    volume, unit = (given["volume_ml"], "ml") if "volume_ml" in given else (given["volume"], given["unit"])
    got = Decimal(milligrams(Decimal(volume), unit, given["density_g_ml"])) / 1000
    check(case, f"{volume} {unit} in g", got, case["expected"]["mass_g"])


def test_every_published_case_is_seen() -> None:
    assert {case.values[0]["id"] for case in cases("units", "density")} >= {"1.lb_g", "1.usgal_ml", "1.impfloz_ml", "1.water20"}
    assert "from memory" in source(next(case.values[0] for case in cases("density") if "water20" in str(case.id)))


PINT = {
    "kg": "kilogram", "lb": "pound", "oz": "ounce", "ml": "milliliter", "l": "liter", "us_fl_oz": "US_fluid_ounce",
    "imp_fl_oz": "imperial_fluid_ounce", "us_gal": "US_liquid_gallon", "imp_gal": "imperial_gallon",
}  # fmt: skip


@pytest.fixture(scope="module")
def registry() -> Any:
    pint = pytest.importorskip("pint", reason="pint is not installed")
    return pint.UnitRegistry(non_int_type=Decimal)


def test_every_unit_is_compared(registry: Any) -> None:
    assert {"g", "piece", *PINT} == set(units.UNITS)


@pytest.mark.parametrize("unit", PINT)
@pytest.mark.parametrize("value", ["1", "0.0005", "7.25", "1234.567", "99999"])
def test_units_agree_with_pint(unit: str, value: str, registry: Any) -> None:
    density = Decimal("0.915")
    one = registry.Quantity(Decimal(value), PINT[unit])
    there = one.to("gram").magnitude if unit in units.GRAMS else one.to("milliliter").magnitude * density
    expected = (there * 1000).quantize(Decimal(1), ROUND_HALF_EVEN)
    if expected == 0:  # rounds to nothing, which is refused
        with pytest.raises(Invalid, match="out of range"):
            milligrams(Decimal(value), unit, density)
        return
    assert milligrams(Decimal(value), unit, density) == expected
