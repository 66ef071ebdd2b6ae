"""Movements netted by what they belong to: a paper's line and a lot, over the paper's corrections and reversals."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(slots=True)
class Net:
    """Grams and money of one line on one lot; `known` is False while the last entry's cost was unknown."""

    quantity: int = 0
    cost: int = 0
    known: bool = True
    first: int = 0  # the first document that moved it


Key = tuple[int, int, int]  # origin, line, lot


def netted(movements: Iterable[Any]) -> dict[Key, Net]:
    """Net rows (`origin`, `line`, `lot_id`, `quantity`, `cost_micro`) in the order of recording."""
    found: dict[Key, Net] = {}
    for move in movements:
        net = found.setdefault((move.origin, move.line, move.lot_id), Net(first=move.document_id))
        net.quantity += move.quantity
        net.known = move.cost_micro is not None
        net.cost += move.cost_micro or 0
    return found
