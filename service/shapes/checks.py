"""The question "is there enough?" and its answer."""

from typing import Self

from pydantic import Field, model_validator

from service.shapes.base import Amount, Answered, Asked, Code, Count, Day, Key, Warned


class WantIn(Asked):
    """A number of units of a product, or an amount of a formula's bulk."""

    product: Code | None = None
    units: Count | None = None
    formula: Code | None = None
    batch_g: Amount | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        if (self.product is None) == (self.formula is None):
            raise ValueError("name either a `product` with `units`, or a `formula` with `batch_g`")
        if (self.product is None) != (self.units is None):
            raise ValueError("`units` go with a `product`")
        if (self.formula is None) != (self.batch_g is None):
            raise ValueError("`batch_g` goes with a `formula`")
        return self


class CheckIn(Asked):
    """What is wanted, and by when; of an `order` what is still open, by the day it must leave, beside its own claim."""

    wants: list[WantIn] = Field([], max_length=100)
    by: Day | None = None
    use_finished: bool = True
    order: Key | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.wants and self.order is None:
            raise ValueError("say what is wanted: `wants`, or an `order`")
        return self


class WantOut(Answered):
    """One want: what serves it, what must be made, and when."""

    product: str | None
    formula: str | None
    units: int | None
    batch_g: int | float | None
    from_finished: int
    from_bulk: int | float
    to_make: int | float
    making_day: str
    ready_on: str | None


class LotShare(Answered):
    """A quantity of one lot."""

    lot: str
    quantity: int | float


class NeedOut(Answered):
    """What is needed of one material, and whether it is there."""

    material: str
    needed: int | float
    available: int | float
    claimed: int | float
    short: int | float
    lots: list[LotShare]


class MakeFirst(Answered):
    """Bulk to be made before."""

    formula: str
    batch_g: int | float


class CheckOut(Answered):
    """Whether there is enough, in one sentence and in figures."""

    enough: bool
    sentence: str
    wants: list[WantOut]
    needs: list[NeedOut]
    limiting_material: str | None
    make_first: list[MakeFirst]
    makeable_units: dict[str, int]
    making_day: str
    ready_on: str | None
    by: str | None
    order: str | None
    warnings: list[Warned]
    cost: int | float | None
