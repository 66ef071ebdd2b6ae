"""What could be made to use up a lot that is going to expire, best first."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.core.alerts.causes import SHARE_UNUSED
from service.core.alerts.facts import UseUp

STOCK_WEEKS = 4  # of sales that a batch to stock is proposed for; common practice, no source
WEEK = 7


@dataclass(frozen=True, slots=True)
class Candidate:
    """A product that contains the material: what a unit needs of everything (smallest units), and how many of a batch that is
    made today are likely to be sold (`likely_sold`)."""

    product: str
    name: str
    needs: Mapping[str, int]
    sells: int


def likely_sold(weekly: float, there: float, rest_days: int, life_days: int | None) -> int:
    """Units of a batch made today that are likely to be sold before it is too old, and in the weeks a batch to stock is for.

    Saving a material is no reason for a larger batch than that: it would only be moved from one shelf to the other, to
    grow old there with all that was added to it. What is there is sold first, before the batch is ready and beside it.
    """
    days = STOCK_WEEKS * WEEK if life_days is None else min(STOCK_WEEKS * WEEK, max(0, life_days - rest_days))
    left = max(0.0, there - weekly * rest_days / WEEK)
    return max(0, int(weekly * days / WEEK - left))


def ways(
    material: str,
    quantity: int,
    candidates: Iterable[Candidate],
    available: Mapping[str, int],
    names: Mapping[str, tuple[str, str]],
) -> tuple[UseUp, ...]:
    """Units of each product that use at most `quantity`, and no more than can be sold; what else they need and is not there.

    What would save next to nothing (by the measure of what is told at all) is left out. Those that can be made at once come
    first, then those that use more of it. `names` holds name and unit by code.
    """
    found = []
    for one in candidates:
        each = one.needs.get(material, 0)
        units = min(quantity // each, one.sells) if each > 0 else 0
        if units * each <= quantity // SHARE_UNUSED:
            continue
        lacking = {
            code: units * need - available.get(code, 0)
            for code, need in one.needs.items()
            if code != material and units * need > available.get(code, 0)
        }
        missing = tuple((names[code][0], short, names[code][1]) for code, short in sorted(lacking.items()))
        found.append(UseUp(one.product, one.name, units, units * each, missing))
    return tuple(sorted(found, key=lambda way: (len(way.missing) > 0, -way.uses, len(way.missing), way.product)))
