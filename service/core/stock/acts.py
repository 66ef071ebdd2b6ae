"""What papers do to an item's lots, as the core sees them: something came, was drawn, went, was split, counted or edited."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from service.core.stock import draw
from service.core.stock.draw import Shelf


@dataclass(slots=True)
class Lot:
    """A lot while acts run over it."""

    id: int
    code: str
    received_on: date
    quantity: int = 0
    status: str = "released"
    expires_on: date | None = None
    retest_on: date | None = None
    ready_on: date | None = None
    opened_on: date | None = None
    opened_by_hand: bool = False
    opened_life_days: int | None = None
    set_apart: bool = False
    place: str | None = None

    @property
    def use_by(self) -> date:
        """The last usable day."""
        return draw.last_usable_day(self.expires_on, self.opened_on, self.opened_life_days)

    @property
    def production(self) -> bool:
        """Whether it is in a place that production draws from."""
        return not self.set_apart

    def shelf(self, quantity: int | None = None) -> Shelf:
        """The lot as a draw sees it."""
        left = self.quantity if quantity is None else quantity
        dates, opens_for = (self.retest_on, self.ready_on), self.opened_life_days if self.opened_on is None else None
        return Shelf(self.id, self.code, self.received_on, self.use_by, left, self.status, *dates, not self.set_apart, opens_for)


class Came(NamedTuple):
    """A lot came in or was made."""

    lot: Lot
    quantity: int


class Edited(NamedTuple):
    """Facts of a lot from here on."""

    lot: int
    facts: Mapping[str, Any]


class Named(NamedTuple):
    """A draw of named lots: (lot, most) each; `need` is the line's whole quantity."""

    need: int
    lots: tuple[tuple[int, int | None], ...]


class Assumed(NamedTuple):
    """A draw of what named lots did not give, first expired, first out; never from `without`.

    A sale (`least` given) takes from any place, and only lots whose last usable day is not before `least`.
    """

    need: int
    without: frozenset[int] = frozenset()
    least: date | None = None


class Gone(NamedTuple):
    """A disposal from one lot."""

    lot: int
    quantity: int


class Divided(NamedTuple):
    """Part of a lot becomes a lot of its own, which is what its parent was then but for what `told` says."""

    lot: int
    child: Lot
    quantity: int
    told: frozenset[str] = frozenset()  # `place`, `opened_on`


class Counted(NamedTuple):
    """What was really there: of one lot, of the lots in a place, or of the item; `own` is where a gain falls without a lot."""

    counted: int
    lot: int | None = None
    place: str | None = None
    own: Lot | None = None

    @property
    def whole(self) -> bool:
        """Whether the whole item was counted."""
        return self.lot is None and self.place is None


Act = Came | Edited | Named | Assumed | Gone | Divided | Counted


# Rank (happening), the item's order of recording, line, whether it is the assumed part of a draw.
Order = tuple[int, int, int, bool]


class Paper(NamedTuple):
    """One act of a paper, at its place in the order of happening, then of recording, then of the sheet."""

    order: Order
    document: int
    day: date
    act: Act

    @property
    def line(self) -> int:
        """The line of the paper."""
        return self.order[2]


def paper(rank: int, number: int, document: int, line: int, day: date, act: Act) -> Paper:
    """An act at its place: `rank` says when it happened, `number` when it was recorded among the item's papers."""
    return Paper((rank, number, line, isinstance(act, Assumed)), document, day, act)
