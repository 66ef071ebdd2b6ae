"""What a purchase plan is asked with, as plain values that can be handed to another process. No numpy here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.core.buying.offers import Offer, Terms


@dataclass(frozen=True, slots=True)
class Node:
    """A bought material: its place in the books, its service level, the lead time (days) that is its own, and from whom what is
    on order of it comes, as in the books."""

    at: int
    code: str
    name: str
    unit: str
    level: float
    lead_days: int | None = None
    coming_from: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """A supplier: its terms in the workshop's currency, its lead time in days with their chances, days between two orders."""

    name: str
    terms: Terms
    days: Sequence[int]
    chances: Sequence[float]
    review_days: int


@dataclass(frozen=True, slots=True)
class Asked:
    """Which materials to plan, what is offered of them, and how to weigh it. Money in millionths.

    `aside` holds by material the offers that a preference set aside; `until` is the day, counted from today, up to which this
    order alone is to serve; `later` is by material the day on which what is offered from a day to come could be there.
    """

    nodes: Sequence[Node]
    offers: Sequence[Offer]
    sources: Sequence[Source]
    aside: Mapping[str, Sequence[Offer]] = field(default_factory=dict)
    capital_rate: float = 0.10
    budget: int | None = None
    until: int | None = None
    seconds: float = 20.0
    later: Mapping[str, int] = field(default_factory=dict)
