"""Marks on the calendar."""

from typing import Literal, Self

from pydantic import Field, model_validator

from service.shapes.base import Answered, Asked, Code, Day, Note
from service.shapes.orders import Channel

Kind = Literal["closed", "promotion", "market_day"]


class MarkIn(Asked):
    """Days that are not like others; without `until_on` one day, without `product` or `channel` all of them."""

    kind: Kind
    from_on: Day
    until_on: Day | None = None
    product: Code | None = Field(None, description="A product that it concerns alone.")
    channel: Channel | None = Field(None, description="A channel that it concerns alone; a market day is of the markets.")
    note: Note | None = None

    @model_validator(mode="after")
    def _of_the_markets(self) -> Self:
        if self.kind == "market_day" and self.channel not in (None, "market"):
            raise ValueError("a market day concerns the channel `market`")
        return self


class MarkPatch(Asked):
    """What may change of a mark; `product` and `channel` null mean all."""

    from_on: Day | None = None
    until_on: Day | None = None
    product: Code | None = None
    channel: Channel | None = None
    note: Note | None = None


class MarkOut(Answered):
    """A mark on the calendar, both days included."""

    mark: str
    kind: Kind
    from_on: str
    until_on: str
    product: str | None
    channel: Channel | None
    note: str | None
    sentence: str
