"""Section 6 of the domain: cautions. The service keeps books; it does not certify that a product is safe."""

from collections.abc import Iterable
from dataclasses import dataclass

ASSESS = (
    "Follow your local rules and your suppliers' safety data sheets and certificates, and have the product "
    "assessed by a qualified safety assessor."
)
LYE = "Add lye to water, never water to lye, with goggles and gloves; check the amounts with a lye calculation."
ALKALI = {"SODIUM HYDROXIDE", "POTASSIUM HYDROXIDE"}


@dataclass(frozen=True, slots=True)
class Ingredient:
    """What the cautions need to know of an ingredient."""

    name: str
    inci: str | None
    functions: frozenset[str]
    contains_water: bool


def water_flag(ingredients: Iterable[Ingredient], preservation_note: str | None) -> list[dict[str, str]]:
    """Water without a preservative, until a person answered why; an antioxidant never silences it."""
    there = list(ingredients)
    wet = [one.name for one in there if one.contains_water]
    kept = any("preservative" in {name.lower() for name in one.functions} for one in there)
    if not wet or kept or preservation_note:
        return []
    said = (
        f"This formula contains water ({', '.join(wet[:3])}) and no preservative: answer why for this version "
        f"(`preservation_note`). {ASSESS}"
    )
    return [{"type": "water-without-preservative", "sentence": said}]


def cautions(ingredients: Iterable[Ingredient]) -> list[str]:
    """What a batch sheet always says, and what lye adds."""
    lye = any((one.inci or "").upper() in ALKALI for one in ingredients)
    return [LYE, ASSESS] if lye else [ASSESS]
