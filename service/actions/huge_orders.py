"""Single orders far above all others, by product or in all: what is learnt of them, and the question they are asked about."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core import said
from service.core.demand.huge import Sizes, usual_most
from service.store import history as store

MOST = 100  # listed in an answer

Key = tuple[int, str, date]  # product, channel, the day demand is for


@dataclass(frozen=True, slots=True)
class Candidate:
    """A product's largest order in a channel: when it was, and the sizes of all of them (`second`: of other days)."""

    key: Key
    sizes: Sizes


@dataclass(frozen=True, slots=True)
class Huge:
    """An order that stands out, and what of each product (by id) is more than is learnt; `product` None: by its total."""

    order: int
    reference: str
    channel: str
    day: date  # the day it left
    product: int | None
    units: int
    usual_most: float
    over: Mapping[int, float]


def find(scope: Scope, candidates: Sequence[Candidate], until: date) -> list[Huge]:
    """What of these is huge, and which orders are huge by their total; nobody having said what they were. The largest first."""
    rows = store.asked_on(scope.connection, scope.workshop.id, {one.key for one in candidates})
    asked: dict[Key, list[Row[Any]]] = {}
    for row in rows:
        asked.setdefault((row.item_id, row.channel, row.day), []).append(row)
    lines = [huge for one in candidates if (huge := _line(one, asked[one.key])) is not None]
    whole = _whole(scope, lines, until)
    orders = {one.order for one in whole}
    found = [*whole, *(one for one in lines if one.order not in orders)]
    return sorted(found, key=lambda one: (one.usual_most - one.units, one.reference, one.product or 0))


def _line(one: Candidate, asked: Sequence[Row[Any]]) -> Huge | None:
    """The largest order of a product, if it is huge beside the others of its own day too."""
    first = asked[0]
    second = max(one.sizes.second, float(asked[1].units) if len(asked) > 1 else 0.0)
    most = usual_most(replace(one.sizes, second=second))
    if most is None or first.one_off is not None:
        return None
    return _huge(first, first.item_id, most, {first.item_id: float(first.units) - most})


def _huge(row: Row[Any], product: int | None, most: float, over: Mapping[int, float]) -> Huge:
    left = row.day - timedelta(days=row.transit)
    return Huge(row.id, row.reference, row.channel, left, product, int(row.units), most, over)


def _whole(scope: Scope, lines: Sequence[Huge], until: date) -> list[Huge]:
    """Orders of several products that are huge in all, also without what stands out of single products."""
    ranked: dict[str, list[Row[Any]]] = {}
    for row in store.largest_orders(scope.connection, scope.workshop.id, until):
        ranked.setdefault(row.channel, []).append(row)
    found: list[tuple[Row[Any], float]] = []
    for first, *others in ranked.values():
        second = float(others[0].units) if others else 0.0
        known = sum(one.over[product] for one in lines if one.order == first.id for product in one.over)
        rest, whole = float(first.units) - known, float(first.units)
        squares = float(first.squares) - whole**2 + rest**2
        most = usual_most(Sizes(first.orders, float(first.total) - known, squares, rest, second))
        if most is not None and first.products > 1 and first.one_off is None:
            found.append((first, most))
    asked: dict[int, dict[int, float]] = {}
    for row in store.asked_by(scope.connection, scope.workshop.id, [first.id for first, _ in found]):
        asked.setdefault(row.order_id, {})[row.item_id] = float(row.units)
    return [
        _huge(first, None, most, {item: units * (1 - most / first.units) for item, units in asked[first.id].items()})
        for first, most in found
    ]


def said_of(found: Iterable[Huge], products: Mapping[int, Any], today: date) -> list[dict[str, Any]]:
    """As an answer shows them, `products` (code, name) by id."""
    return [_said(one, products, today) for one in list(found)[:MOST]]


def _said(one: Huge, products: Mapping[int, Any], today: date) -> dict[str, Any]:
    product = None if one.product is None else products[one.product]
    what = f"{one.units} units in all" if product is None else f"{one.units} of {product.name}"
    asked = (
        f"Order {one.reference} asked for {what} on {said.day(one.day, today)}, where at most {one.usual_most:.0f} were usual."
    )
    return {
        "order": one.reference,
        "product": None if product is None else product.code,
        "channel": one.channel,
        "day": one.day,
        "units": one.units,
        "usual_most": round(one.usual_most, 1),
        "question": f"{asked} Will such orders come again?",
    }
