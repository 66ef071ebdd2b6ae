"""What a forecast and a cover start from, as plain values that can be handed to another process. No numpy here.

Days are ordinals (date.toordinal), quantities are floats in the item's smallest unit; products, series and nodes are places in
lists. A series is one (product, channel). A node is a material, or bulk of which there is stock.
"""

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

Season = tuple[tuple[int, int], tuple[int, int]]  # (month, day) from, (month, day) until, both sold
CHANNELS = ("retail", "wholesale", "market")
SEED = 20_270_101
PATHS = 1_000
YOUNG = 8  # weeks since its first order, or since it is there, in which a product is new
WEEKS = 26


@dataclass(slots=True)
class Mark:
    """Days of the calendar that are not like others; `product` -1 and `channel` "" mean all."""

    kind: str  # closed, promotion, market_day
    first: int
    last: int
    product: int = -1
    channel: str = ""


@dataclass(slots=True)
class History:
    """What was ordered, and what is known of the days: everything a forecast learns from."""

    today: int
    week_start: int = 0  # 0 = Monday
    products: int = 0
    series: list[tuple[int, str]] = field(default_factory=list)
    at: "array[int]" = field(default_factory=lambda: array("i"))  # one entry an order and series
    day: "array[int]" = field(default_factory=lambda: array("i"))
    units: "array[float]" = field(default_factory=lambda: array("d"))
    over: list[tuple[int, int, float]] = field(default_factory=list)  # series, day, units above what its orders usually ask
    marks: list[Mark] = field(default_factory=list)
    gaps: dict[int, list[tuple[int, int]]] = field(default_factory=dict)  # product -> first and last days without stock
    seasons: dict[int, Season] = field(default_factory=dict)
    like: dict[int, list[int]] = field(default_factory=dict)
    fresh: dict[int, int] = field(default_factory=dict)  # products that are new and not yet ordered: weeks since they are there
    retired: list[int] = field(default_factory=list)
    known: list[tuple[int, int, float]] = field(default_factory=list)  # open orders: series, day, units
    apart: list[tuple[int, int, float]] = field(default_factory=list)  # open orders that no forecast expects: the same


@dataclass(slots=True)
class Lot:
    """What a lot holds, the last day it serves (None: keeps) and the first."""

    quantity: float
    last: int | None = None
    first: int = 0


@dataclass(slots=True)
class Coming:
    """What is on order: on which day it comes, by the chances of `days`, and how many days it keeps then (None: longer)."""

    quantity: float
    days: tuple[int, ...]
    chances: tuple[float, ...]
    life: int | None = None


@dataclass(slots=True)
class Books:
    """How products become materials, and what is there. `goes`: (product, node, quantity a unit); `bulk`: (node, node, a mg)."""

    nodes: int = 0
    goes: list[tuple[int, int, float]] = field(default_factory=list)
    bulk: list[tuple[int, int, float]] = field(default_factory=list)  # of bulk nodes, each before the bulk inside it
    rest: list[int] = field(default_factory=list)  # of each product: days it must be made before it is sold
    sets: list[tuple[int, int, float]] = field(default_factory=list)  # set, product inside, units; outer sets first
    finished: dict[int, list[Lot]] = field(default_factory=dict)  # product -> lots
    lots: dict[int, list[Lot]] = field(default_factory=dict)  # node -> lots
    planned: list[tuple[int, int, float]] = field(default_factory=list)  # node, day, quantity: what open plans will take
    lead: list[int] = field(default_factory=list)  # of each node, days
    leads: dict[int, tuple[tuple[int, ...], tuple[float, ...]]] = field(default_factory=dict)  # of nodes whose days are not sure
    coming: dict[int, list[Coming]] = field(default_factory=dict)  # node -> what is on order
    level: list[float] = field(default_factory=list)  # service level of each node


@dataclass(slots=True)
class CoverOf:
    """One node: days from today (None: beyond sight), expected losses, weekly bands, and what drives it."""

    runs_out: list[int | None]
    order_by: int | None
    weekly_need: float
    expiring: list[float]
    bands: list[list[float]]  # early, likely, late: left at the end of each week
    drivers: list[tuple[int, float]]  # product, share
    with_orders: list[int | None] = field(default_factory=list)  # `runs_out` with what is on order
    surely: int | None = None  # the day to which what is there lasts at the service level


@dataclass(slots=True)
class Lasting:
    """A node or a product: days until what is there runs out at the service level (None: beyond sight), its need, losses of its
    lots; of a node, the day by which to order more than is on order (None: not within sight)."""

    runs_out: int | None
    weekly_need: float
    expiring: list[float]
    order_by: int | None = None


@dataclass(slots=True)
class Quality:
    """How forecasts made at past origins turned out."""

    spans: int
    ratio: float  # pinball loss over that of repeating the last weeks
    inside: float  # share of outcomes between the 10 % and 90 % lines
    at_or_below: Mapping[float, float]


@dataclass(slots=True)
class SeriesOutlook:
    """Weekly and cumulative quantiles of one series (or of the product as a whole), (weeks, quantiles)."""

    channel: str
    weekly: Sequence[Sequence[float]]
    cumulative: Sequence[Sequence[float]]
    mean: float  # units a week
    known: float
    borrowed: float
    weeks_of_history: int
    quality: Quality | None
