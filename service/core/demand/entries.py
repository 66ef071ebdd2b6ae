"""From orders and their lines to entries: what an order asked for of a product, however many lines it was written in.

A history may have hundreds of thousands of lines and is read for every answer: values stay in columns, as text where they are
only compared, and what is done to each of them is done by few calls. No numpy here.
"""

import hashlib
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import repeat
from typing import NamedTuple

from service.core.demand.planning import CHANNELS

KINDS = sorted(CHANNELS)


class Orders(NamedTuple):
    """The orders of one channel for one day, which left `transit` days before it; their ids with commas between."""

    channel: str
    day: date
    transit: int
    ids: str


class Lines(NamedTuple):
    """Order lines as columns, with commas between: the ids of order and product, and units."""

    orders: str
    products: str
    units: str


@dataclass(frozen=True, slots=True)
class Past:
    """What was ordered, and of which products (by id, in the order of their places); `end` is the first day not known."""

    orders: Sequence[Orders]
    lines: Lines
    products: Sequence[int]
    end: int

    def digest(self) -> bytes:
        """The same for the same past, and for no other."""
        found = hashlib.sha256(repr((self.end, self.products, self.orders)).encode())
        for column in self.lines:
            found.update(b";" + column.encode())
        return found.digest()


@dataclass(frozen=True, slots=True)
class Entries:
    """Orders, and one entry for each series in each of them."""

    orders: list[str]  # ids
    channels: list[str]  # of each order
    left: list[int]  # the day each order left
    series: list[tuple[int, str]]  # product, channel: sorted, whatever the order of the lines
    of: "array[int]"  # each entry's order
    at: "array[int]"  # each entry's series
    units: "array[float]"
    day: "array[int]"  # on which the entry's order left


def entries(past: Past) -> Entries:
    """One entry for all lines of a product in an order. Lines of orders that are not told, or left later, are left out."""
    orders: list[str] = []
    channels: list[str] = []
    left: list[int] = []
    wide = len(KINDS) * len(past.products)
    begins: dict[str, int] = {}  # an entry's key is order x wide + product x kinds + channel
    for some in past.orders:
        gone, first = some.day.toordinal() - some.transit, len(orders)
        if gone < past.end:
            orders += some.ids.split(",")
            count, kind = len(orders) - first, KINDS.index(some.channel)
            channels += [some.channel] * count
            left += [gone] * count
            begins.update(zip(orders[first:], range(first * wide + kind, len(orders) * wide + kind, wide), strict=True))
    place = {str(id_): len(KINDS) * at for at, id_ in enumerate(past.products)}
    asked = _summed(past.lines, begins, place)
    codes = array("q", (key % wide for key in asked))
    series = {code: at for at, code in enumerate(sorted(set(codes)))}
    of = array("i", (key // wide for key in asked))
    return Entries(
        orders, channels, left, [(code // len(KINDS), KINDS[code % len(KINDS)]) for code in series],
        of, array("i", map(series.__getitem__, codes)), array("d", asked.values()), array("i", map(left.__getitem__, of)),
    )  # fmt: skip


def _summed(lines: Lines, begins: Mapping[str, int], place: Mapping[str, int]) -> dict[int, float]:
    """Units by key. Each text is at once made numbers: the words of all three would take far more room than what is kept."""
    orders = array("q", map(begins.get, lines.orders.split(","), repeat(-1)))
    products = array("q", map(place.get, lines.products.split(","), repeat(-1)))
    found: dict[int, float] = {}
    for begin, product, units in zip(orders, products, lines.units.split(","), strict=True):
        if begin >= 0 and product >= 0:
            found[begin + product] = found.get(begin + product, 0.0) + float(units)
    return found
