"""Suppliers, and what they offer."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from service.shapes.base import Amount, Answered, Asked, Code, Count, Currency, Day, Days, Label, Note, decimal
from service.shapes.papers import Given, Unit

Claims = Annotated[list[Label], Field(max_length=20)]
RATE_SCHEMA = {
    "anyOf": [
        {"type": "number", "minimum": 0.000001, "maximum": 1e6},
        {"type": "string", "pattern": r"^[1-9][0-9]{0,5}([.,][0-9]{1,6})?$"},
    ]
}
Rate = Annotated[Decimal, BeforeValidator(decimal), Field(gt=0, le=1_000_000), WithJsonSchema(RATE_SCHEMA)]


class SupplierIn(Asked):
    """A new supplier. `rate`: what one unit of its currency costs in the workshop's, for plans and comparisons."""

    code: Code
    name: Label
    currency: Currency | None = None
    rate: Rate | None = None
    delivery_charge: Amount = Decimal(0)
    free_delivery_from: Amount | None = None
    smallest_order: Amount = Decimal(0)
    lead_time_days: Days | None = None
    review_days: Days = 7
    notes: Note | None = None
    active: bool = True


class SupplierPatch(Asked):
    """What may change of a supplier; its currency only while nothing is priced in it."""

    name: Label | None = None
    currency: Currency | None = None
    rate: Rate | None = None
    delivery_charge: Amount | None = None
    free_delivery_from: Amount | None = None
    smallest_order: Amount | None = None
    lead_time_days: Days | None = None
    review_days: Days | None = None
    notes: Note | None = None
    active: bool | None = None


class LeadTimes(Answered):
    """How long deliveries take: the stated days while few were seen (`seen_percent` of it is seen), the seen ones later.

    `count` deliveries were seen, `mean` days is expected; 50, 90 and 95 % of deliveries come within so many days.
    """

    count: int
    mean: int | float
    seen_percent: int | float
    within_50: int
    within_90: int
    within_95: int


class SupplierOut(Answered):
    """A supplier; money in its own currency."""

    code: str
    name: str
    currency: str
    rate: int | float | None
    delivery_charge: int | float
    free_delivery_from: int | float | None
    smallest_order: int | float
    lead_time_days: int | None
    review_days: int
    notes: str | None
    active: bool
    lead_times: LeadTimes


class Pack(Asked):
    """What one pack holds."""

    quantity: Amount
    unit: Unit


class PriceBreak(Asked):
    """From so many packs on, every pack costs `price`."""

    packs: Count
    price: Amount


class OfferIn(Asked):
    """A supplier's price for a pack of an ingredient or packaging, in the supplier's currency."""

    supplier: Code
    material: Code
    article: Label | None = None
    pack: Pack
    price: Amount
    breaks: list[PriceBreak] = Field([], max_length=20)
    least_packs: Count = 1
    life_days: Days | None = None
    claims: Claims = []
    valid_from: Day | None = None
    valid_until: Day | None = None


class OfferPatch(Asked):
    """What may change of an offer; its supplier and material do not."""

    article: Label | None = None
    pack: Pack | None = None
    price: Amount | None = None
    breaks: list[PriceBreak] | None = Field(None, max_length=20)
    least_packs: Count | None = None
    life_days: Days | None = None
    claims: Claims | None = None
    valid_from: Day | None = None
    valid_until: Day | None = None


class BreakOut(Answered):
    """A price break as it was told."""

    packs: int
    price: int | float


class UnitPrice(Answered):
    """From so many packs on: the price of one, and of a kilogram (a piece) without and with its share of delivery."""

    packs: int
    price: int | float
    goods: int | float
    delivered: int | float


class OfferOut(Answered):
    """An offer; `unit_prices` in the supplier's currency, `goods_price` and `delivered_price` (of the smallest number of packs)
    in the workshop's, null while no rate is known. A share of delivery is that of an order of these packs alone (or of the
    supplier's smallest order)."""

    code: str
    supplier: str
    material: str
    article: str | None
    pack: Given
    quantity: int | float
    currency: str
    price: int | float
    breaks: list[BreakOut]
    least_packs: int
    life_days: int | None
    claims: list[str]
    valid_from: str | None
    valid_until: str | None
    per: Literal["kg", "piece"]
    unit_prices: list[UnitPrice]
    goods_price: int | float | None
    delivered_price: int | float | None
