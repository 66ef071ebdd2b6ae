"""How long stock lasts."""

from typing import Literal

from pydantic import Field

from service.shapes.base import Answered, Asked, Code, Count, Day
from service.shapes.forecasts import HugeOrder


class ImaginedOrder(Asked):
    """An order that is only thought of."""

    product: Code
    units: Count
    due_on: Day
    channel: Literal["retail", "wholesale", "market"] = "wholesale"


class CoverIn(Asked):
    """Orders to be imagined."""

    what_if: list[ImaginedOrder] = Field(min_length=1, max_length=50)


class RunsOut(Answered):
    """The days by which it has run out with a chance of 10, 50 and 90 % (null: beyond sight)."""

    early: str | None
    likely: str | None
    late: str | None


class LotLoss(Answered):
    """What a lot is expected to lose unused when it expires."""

    lot: str
    quantity: int | float


class Driver(Answered):
    """A product that needs the material, and its share of the need."""

    product: str
    percent: int | float


class WeekBand(Answered):
    """What is left at the end of a week: with a chance of 10 % less than `low`, of 10 % more than `high`."""

    week_ends: str
    low: int | float
    middle: int | float
    high: int | float


class Arriving(Answered):
    """What is still to come of a line of a placed purchase order."""

    purchase_order: str
    line: int
    supplier: str
    quantity: int | float
    expected_on: str


class LeadTime(Answered):
    """Days from ordering to receiving: the material's own; else those that deliveries of the supplier of its cheapest standing
    offer taught (`seen` of them; `seen_percent` of it is seen, the rest stated); else the workshop's."""

    likely_days: int
    service_level_days: int
    from_: Literal["material", "supplier", "workshop"] = Field(alias="from")
    supplier: str | None
    seen: int
    seen_percent: int | float


class MaterialCover(Answered):
    """How long one material lasts: `runs_out` on what is there, `with_orders` with what is on order as that probably comes.

    `order_by`: the latest day to order (again) on, so that the delivery comes before the stock and all that is on order are used
    up, at the service level over demand and lead time. Bulk is made, not ordered: then the day by which to make it.
    """

    material: str
    name: str
    kind: Literal["ingredient", "packaging", "bulk"]
    unit: str
    sentence: str
    on_hand: int | float
    usable: int | float
    claimed: int | float
    on_order: int | float
    arrivals: list[Arriving]
    weekly_need: int | float
    runs_out: RunsOut
    with_orders: RunsOut
    order_by: str | None
    lead_time_days: int
    lead_time: LeadTime | None  # null: bulk is made
    service_level_percent: int | float
    expiring: list[LotLoss]
    drivers: list[Driver]
    bands: list[WeekBand]


class Moved(Answered):
    """A material that an imagined order moves: as it is without it."""

    material: str
    without: RunsOut
    with_it: RunsOut
    order_by_without: str | None
    order_by_with_it: str | None
    sentence: str


class CoverOut(Answered):
    """All materials and the bulk that is kept, the most urgent first.

    And what it rests on: `new_products` nobody ordered yet are expected to sell as others do; `huge_orders` are asked about.
    """

    as_of: str
    until: str
    sentence: str
    how_good: str
    materials: list[MaterialCover]
    moved: list[Moved]
    new_products: list[str]
    huge_orders: list[HugeOrder]


class OneCoverOut(MaterialCover):
    """One material, how far to trust it, and the orders of the products that drive it that one is asked about."""

    as_of: str
    until: str
    how_good: str
    huge_orders: list[HugeOrder]
