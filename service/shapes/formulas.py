"""Formulas, their versions, and batch sheets."""

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from service.shapes.base import Amount, Answered, Asked, Code, Days, Label, Name, Note, Warned


class LineIn(Asked):
    """A share of a material; one line may fill up to 100 with `rest`."""

    material: Code
    percent: Amount | Literal["rest"]
    phase: Label | None = None


class VersionIn(Asked):
    """All that scales or dates a batch."""

    usual_batch_g: Amount | None = None
    smallest_batch_g: Amount | None = None
    largest_batch_g: Annotated[Amount, Field(gt=0)] | None = None
    process_loss_percent: Annotated[Amount, Field(lt=100)] = Decimal(0)
    process_loss_g: Amount = Decimal(0)
    rest_days: Days = 0
    bulk_shelf_life_days: Days | None = None
    lines: list[LineIn] = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        smallest, largest = self.smallest_batch_g, self.largest_batch_g
        if smallest is not None and largest is not None and smallest > largest:
            raise ValueError("smallest_batch_g must not be more than largest_batch_g")
        return self


class FormulaIn(VersionIn):
    """A new formula; its bulk material gets its code."""

    code: Code
    name: Name


class FormulaPatch(Asked):
    """What may change without a new version."""

    name: Name | None = None
    active: bool | None = None
    preservation_note: Note | None = None


class LineOut(Answered):
    """A line of a version."""

    material: str
    percent: int | float
    rest: bool
    phase: str | None


class FormulaOut(Answered):
    """A formula in one of its versions."""

    code: str
    name: str
    active: bool
    version: int
    versions: list[int]
    usual_batch_g: int | float | None
    smallest_batch_g: int | float | None
    largest_batch_g: int | float | None
    process_loss_percent: int | float
    process_loss_g: int | float
    rest_days: int
    bulk_shelf_life_days: int | None
    lines: list[LineOut]
    preservation_note: str | None
    warnings: list[Warned]


class SheetLot(Answered):
    """A quantity of one lot to take."""

    lot: str
    quantity: int | float


class SheetLine(Answered):
    """What to weigh, and from which lots."""

    material: str
    name: str
    phase: str | None
    percent: int | float | None
    quantity: int | float
    lots: list[SheetLot]
    short: int | float


class SheetOut(Answered):
    """A formula scaled to a batch."""

    formula: str
    version: int
    product: str | None
    units: int | None
    batch_g: int | float
    lines: list[SheetLine]
    packaging: list[SheetLine]
    warnings: list[Warned]
    cautions: list[str]
