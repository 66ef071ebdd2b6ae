"""What is expected to sell, and how good such forecasts have been."""

from service.shapes.base import Answered


class Quantiles(Answered):
    """Units that demand stays at or below with a chance of so many per cent."""

    p10: int | float
    p50: int | float
    p80: int | float
    p90: int | float
    p95: int | float
    p99: int | float


class WeekOut(Answered):
    """A week by itself, and all weeks up to its end."""

    week: int
    begins: str
    weekly: Quantiles
    cumulative: Quantiles


class HowGood(Answered):
    """Past forecasts of four weeks: error against repeating the four weeks before (1: as good), and outcomes inside the bands."""

    spans: int
    against_naive: float
    inside_percent: float
    at_or_below_percent: Quantiles


class ChannelOut(Answered):
    """One channel, or all together."""

    channel: str
    weekly_mean: int | float
    known_units: int | float
    borrowed_percent: int | float
    weeks_of_history: int
    weeks: list[WeekOut]
    how_good: HowGood | None
    sentence: str


class HugeOrder(Answered):
    """An order far above all others of its channel: of these products, else by its units in all; learnt as `usual_most`.

    Answer the question with `one_off` of the order: true, and nothing of it is learnt; false, and all of it is.
    """

    order: str
    products: list[str]
    channel: str
    day: str
    units: int | float
    usual_most: int | float
    question: str


class ThroughSet(Answered):
    """A set that holds the product."""

    product: str
    units: int


class ForecastOut(Answered):
    """What is expected of a product."""

    product: str
    as_of: str
    sentence: str
    how_good: str
    sold_from: str | None
    sold_until: str | None
    like: list[str]
    through_sets: list[ThroughSet]
    huge_orders: list[HugeOrder]
    channels: list[ChannelOut]
    all: ChannelOut | None
