"""What could be made to use up a lot that is going to expire, best first."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.core.alerts.facts import UseUp


@dataclass(frozen=True, slots=True)
class Candidate:
    """A product that contains the material: what a unit needs of everything (smallest units), and how many could be sold
    before it expires itself (None: not known)."""

    product: str
    name: str
    needs: Mapping[str, int]
    sells: int | None = None


def ways(
    material: str,
    quantity: int,
    candidates: Iterable[Candidate],
    available: Mapping[str, int],
    names: Mapping[str, tuple[str, str]],
) -> tuple[UseUp, ...]:
    """Units of each product that use at most `quantity`, and no more than can be sold; what else they need and is not there.

    Those that can be made at once come first, then those that use more of it. `names` holds name and unit by code.
    """
    found = []
    for one in candidates:
        each = one.needs.get(material, 0)
        units = quantity // each if each > 0 else 0
        units = units if one.sells is None else min(units, one.sells)
        if units <= 0:
            continue
        lacking = {
            code: units * need - available.get(code, 0)
            for code, need in one.needs.items()
            if code != material and units * need > available.get(code, 0)
        }
        missing = tuple((names[code][0], short, names[code][1]) for code, short in sorted(lacking.items()))
        found.append(UseUp(one.product, one.name, units, units * each, missing))
    return tuple(sorted(found, key=lambda way: (len(way.missing) > 0, -way.uses, len(way.missing), way.product)))
