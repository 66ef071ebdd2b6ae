"""Purchase plans: what to order today, from whom, in which packs, and why."""

from decimal import Decimal
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from service.shapes.base import Amount, Answered, Asked, Code, Day, Label, Warned, decimal
from service.shapes.papers import Given
from service.shapes.purchases import PurchaseOrderOut


def _percent(value: Any) -> Any:
    """A share below 1 is meant as one: 0.95 is 95 %."""
    number = decimal(value)
    return number * 100 if number < 1 else number


LEVEL_SCHEMA = {
    "anyOf": [{"type": "number", "minimum": 50, "maximum": 99.9}, {"type": "number", "minimum": 0.5, "maximum": 0.999}]
}
Level = Annotated[
    Decimal, BeforeValidator(_percent), Field(ge=50, le=Decimal("99.9"), decimal_places=4), WithJsonSchema(LEVEL_SCHEMA)
]


class PurchasePlanIn(Asked):
    """What to plan for; nothing given: all materials, from all suppliers, at the workshop's service level.

    `by`: the day up to which what is ordered now is to last (by default until the next order could be there). `budget`: what
    goods and delivery may cost together. `service_level` in percent (or as a share below 1). `prefer`: claims that an
    offer should carry; a material of which no offer carries them is bought without.
    """

    by: Day | None = None
    budget: Amount | None = None
    service_level: Level | None = None
    prefer: list[Label] = Field(default_factory=list, max_length=20)
    suppliers: list[Code] | None = Field(None, min_length=1, max_length=200)
    materials: list[Code] | None = Field(None, min_length=1, max_length=500)


class NextBest(Answered):
    """The next best offer for the same quantity, and what it would have cost with what it adds to delivery."""

    offer: str
    supplier: str
    packs: int
    cost: int | float


class PlannedLine(Answered):
    """Packs of an offer and why, in figures and in words (`why`); money in the workshop's currency.

    `needed_by`: the day by which the stock is out with more than the chance that the service level allows; `covers_until`: the
    same with what is ordered now (null: not within sight). Risks of running out are those between this delivery and the
    next one that could be ordered, without and with all that the plan orders. `expires`: what may expire unused.
    """

    offer: str
    article: str | None
    material: str
    name: str
    unit: str
    packs: int
    pack: Given
    quantity: int | float
    price: int | float
    cost: int | float
    delivery_share: int | float
    claims: list[str]
    arrives_on: str
    needed_by: str | None
    covers_until: str | None
    next_arrival_on: str
    service_level_percent: int | float
    risk_before_percent: int | float
    risk_after_percent: int | float
    expires: int | float
    expires_cost: int | float
    next_best: NextBest | None
    why: str


class PlannedPurchase(Answered):
    """What one supplier gets."""

    supplier: str
    name: str
    lines: list[PlannedLine]
    goods: int | float
    delivery: int | float
    total: int | float


class LateMaterial(Answered):
    """A material that runs out before any order can come; `available_on`: the day it can be had, of what is on order, ordered
    today or offered from a day to come (null: nobody offers it)."""

    material: str
    name: str
    runs_out: str | None
    available_on: str | None
    risk_percent: int | float
    sentence: str


class LeftOutOffer(Answered):
    """What the budget left out, and the risk of running out with and without it."""

    offer: str
    material: str
    name: str
    supplier: str
    packs: int
    cost: int | float
    risk_with_percent: int | float
    risk_without_percent: int | float
    sentence: str


class ExpectedCosts(Answered):
    """What the plan weighs: goods and delivery are paid, the rest is expected; `expires` is part of goods, `saved_later` is
    what need not be bought later."""

    goods: int | float
    delivery: int | float
    capital: int | float
    running_out: int | float
    expires: int | float
    saved_later: int | float
    total: int | float


class PurchasePlanOut(Answered):
    """A plan as it was made from the books `as_of` then, and the purchase orders drafted from it.

    `proven`: no plan costs less by more than 0.1 % of what it weighs; `gap_percent` is how far the least cost may be
    below this plan's (null: nothing could be proven in the time there was).
    """

    code: str
    as_of: str
    recorded_by: str
    by: str | None
    budget: int | float | None
    service_level_percent: int | float
    prefer: list[str]
    suppliers: list[str] | None
    materials: list[str] | None
    currency: str
    orders: list[PlannedPurchase]
    goods: int | float
    delivery: int | float
    total: int | float
    costs: ExpectedCosts
    late: list[LateMaterial]
    left_out: list[LeftOutOffer]
    proven: bool
    gap_percent: int | float | None
    seconds: int | float
    purchase_orders: list[str]
    warnings: list[Warned]
    sentence: str


class DraftsIn(Asked):
    """Draft the purchase orders of a plan."""


class DraftsOut(Answered):
    """The purchase orders that were drafted, one a supplier."""

    plan: str
    purchase_orders: list[PurchaseOrderOut]
    sentence: str
