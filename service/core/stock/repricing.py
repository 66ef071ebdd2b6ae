"""Law 9 when a cost changes later: what each draw of a lot, and each lot of a batch, costs now. Millionths throughout."""

from collections.abc import Sequence

from service.core.stock import costs


def draws(cost: int | None, received: int, quantities: Sequence[int]) -> list[int | None]:
    """What each change of a lot (signed, in the order of recording) costs, so that all of it sums to what is left's worth."""
    left = 0
    found: list[int | None] = []
    for quantity in quantities:
        before, left = left, left + quantity
        found.append(None if cost is None else _worth(cost, left, received) - _worth(cost, before, received))
    return found


def _worth(cost: int, left: int, received: int) -> int:
    worth = costs.worth(cost, left, received)
    assert worth is not None
    return worth


def batch(mass: int | None, own: Sequence[int | None], grams: Sequence[int]) -> list[int | None]:
    """The cost of each lot of a batch: its share of the mass by grams, and its own packaging."""
    return [costs.total([share, packaging]) for share, packaging in zip(costs.shared(mass, grams), own, strict=True)]
