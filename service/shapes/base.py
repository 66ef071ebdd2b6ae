"""The small words every shape is made of: codes, text, quantities, days."""

import re
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from service.core import units

CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")

FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2199, 12, 31)  # of any date that is told


def _clean(value: str) -> str:
    if CONTROL.search(value):
        raise ValueError("must not contain control characters or broken characters")
    return value


def _one_line(value: str) -> str:
    if "\n" in value or "\r" in value or "\t" in value:
        raise ValueError("must be one line")
    return _clean(value)


def decimal(value: Any) -> Any:
    """Numbers and decimal strings with point or comma; never through a float's rounding."""
    if isinstance(value, bool) or value is None:
        raise ValueError("must be a number")
    if isinstance(value, float):
        value = repr(value)
    if isinstance(value, str | int | Decimal):
        return units.parse_decimal(value)
    raise ValueError("must be a number or a decimal string")


def count(value: Any) -> Any:
    """A whole number; forms send it as text, JSON numbers may come as 24.0."""
    number = decimal(value)
    if number != number.to_integral_value():
        raise ValueError("must be a whole number")
    return int(number)


def _month_or_day(value: Any) -> Any:
    """A month (`2027-12`) as expiry is its last day."""
    if isinstance(value, str) and re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", value):
        year, month = int(value[:4]), int(value[5:])
        first_of_next = date(year + month // 12, month % 12 + 1, 1)
        return date.fromordinal(first_of_next.toordinal() - 1)
    return value


def _iso_day(value: Any) -> Any:
    if isinstance(value, str) and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        raise ValueError("must be a date like 2027-01-31")
    if isinstance(value, int | float | Decimal):
        raise ValueError("must be a date like 2027-01-31")
    return value


def _day_or_time(value: Any) -> Any:
    """A date, or an RFC 3339 time (in the workshop's zone where it names none)."""
    if isinstance(value, date | datetime):
        return value
    if not isinstance(value, str):
        raise ValueError("must be a date like 2027-01-31 or a time like 2027-01-31T14:30:00+01:00")
    found: date | datetime | None = None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
            found = date.fromisoformat(value)
        elif re.fullmatch(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}.*", value):
            found = datetime.fromisoformat(value.upper().replace("Z", "+00:00"))
    except ValueError:
        pass
    if found is None:
        raise ValueError("must be a date like 2027-01-31 or a time like 2027-01-31T14:30:00+01:00")
    if not FIRST_DAY.year <= found.year <= LAST_DAY.year:
        raise ValueError(f"must be from {FIRST_DAY} to {LAST_DAY}")
    return found


CODE = r"^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$"
CURRENCY = r"^[A-Z]{3}$"
MONTH_DAY = r"^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$"
FORMS = {  # what a pattern allows, in words
    CODE: "lower-case letters, digits and hyphens between them",
    CURRENCY: "three capital letters, a currency of ISO 4217 like EUR",
    MONTH_DAY: "a month and day like 10-01",
}
NUMBER_SCHEMA = {
    "anyOf": [
        {"type": "number", "minimum": 0, "maximum": 1e9},
        {"type": "string", "pattern": r"^[0-9]{1,9}([.,][0-9]{1,6})?$"},
    ]
}
DAY_SCHEMA = {"type": "string", "format": "date", "examples": ["2027-01-31"]}
DAY_OR_TIME_SCHEMA = {"type": "string", "anyOf": [{"format": "date"}, {"format": "date-time"}]}

Code = Annotated[str, Field(pattern=CODE, max_length=64)]
Currency = Annotated[str, Field(pattern=CURRENCY)]
Key = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_one_line)]  # a code of the service's own
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_one_line)]
Note = Annotated[str, Field(max_length=2000), AfterValidator(_clean)]
Label = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(_one_line)]
Amount = Annotated[Decimal, BeforeValidator(decimal), Field(ge=0, le=1_000_000_000), WithJsonSchema(NUMBER_SCHEMA)]
Count = Annotated[
    int,
    BeforeValidator(count),
    Field(ge=1, le=1_000_000),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 1_000_000}),
]
Days = Annotated[
    int,
    BeforeValidator(count),
    Field(ge=0, le=36_500),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": 36_500}),
]
Day = Annotated[date, BeforeValidator(_iso_day), Field(ge=FIRST_DAY, le=LAST_DAY), WithJsonSchema(DAY_SCHEMA)]
ServiceLevel = Annotated[
    Decimal,
    BeforeValidator(decimal),
    Field(ge=50, le=Decimal("99.9"), max_digits=6, decimal_places=4),
    WithJsonSchema({"type": "number", "minimum": 50, "maximum": 99.9}),
]
ExpiryDay = Annotated[
    date,
    BeforeValidator(_iso_day),
    BeforeValidator(_month_or_day),
    Field(ge=FIRST_DAY, le=LAST_DAY),
    WithJsonSchema({"type": "string", "examples": ["2027-12-31", "2027-12"]}),
]
DayOrTime = Annotated[date | datetime, BeforeValidator(_day_or_time), WithJsonSchema(DAY_OR_TIME_SCHEMA)]


class Asked(BaseModel):
    """A request's body: unknown fields are refused. Each shape is built when it is first needed, so that the start is short."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Answered(BaseModel):
    """An answer's body: every field always present; used for the documentation and held to it by the tests."""

    model_config = ConfigDict(extra="forbid", defer_build=True)


class Warned(BaseModel):
    """A warning: its type, one sentence, and facts."""

    model_config = ConfigDict(extra="allow", defer_build=True)
    type: str
    sentence: str
