"""Products and sets."""

from calendar import monthrange
from decimal import Decimal
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from service.shapes.base import MONTH_DAY, Amount, Asked, Code, Count, Days, Name
from service.shapes.materials import LotOut, Stock


def _in_some_year(value: str) -> str:
    month, day = int(value[:2]), int(value[3:])
    if day > monthrange(LEAP_YEAR, month)[1]:
        raise ValueError("is not a day of the calendar")
    return value


LEAP_YEAR = 2028
MonthDay = Annotated[str, Field(pattern=MONTH_DAY, examples=["10-01"]), AfterValidator(_in_some_year)]
Alike = Annotated[list[Code], Field(max_length=10)]


class PackagingIn(Asked):
    """Packaging of one unit."""

    material: Code
    quantity: Amount = Decimal(1)


class ContentIn(Asked):
    """A product inside a set."""

    product: Code
    quantity: Count = 1


class ProductIn(Asked):
    """A formula's bulk filled to a weight, or a set of other products."""

    code: Code
    name: Name
    formula: Code | None = None
    fill_g: Amount | None = None
    net_g: Amount | None = None
    packaging: list[PackagingIn] = Field([], max_length=50)
    contains: list[ContentIn] = Field([], max_length=50)
    shelf_life_days: Days | None = None
    case_units: Count | None = None
    sold_from: MonthDay | None = None
    sold_until: MonthDay | None = None
    like: Alike = []
    active: bool = True

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.sold_from is None) != (self.sold_until is None):
            raise ValueError("a season has both `sold_from` and `sold_until`, month and day: 10-01")
        if (self.formula is None) == (not self.contains):
            raise ValueError("a product has a `formula` with `fill_g`, a set has `contains`")
        if (self.formula is None) != (self.fill_g is None):
            raise ValueError("`fill_g` goes with a `formula`")
        if self.fill_g is not None and self.fill_g <= 0:
            raise ValueError("`fill_g` must be more than 0")
        if self.net_g is not None and (self.fill_g is None or self.net_g > self.fill_g):
            raise ValueError("`net_g` is never more than `fill_g`")
        return self


class ProductPatch(Asked):
    """What may change of a product."""

    name: Name | None = None
    active: bool | None = None
    shelf_life_days: Days | None = None
    case_units: Count | None = None
    sold_from: MonthDay | None = None
    sold_until: MonthDay | None = None
    like: Alike | None = None


class PackagingOut(Asked):
    """Packaging of one unit."""

    material: str
    quantity: int | float


class ContentOut(Asked):
    """A product inside a set."""

    product: str
    quantity: int


class ProductOut(Stock):
    """A product and its stock; its lots are its batches."""

    code: str
    name: str
    formula: str | None
    fill_g: int | float | None
    net_g: int | float | None
    packaging: list[PackagingOut]
    contains: list[ContentOut]
    shelf_life_days: int | None
    case_units: int | None
    sold_from: str | None
    sold_until: str | None
    like: list[str]
    active: bool
    batches: list[LotOut]
