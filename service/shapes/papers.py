"""Receipts, counts, disposals, reversals, and edits of a lot."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from service.shapes.base import (
    Amount,
    Answered,
    Asked,
    Code,
    Count,
    Day,
    DayOrTime,
    ExpiryDay,
    Key,
    Label,
    Note,
    Warned,
    count,
)

Unit = Literal["g", "kg", "lb", "oz", "piece", "ml", "l", "us_fl_oz", "imp_fl_oz", "us_gal", "imp_gal"]
Status = Literal["quarantined", "released", "rejected"]
DocumentKind = Literal["receipt", "count", "disposal", "split", "run", "shipment", "return", "edit", "reversal", "correction"]
Reason = Literal["spoiled", "expired", "damaged", "tester", "sample", "retained", "gift", "own_use", "lost"]


class Linked(Answered):
    """What a document reverses, corrects or was caused by (codes, or null)."""

    reverses: str | None
    corrects: str | None
    caused_by: str | None


class Moved(Answered):
    """What a late paper moved of another: from a lot to a lot (null: unbooked)."""

    document: str
    item: str
    from_lot: str | None
    to_lot: str | None
    quantity: int | float
    cost: int | float | None


class CameIn(Asked):
    """What stands on the container of a delivery, and what becomes of it."""

    supplier_lot: Label | None = None
    certificate: Label | None = None
    expires_on: ExpiryDay | None = None
    retest_on: Day | None = None
    place: Label | None = None
    status: Literal["quarantined", "released"] = "released"
    containers: Annotated[int, BeforeValidator(count), Field(ge=1, le=100)] = 1
    note: Note | None = None


class ReceiptIn(CameIn):
    """A delivery of one lot; `line` of a `purchase_order`, which the only one of the material need not name."""

    material: Code
    quantity: Amount
    unit: Unit | None = None
    supplier: Label | None = None
    received_on: DayOrTime | None = None
    cost: Amount | None = None
    purchase_order: Key | None = None
    line: Count | None = None
    close: bool = False
    dry_run: bool = False

    @model_validator(mode="after")
    def _of_an_order(self) -> Self:
        if self.purchase_order is None and (self.line is not None or self.close):
            raise ValueError("`line` and `close` go with a `purchase_order`")
        return self


class Given(Answered):
    """The quantity as it stood on the delivery note."""

    quantity: int | float
    unit: Unit


class ReceiptOut(Linked):
    """A receipt and the lot it made."""

    receipt: str
    lot: str
    lots: list[str]
    material: str
    quantity: int | float
    given: Given
    supplier: str | None
    supplier_lot: str | None
    certificate: str | None
    received_on: str
    expires_on: str | None
    expires_assumed: bool
    retest_on: str | None
    cost: int | float | None
    place: str | None
    status: Literal["quarantined", "released"]
    note: str | None
    purchase_order: str | None
    line: int | None
    delivery: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    moved: list[Moved]
    reversed: bool
    corrections: list[str]
    first: dict[str, Any] | None
    sentence: str


class ReceiptCorrectionIn(Asked):
    """What a receipt should have said; only what is sent changes."""

    quantity: Amount | None = None
    unit: Unit | None = None
    received_on: DayOrTime | None = None
    expires_on: ExpiryDay | None = None
    retest_on: Day | None = None
    supplier: Label | None = None
    supplier_lot: Label | None = None
    certificate: Label | None = None
    cost: Amount | None = None
    note: Note | None = None
    dry_run: bool = False

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.model_fields_set - {"note", "dry_run"}:
            raise ValueError("say what was different")
        return self

    @field_validator("quantity", "unit", "received_on", "cost", mode="before")
    @classmethod
    def _told(cls, value: Any) -> Any:
        if value is None:
            raise ValueError("must not be null: leave it out, if it was right")
        return value


class ReceiptCorrectionOut(Linked):
    """A correction of a receipt, and what it moved."""

    correction: str
    lot: str
    material: str
    quantity: int | float
    cost: int | float | None
    set: dict[str, Any]
    note: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class CountIn(Asked):
    """What is really on the shelf: of one lot, or of all lots of a material or product."""

    lot: Key | None = None
    material: Code | None = None
    product: Code | None = None
    counted: Amount
    counted_at: DayOrTime | None = None
    place: Label | None = None
    note: Note | None = None
    dry_run: bool = False

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        if sum(value is not None for value in (self.lot, self.material, self.product)) != 1:
            raise ValueError("count one thing: a `lot`, a `material` or a `product`")
        return self


class Change(Answered):
    """One change of one lot (null: unbooked)."""

    item: str
    lot: str | None
    quantity: int | float
    cost: int | float | None


class CountOut(Linked):
    """A count: what was counted, what the books said, what differs."""

    count: str
    item: str
    lot: str | None
    place: str | None
    counted: int | float
    counted_at: str
    book: int | float
    difference: int | float
    movements: list[Change]
    note: str | None
    recorded_at: str
    recorded_by: str
    reversed: bool
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class DisposalIn(Asked):
    """What left the shelf without being made or sold."""

    lot: Key
    quantity: Amount
    reason: Reason
    note: Note | None = None
    disposed_on: DayOrTime | None = None
    dry_run: bool = False


class DisposalOut(Linked):
    """A disposal."""

    disposal: str
    lot: str
    item: str
    quantity: int | float
    reason: Reason
    note: str | None
    disposed_on: str
    cost: int | float | None
    recorded_at: str
    recorded_by: str
    reversed: bool
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class ReversalIn(Asked):
    """A document to be taken out as if it had never been."""

    document: Key
    reason: Note
    settle: bool = False
    dry_run: bool = False


class ReversalOut(Linked):
    """A reversal and what it moved back."""

    reversal: str
    reason: str
    movements: list[Change]
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class DocumentOut(Linked):
    """A paper of any kind, and what it reverses, corrects or was caused by."""

    document: str
    kind: str
    happened_on: str
    happened_at: str | None
    recorded_at: str
    recorded_by: str


class DocumentShown(DocumentOut):
    """A paper with its note or reason, what it set anew (of an edit or a correction), and what it moved by itself."""

    note: str | None
    set: dict[str, Any] | None
    movements: list[Change]
