"""Purchase orders and deliveries."""

from typing import Literal, Self

from pydantic import Field, model_validator

from service.shapes.base import Amount, Answered, Asked, Code, Count, Currency, Day, DayOrTime, Key, Label, Note, Warned
from service.shapes.buying import Rate
from service.shapes.papers import CameIn, Given, Moved, Unit

PurchaseState = Literal["draft", "placed", "partly_received", "received", "cancelled"]


class PurchaseLineIn(Asked):
    """`packs` of an `offer`, or of a `quantity` of a `material`; `price` is that of one pack."""

    offer: Key | None = None
    packs: Count = 1
    material: Code | None = None
    quantity: Amount | None = None
    unit: Unit | None = None
    price: Amount | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.offer is None) == (self.material is None):
            raise ValueError("name an `offer`, or a `material`")
        if self.offer is not None and (self.quantity is not None or self.unit is not None):
            raise ValueError("an `offer` says what its pack holds: leave out `quantity` and `unit`")
        if self.material is not None and self.quantity is None:
            raise ValueError("a `material` needs a `quantity`")
        return self


class PurchaseOrderIn(Asked):
    """A draft of what to order from a supplier."""

    supplier: Code
    lines: list[PurchaseLineIn] = Field(min_length=1, max_length=200)
    note: Note | None = None


class PurchaseOrderPatch(Asked):
    """What may change: `lines` of a draft; the days of a placed order, and the lines of which no more is awaited (`closed`)."""

    lines: list[PurchaseLineIn] | None = Field(None, min_length=1, max_length=200)
    note: Note | None = None
    placed_on: Day | None = None
    expected_on: Day | None = None
    closed: list[Count] | None = Field(None, max_length=200)


class PlacementIn(Asked):
    """The draft was sent to the supplier; without `expected_on` it follows from the supplier's lead time."""

    placed_on: Day | None = None
    expected_on: Day | None = None


class PurchaseCancellationIn(Asked):
    """Why an order is not wanted any more."""

    reason: Note | None = None


class PurchaseLineOut(Answered):
    """One line: what was ordered, what standing receipts brought, what is still open."""

    line: int
    material: str
    name: str
    offer: str | None
    article: str | None
    packs: int
    pack: Given
    quantity: int | float
    price: int | float | None
    cost: int | float | None
    received: int | float
    open: int | float
    closed: bool
    receipts: list[str]


class PurchaseOrderOut(Answered):
    """A purchase order; money in the supplier's currency. `message` is the text to paste into a message to the supplier."""

    code: str
    supplier: str
    supplier_name: str
    state: PurchaseState
    currency: str
    placed_on: str | None
    expected_on: str | None
    late: bool
    lines: list[PurchaseLineOut]
    goods: int | float | None
    delivery: int | float | None
    total: int | float | None
    deliveries: list[str]
    note: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    message: str
    sentence: str


class DeliveryLineIn(CameIn):
    """One lot of a delivery note: of a `line` of the order, or of a `material`.

    It is `packs` of what was ordered, or of the `quantity` told here; without both all that is open of the line. `price` is that
    of one pack; where it is not told, it is the ordered one. `close`: no more of the line is awaited.
    """

    line: Count | None = None
    material: Code | None = None
    packs: Count | None = None
    quantity: Amount | None = None
    unit: Unit | None = None
    price: Amount | None = None
    close: bool = False

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.line is None and self.material is None:
            raise ValueError("name a `line` of the order, or a `material`")
        if self.unit is not None and self.quantity is None:
            raise ValueError("`unit` goes with a `quantity`")
        return self


class DeliveryIn(Asked):
    """A whole delivery note for a purchase order; without `lines` all that is open came as ordered.

    `delivery_charge` and prices are in `currency` (the supplier's, where it is not told), at the `rate` of the day (the same).
    """

    lines: list[DeliveryLineIn] = Field([], max_length=200)
    delivered_on: DayOrTime | None = None
    note_number: Label | None = None
    delivery_charge: Amount | None = None
    currency: Currency | None = None
    rate: Rate | None = None
    note: Note | None = None
    dry_run: bool = False


class FreeDeliveryIn(DeliveryIn):
    """A delivery note of a supplier from whom nothing was ordered here: every line names a `material` and a `quantity`."""

    supplier: Code
    lines: list[DeliveryLineIn] = Field(min_length=1, max_length=200)


class DeliveredLine(Answered):
    """One receipt of a delivery: `charged` in the delivery's currency; `cost` of its lots in the workshop's, with
    `delivery_share` in it. `line` null: not ordered."""

    line: int | None
    material: str
    receipt: str
    lot: str
    lots: list[str]
    quantity: int | float
    charged: int | float | None
    delivery_share: int | float
    cost: int | float | None
    supplier_lot: str | None
    expires_on: str | None
    status: Literal["quarantined", "released"]
    reversed: bool


class DeliveryOut(Answered):
    """A delivery as recorded; whether its receipts were reversed as known now. `charged`, `delivery_charge`: in its currency."""

    delivery: str
    supplier: str
    supplier_name: str
    purchase_order: str | None
    state: PurchaseState | None
    delivered_on: str
    note_number: str | None
    currency: str
    rate: int | float
    charged: int | float | None
    delivery_charge: int | float
    cost: int | float | None
    lines: list[DeliveredLine]
    note: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str
