"""Materials, and the stock figures and movements of any item."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from service.shapes.base import Answered, Asked, Code, Days, Label, Name, Note, ServiceLevel, decimal

Density = Annotated[
    Decimal,
    BeforeValidator(decimal),
    Field(ge=Decimal("0.01"), le=25),
    WithJsonSchema({"type": "number", "minimum": 0.01, "maximum": 25}),
]
Functions = Annotated[list[Label], Field(max_length=20)]


class MaterialIn(Asked):
    """A new ingredient or packaging item."""

    code: Code
    name: Name
    kind: Literal["ingredient", "packaging"] = "ingredient"
    unit: Literal["g", "piece"] | None = None
    stocked: bool = True
    active: bool = True
    inci: Name | None = None
    function: Functions = []
    contains_water: bool | None = None
    density_g_per_ml: Density | None = None
    shelf_life_days: Days | None = None
    opened_life_days: Days | None = None
    lead_time_days: Days | None = None
    service_level_percent: ServiceLevel | None = None
    notes: Note | None = None


class MaterialPatch(Asked):
    """What may change of a material; its code, kind and unit do not."""

    name: Name | None = None
    stocked: bool | None = None
    active: bool | None = None
    inci: Name | None = None
    function: Functions | None = None
    contains_water: bool | None = None
    density_g_per_ml: Density | None = None
    shelf_life_days: Days | None = None
    opened_life_days: Days | None = None
    lead_time_days: Days | None = None
    service_level_percent: ServiceLevel | None = None
    notes: Note | None = None


class LotOut(Answered):
    """A lot: what came or was made together, and what is left of it."""

    code: str
    item: str
    kind: str
    batch: str | None
    supplier: str | None
    supplier_lot: str | None
    certificate: str | None
    received_on: str | None
    made_on: str | None
    expires_on: str | None
    expires_assumed: bool
    retest_on: str | None
    opened_on: str | None
    last_usable_day: str | None
    ready_on: str | None
    status: Literal["quarantined", "released", "rejected"]
    status_by: str | None
    status_on: str | None
    status_reason: str | None
    place: str | None
    quantity: int | float
    on_hand: int | float
    cost: int | float | None
    unit_cost: int | float | None
    estimated: bool


class Stock(Answered):
    """How much there is, each lot in one of the parts of on hand."""

    on_hand: int | float
    usable: int | float
    set_apart: int | float
    resting: int | float
    quarantined: int | float
    rejected: int | float
    expired: int | float
    claimed: int | float
    available: int | float
    unbooked: int | float
    lots: list[LotOut]


class MaterialOut(Stock):
    """A material and its stock; `on_order` is placed with suppliers and still to come."""

    code: str
    name: str
    kind: Literal["ingredient", "packaging", "bulk"]
    unit: Literal["g", "piece"]
    stocked: bool
    active: bool
    inci: str | None
    function: list[str]
    contains_water: bool
    density_g_per_ml: int | float | None
    shelf_life_days: int | None
    opened_life_days: int | None
    lead_time_days: int | None
    service_level_percent: int | float | None
    notes: str | None
    on_order: int | float


class StockAt(Answered):
    """What the books say of an item at a moment (`at`), as known at another (`known_at`, null: now)."""

    code: str
    at: str
    known_at: str | None
    on_hand: int | float
    unbooked: int | float
    value: int | float | None
    estimated: bool


class MovementOut(Answered):
    """One line of the ledger (`lot` null: unbooked)."""

    document: str
    kind: str
    item: str
    lot: str | None
    quantity: int | float
    cost: int | float | None
    happened_at: str
    recorded_at: str
    recorded_by: str
    reverses: str | None
    corrects: str | None
    caused_by: str | None
