"""Orders, customers' terms, shipments, returns and market days."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator

from service.shapes.base import Amount, Answered, Asked, Code, Count, Day, DayOrTime, Days, Key, Label, Note, Warned
from service.shapes.papers import Moved

Channel = Literal["retail", "wholesale", "market"]
State = Literal["open", "partly_shipped", "shipped", "cancelled"]
ONE_OFF = "true: no forecast learns from it; false: such orders come again, all of it is learnt; null: nobody said."


def _fit_for_an_address(value: str) -> str:
    if "/" in value or "\\" in value or not value.isprintable() or value != value.strip() or not value.strip("."):
        raise ValueError("must be printable, without slashes and without spaces at its ends")
    return value


Reference = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_fit_for_an_address)]  # the shop's own


class OrderLineIn(Asked):
    """Units of one product, and the price of one."""

    product: Code
    units: Count
    unit_price: Amount | None = None


class OrderIn(Asked):
    """What a customer asked for; without a `reference` the service gives one."""

    reference: Reference | None = None
    channel: Channel = "retail"
    customer: Label | None = None
    placed_on: Day | None = None
    due_on: Day | None = None
    lines: list[OrderLineIn] = Field(min_length=1, max_length=500)
    one_off: bool | None = Field(None, description=ONE_OFF)
    note: Note | None = None


class OrderPatch(Asked):
    """What may change of an order: `lines` while nothing is shipped; `state` `cancelled`, or `open` again."""

    channel: Channel | None = None
    placed_on: Day | None = None
    due_on: Day | None = None
    customer: Label | None = None
    lines: list[OrderLineIn] | None = Field(None, min_length=1, max_length=500)
    state: Literal["open", "cancelled"] | None = None
    one_off: bool | None = Field(None, description=ONE_OFF)
    note: Note | None = None


class OrderLineOut(Answered):
    """One line: what was asked for, what left, what came back (`open`: still to be shipped)."""

    line: int
    product: str
    units: int
    unit_price: int | float | None
    shipped: int
    returned: int
    open: int
    imported: bool


class OrderOut(Answered):
    """An order; `ship_by` is due less the customer's transit, `runs` are the batches made or planned for it."""

    reference: str
    channel: Channel
    customer: str | None
    placed_on: str
    due_on: str | None
    ship_by: str | None
    state: State
    lines: list[OrderLineOut]
    total: int | float | None
    shipments: list[str]
    returns: list[str]
    runs: list[str]
    one_off: bool | None
    note: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    sentence: str


class CustomerPatch(Asked):
    """A customer's terms: days on the way, days of life left on arrival, least worth of an order."""

    transit_days: Days | None = None
    min_life_days: Days | None = None
    smallest_order: Amount | None = None


class CustomerOut(Answered):
    """A customer's terms, and its open orders."""

    customer: str
    transit_days: int
    min_life_days: int
    smallest_order: int | float | None
    open_orders: list[str]


class ShippedLineIn(Asked):
    """Units of one product that left."""

    product: Code
    units: Count


class ShippedLotIn(Asked):
    """A batch that was taken; without `units` as much of it as is needed."""

    lot: Key
    units: Count | None = None


class ShipmentIn(Asked):
    """What left for an order: without `lines` all that is open, without `lots` first expired first out."""

    lines: list[ShippedLineIn] = Field([], max_length=500)
    lots: list[ShippedLotIn] = Field([], max_length=200)
    shipped_on: DayOrTime | None = None
    note: Note | None = None
    strict: bool = False
    dry_run: bool = False


class ShippedLine(Answered):
    """Units of one product that left."""

    product: str
    units: int
    unit_price: int | float | None


class Taken(Answered):
    """What was taken from one batch (`lot` null: sold beyond the books)."""

    product: str
    lot: str | None
    units: int
    cost: int | float | None
    chosen: Literal["named", "assumed", "unbooked"]


class ShipmentOut(Answered):
    """A shipment: lines as recorded; what it took, costs and concerns as known now."""

    shipment: str
    order: str
    customer: str | None
    channel: Channel
    shipped_on: str
    lines: list[ShippedLine]
    taken: list[Taken]
    cost: int | float | None
    estimated: bool
    note: str | None
    recorded_at: str
    recorded_by: str
    reversed: bool
    warnings: list[Warned]
    concerns: list[Warned]
    moved: list[Moved]
    sentence: str


class ReturnIn(Asked):
    """Units that a customer sent back: of a `batch` (or one of its lots), in a `condition`."""

    batch: Key
    product: Code | None = None
    units: Count
    condition: Label
    returned_on: DayOrTime | None = None
    place: Label | None = None
    note: Note | None = None
    dry_run: bool = False


class ReturnOut(Answered):
    """A return and the quarantined lot it made, a child of the batch's lot."""

    return_: str = Field(alias="return")
    order: str
    customer: str | None
    lot: str
    parent: str
    product: str
    units: int
    condition: str
    returned_on: str
    place: str | None
    cost: int | float | None
    note: str | None
    recorded_at: str
    recorded_by: str
    reversed: bool
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class MarketLineIn(Asked):
    """The day's total of one product, and the price of one."""

    product: Code
    units: Count
    unit_price: Amount | None = None


class MarketDayIn(Asked):
    """A market day without a list of orders: one total for each product."""

    day: Day | None = None
    lines: list[MarketLineIn] = Field(min_length=1, max_length=200)
    lots: list[ShippedLotIn] = Field([], max_length=200)
    note: Note | None = None
    dry_run: bool = False

    @field_validator("lines")
    @classmethod
    def _each_once(cls, lines: list[MarketLineIn]) -> list[MarketLineIn]:
        if len({line.product for line in lines}) != len(lines):
            raise ValueError("must hold each product once, with its total of the day")
        return lines
