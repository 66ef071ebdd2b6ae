"""Law 9: money follows grams. All money in millionths, all quantities in the item's smallest unit.

Source: the cost of a specific lot is assigned to what is used of it (IAS 2, paragraph 23: specific identification).
"""

from collections.abc import Sequence

from service.core.units import half_even, largest_remainder


def worth(cost: int | None, left: int, received: int) -> int | None:
    """What is left of a lot is worth: cost x left / received; None while the cost is unknown."""
    if cost is None:
        return None
    if not received:
        return cost if left else 0
    return half_even(cost * left, received)


def total(parts: Sequence[int | None]) -> int | None:
    """The sum, or None when one part is unknown: unknown is never zero."""
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None


def shared(mass_cost: int | None, grams: Sequence[int]) -> list[int | None]:
    """The cost of a batch's mass over what it yielded, by grams, loss included (largest remainder)."""
    if mass_cost is None:
        return [None] * len(grams)
    if not sum(grams):
        return [0] * len(grams)
    return list(largest_remainder(mass_cost, grams))
