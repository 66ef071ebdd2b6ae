"""What the clerk keeps: lots, pieces of draws, the books; the order of happening, and which papers stand."""

from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any

from late.papers import Correction, Count, Edit, Paper, Restated, Reversal, Run

Key = tuple[Any, ...]
CAME, SPLIT, NAMED, GONE, ASSUMED = range(5)
NEVER = date.max


@dataclass
class Lot:
    """A lot as the replay knows it."""

    name: str
    item: str
    received: date
    order: int
    quantity: int
    expires: date | None = None
    cost: Fraction | None = None
    estimated: bool = False
    on_hand: int = 0
    arrived: bool = False
    came: Key = (NEVER,)
    parent: str | None = None
    batch: bool = False  # made by a run: its code is a batch's, and those come before lots'
    statuses: list[tuple[Key, str]] = field(default_factory=list)
    places: list[tuple[Key, str | None]] = field(default_factory=list)

    def status(self, at: Key) -> str:
        return _at(self.statuses, at)

    def place(self, at: Key) -> str | None:
        return _at(self.places, at)

    def released_before(self, at: Key) -> bool:
        return sorted(one for one in self.statuses if one[0] < at)[-1][1] == "released"

    def usable(self, at: Key) -> bool:
        return self.status(at) == "released" and (self.expires is None or self.expires >= at[0])

    @property
    def law6(self) -> tuple[Any, ...]:
        return (self.expires or NEVER, self.received, not self.batch, self.order)


def _at(facts: list[tuple[Key, Any]], at: Key) -> Any:
    """What held at a moment; before the lot was there (its receipt was corrected to a later day) what it came with."""
    in_order = sorted(facts, key=lambda one: one[0])
    return next((said for since, said in reversed(in_order) if since <= at), in_order[0][1])


@dataclass
class Piece:
    """A part of one draw; `lot` None is unbooked, until a count clears it from the balance (`cleared`)."""

    paper: str
    item: str
    lot: str | None
    grams: int
    key: Key
    cleared: bool = False


@dataclass
class Books:
    """What the clerk's replay ends with."""

    lots: dict[str, Lot]
    pieces: list[Piece]
    differences: dict[str, int]
    costs: dict[str, Fraction | None]
    estimated: dict[str, bool]
    made: set[str]  # lots that a run made

    def on_hand(self, item: str) -> int:
        return sum(lot.on_hand for lot in self.lots.values() if lot.item == item)

    def unbooked(self, item: str) -> int:
        return sum(one.grams for one in self.pieces if one.item == item and one.lot is None and not one.cleared)

    def draws(self, paper: str) -> dict[tuple[str, str | None], int]:
        found: dict[tuple[str, str | None], int] = defaultdict(int)
        for one in self.pieces:
            if one.paper == paper and one.grams:
                found[one.item, one.lot] += one.grams
        return dict(found)


def worth(cost: Fraction, left: int, received: int) -> int:
    """Law 9: cost x left / received in millionths, half to even (Python's round)."""
    return round(cost * left * 1_000_000 / received) if received else 0


def key_of(paper: Paper, phase: int, order: int) -> Key:
    """The order of happening."""
    rank = 0 if not isinstance(paper, Count) else 2 if paper.lot is None and paper.place is None else 1
    if paper.at is not None:
        return (paper.day, 1, paper.at, rank, order, phase)
    if rank:
        return (paper.day, 2, 0, rank, order, phase)
    return (paper.day, 0, phase, 0, order, phase)


def standing(told: list[Paper]) -> list[tuple[int, Paper]]:
    """Papers with the order they were recorded in, corrected, without the reversed."""
    reversed_ = {paper.target for paper in told if isinstance(paper, Reversal)}
    freed = {paper.target for paper in told if isinstance(paper, Reversal) and paper.settle}
    found: dict[str, tuple[int, Paper]] = {}
    for order, paper in enumerate(told):
        if paper.name in reversed_:
            continue
        if isinstance(paper, Correction | Restated):
            if paper.target in found:
                then, was = found[paper.target]
                fields = {"grams": paper.grams} if isinstance(paper, Restated) else paper.fields
                found[paper.target] = (then, replace(was, **fields))  # type: ignore[arg-type]
        elif not isinstance(paper, Reversal):
            if isinstance(paper, Run):
                paper = replace(paper, named=tuple(one for one in paper.named if one[1] not in freed))
            found[paper.name] = (order, paper)
    return [one for one in found.values() if not (isinstance(one[1], Edit) and one[1].lot in reversed_)]
