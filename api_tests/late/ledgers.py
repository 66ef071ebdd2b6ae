"""What the clerk keeps: lots, pieces of draws, the books; the order of happening, and which papers stand."""

from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from late.papers import SET_APART, Correction, Count, Edit, Life, Paper, Restated, Reversal, Run, receipt_of

Key = tuple[Any, ...]
CAME, SPLIT, NAMED, GONE, ASSUMED = range(5)
NEVER = date.max


@dataclass
class Lot:
    """A lot as the replay knows it."""

    name: str
    item: str
    received: date
    order: float
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
    life: int | None = None  # days it lasts once opened
    opened: date | None = None
    by_hand: bool = False  # a person said since when it is open

    def status(self, at: Key) -> str:
        return _at(self.statuses, at)

    def place(self, at: Key) -> str | None:
        return _at(self.places, at)

    def usable(self, at: Key) -> bool:
        return self.status(at) == "released" and self.use_by >= at[0]

    def drawable(self, at: Key) -> bool:
        """Whether production draws it by itself."""
        return self.usable(at) and self.place(at) != SET_APART

    @property
    def use_by(self) -> date:
        ends = NEVER if self.life is None or self.opened is None else self.opened + timedelta(days=self.life)
        return min(ends, self.expires or NEVER)

    def first_drawn(self, day: date) -> None:
        """The first draw opens it, unless a person said since when it is open."""
        if self.life is not None and not self.by_hand:
            self.opened = min(self.opened or day, day)

    def open_since(self, day: date | None) -> None:
        """What a person says; an edit that was told of before the lot was there stands."""
        if day is not None:
            self.opened, self.by_hand = day, True

    @property
    def law6(self) -> tuple[Any, ...]:
        return (self.use_by, self.received, not self.batch, self.order)


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


def before(key: Key) -> Key:
    """What was, just before a paper: its edits of facts count as not yet made."""
    return (*key[:-2], key[-2] - 0.5)


def lives(told: list[Paper]) -> dict[str, int]:
    """Of each item how many days a lot of it lasts once opened."""
    return {paper.item: paper.days for paper in told if isinstance(paper, Life)}


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
        elif not isinstance(paper, Reversal | Life):
            if isinstance(paper, Run):
                paper = replace(paper, named=tuple(one for one in paper.named if receipt_of(one[1]) not in freed))
            found[paper.name] = (order, paper)
    return [one for one in found.values() if not (isinstance(one[1], Edit) and receipt_of(one[1].lot) in reversed_)]
