"""The workshop and its tokens."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from service.shapes.base import Answered, Asked, Currency, Day, Days, Label, Name, ServiceLevel, count, decimal

ScopeName = Literal["read", "record", "manage"]
Hour = Annotated[
    int, BeforeValidator(count), Field(ge=0, le=23), WithJsonSchema({"type": "integer", "minimum": 0, "maximum": 23})
]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


CapitalRate = Annotated[
    Decimal,
    BeforeValidator(decimal),
    Field(gt=0, le=100, max_digits=7, decimal_places=4),
    WithJsonSchema({"type": "number", "minimum": 0.0001, "maximum": 100}),
]  # what a year of money on the shelf costs; 10 by default (common practice, no source)


class TokenIn(Asked):
    """A new token."""

    name: Label
    scopes: list[ScopeName] = Field(min_length=1, max_length=3)
    expires_on: Day | None = None


class TokenOut(Answered):
    """A token; its text is in the answer to its creation only."""

    code: str
    name: str
    scopes: list[ScopeName]
    expires_on: str | None
    created_on: str
    last_used_on: str | None
    token: str | None = None


class WorkshopPatch(Asked):
    """What may change of the workshop."""

    name: Name | None = None
    time_zone: Label | None = None
    currency: Currency | None = None
    week_start: Weekday | None = None
    expiry_warning_days: Days | None = None
    service_level_percent: ServiceLevel | None = None
    lead_time_days: Days | None = None
    digest_hour: Hour | None = None
    capital_percent_per_year: CapitalRate | None = None


class WorkshopOut(Answered):
    """The workshop."""

    name: str
    time_zone: str
    currency: str
    week_start: Weekday
    expiry_warning_days: int
    service_level_percent: int | float
    lead_time_days: int
    digest_hour: int | None
    capital_percent_per_year: int | float
