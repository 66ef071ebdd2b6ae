"""Section 6: water without a preservative is flagged until a person answered why."""

import pytest

from service.core.making.care import ASSESS, LYE, Ingredient, cautions, water_flag

WATER = Ingredient("Water", "AQUA", frozenset({"solvent"}), True)
HYDROSOL = Ingredient("Rose hydrosol", "ROSA DAMASCENA FLOWER WATER", frozenset({"perfuming"}), True)
MILK = Ingredient("Goat milk", None, frozenset(), True)
OIL = Ingredient("Olive oil", "OLEA EUROPAEA FRUIT OIL", frozenset({"emollient"}), False)
TOCOPHEROL = Ingredient("Vitamin E", "TOCOPHEROL", frozenset({"antioxidant"}), False)
ROSEMARY = Ingredient("Rosemary extract", "ROSMARINUS OFFICINALIS LEAF EXTRACT", frozenset({"antioxidant"}), False)
SORBATE = Ingredient("Potassium sorbate", "POTASSIUM SORBATE", frozenset({"preservative"}), False)
SHOUTED = Ingredient("Sodium benzoate", "SODIUM BENZOATE", frozenset({"PRESERVATIVE", "anticorrosive"}), False)
LYE_FLAKES = Ingredient("Lye", "Sodium hydroxide", frozenset({"buffering"}), False)


@pytest.mark.parametrize("wet", [WATER, HYDROSOL, MILK], ids=lambda one: one.name)
def test_water_without_preservative_is_flagged(wet: Ingredient) -> None:
    (flag,) = water_flag([OIL, wet], None)
    assert flag["type"] == "water-without-preservative"
    assert wet.name in flag["sentence"]
    assert "qualified safety assessor" in flag["sentence"]


@pytest.mark.parametrize("guard", [TOCOPHEROL, ROSEMARY], ids=lambda one: one.name)
def test_an_antioxidant_never_silences_the_flag(guard: Ingredient) -> None:
    assert water_flag([WATER, OIL, guard], None)


@pytest.mark.parametrize("guard", [SORBATE, SHOUTED], ids=lambda one: one.name)
def test_a_preservative_answers_it(guard: Ingredient) -> None:
    assert water_flag([WATER, OIL, guard], None) == []


def test_a_person_answers_it_for_the_version() -> None:
    assert water_flag([WATER, OIL], "high alkali: a soap bar") == []


@pytest.mark.parametrize("note", [None, ""])
def test_no_answer_is_no_answer(note: str | None) -> None:
    assert len(water_flag(iter([WATER, HYDROSOL, OIL]), note)) == 1


def test_without_water_there_is_nothing_to_flag() -> None:
    assert water_flag([OIL, TOCOPHEROL], None) == []
    assert water_flag([], None) == []


def test_lye_brings_its_caution_and_the_rest_never_goes() -> None:
    assert cautions([OIL, WATER, LYE_FLAKES]) == [LYE, ASSESS]
    assert cautions([OIL, WATER]) == [ASSESS]
    assert LYE.startswith("Add lye to water, never water to lye")
    assert "goggles" in LYE
    assert "gloves" in LYE
