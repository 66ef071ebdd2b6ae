"""What a purchase plan says: plain values that another process can hand over. No numpy here.

Money in millionths, quantities in the smallest units, days counted from today (day 0), risks and levels as shares.
"""

from dataclasses import dataclass

GAP = 1e-3  # of what a proven plan may cost too much


@dataclass(frozen=True, slots=True)
class Other:
    """The next best offer for the same quantity, and what it would have cost with its delivery."""

    offer: str
    supplier: str
    packs: int
    cost: int


@dataclass(frozen=True, slots=True)
class Line:
    """Packs of an offer and why. `needed_by`: the day by which the stock is out with more than the chance allowed;
    `covers_until`: the same with today's orders (None: not within sight). Risks are chances of running out between this delivery
    and the next; `level` is the service level it is held to."""

    offer: str
    material: str
    packs: int
    quantity: int
    pack_price: int
    cost: int
    delivery: int
    arrives: int
    needed_by: int | None
    covers_until: int | None
    next_arrival: int
    risk_before: float
    risk_after: float
    expires: float
    expires_cost: int
    other: Other | None
    level: float


@dataclass(frozen=True, slots=True)
class Order:
    """What one supplier gets."""

    supplier: str
    lines: tuple[Line, ...]
    goods: int
    delivery: int

    @property
    def total(self) -> int:
        """Goods and delivery."""
        return self.goods + self.delivery


@dataclass(frozen=True, slots=True)
class Late:
    """A material that runs out before any order can come; `arrives` is the day it can be had, of what is on order, ordered
    today or offered from a day to come (None: nobody offers it)."""

    material: str
    runs_out: int | None
    arrives: int | None
    risk: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the budget left out: packs of an offer, their price, and the risk with and without them."""

    offer: str
    material: str
    supplier: str
    packs: int
    cost: int
    risk_with: float
    risk_without: float


@dataclass(frozen=True, slots=True)
class Costs:
    """The expected total: goods and delivery are paid; `expires` is part of goods and shown, not added; `saved` later."""

    goods: int
    delivery: int
    capital: int
    running_out: int
    expires: int
    saved: int
    total: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Orders, what cannot be had in time, what the budget left out, the cost, and how far it may be from the least."""

    orders: tuple[Order, ...]
    late: tuple[Late, ...]
    left_out: tuple[LeftOut, ...]
    costs: Costs
    bound: int
    gap: float
    rounds: int
    seconds: float
    solver_seconds: float

    @property
    def proven(self) -> bool:
        """Whether no plan is cheaper, but for a hair."""
        return self.gap <= GAP
