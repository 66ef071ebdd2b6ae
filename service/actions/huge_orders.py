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
from service.store import orders

MOST = 100  # listed in an answer
SPOKEN = 3  # asked about in a sentence

Key = tuple[int, str, date]  # product, channel, the day demand is for


@dataclass(frozen=True, slots=True)
class Candidate:
    """A product's largest order in a channel: when it was, and the sizes of all of them (`second`: of other days)."""

    key: Key
    sizes: Sizes


@dataclass(frozen=True, slots=True)
class Huge:
    """An order that stands out: by these products (by id: units, usual most), else by its units in all (None)."""

    order: int
    channel: str
    day: date  # the day it left
    parts: Mapping[int | None, tuple[float, float]]
    over: Mapping[int, float]  # of each product, what is more than is learnt
    reference: str = ""

    @property
    def excess(self) -> float:
        """Units beyond what was usual."""
        return sum(units - most for units, most in self.parts.values())


def find(scope: Scope, candidates: Sequence[Candidate], until: date) -> list[Huge]:
    """What of these is huge, and which orders are huge by their total; nobody having said what they were. The largest first."""
    asked: dict[Key, list[Row[Any]]] = {}
    for row in store.asked_on(scope.connection, scope.workshop.id, {one.key for one in candidates}):
        asked.setdefault((row.item_id, row.channel, row.day), []).append(row)
    found: dict[int, Huge] = {}
    for one in candidates:
        if (huge := _line(one, asked[one.key])) is not None:
            had = found.get(huge.order)
            more = huge if had is None else replace(had, parts={**had.parts, **huge.parts}, over={**had.over, **huge.over})
            found[huge.order] = more
    found |= {whole.order: whole for whole in _whole(scope, found, until)}
    rows = orders.by_ids(scope.connection, scope.workshop.id, found)
    open_ = [replace(huge, reference=rows[id_].reference) for id_, huge in found.items() if rows[id_].one_off is None]
    return sorted(open_, key=lambda one: (-one.excess, one.reference))


def _line(one: Candidate, asked: Sequence[Row[Any]]) -> Huge | None:
    """The largest order of a product, if it is huge beside the others of its own day too."""
    first, units = asked[0], float(asked[0].units)
    second = max(one.sizes.second, float(asked[1].units) if len(asked) > 1 else 0.0)
    most = usual_most(replace(one.sizes, second=second))
    return None if most is None else _huge(first, {first.item_id: (units, most)}, {first.item_id: units - most})


def _huge(row: Row[Any], parts: Mapping[int | None, tuple[float, float]], over: Mapping[int, float]) -> Huge:
    return Huge(row.order_id, row.channel, row.day - timedelta(days=row.transit), parts, over)


def _whole(scope: Scope, lines: Mapping[int, Huge], until: date) -> list[Huge]:
    """Orders of several products that are huge in all, also without what stands out of single products."""
    ranked: dict[str, list[Row[Any]]] = {}
    for row in store.largest_orders(scope.connection, scope.workshop.id, until):
        ranked.setdefault(row.channel, []).append(row)
    found: list[tuple[Row[Any], float]] = []
    for first, *others in ranked.values():
        known = lines[first.order_id].excess if first.order_id in lines else 0.0
        whole = float(first.units)
        squares = float(first.squares) - whole**2 + (whole - known) ** 2
        second = float(others[0].units) if others else 0.0
        most = usual_most(Sizes(first.orders, float(first.total) - known, squares, whole - known, second))
        if most is not None and first.products > 1:
            found.append((first, most))
    asked: dict[int, dict[int, float]] = {}
    for row in store.asked_by(scope.connection, scope.workshop.id, [first.order_id for first, _ in found]):
        asked.setdefault(row.order_id, {})[row.item_id] = float(row.units)
    answers = []
    for first, most in found:
        had = lines[first.order_id].over if first.order_id in lines else {}
        part = 1 - most / float(first.units)
        over = {item: max(units * part, had.get(item, 0.0)) for item, units in asked[first.order_id].items()}
        answers.append(_huge(first, {None: (float(first.units), most)}, over))
    return answers


def said_of(found: Iterable[Huge], products: Mapping[int, Any], today: date) -> list[dict[str, Any]]:
    """As an answer shows them, `products` (code, name) by id."""
    return [_said(one, products, today) for one in list(found)[:MOST]]


def _said(one: Huge, products: Mapping[int, Any], today: date) -> dict[str, Any]:
    named = [(None if item is None else products[item], *sizes) for item, sizes in one.parts.items()]
    parts = [
        f"{units:.0f} {'units in all' if product is None else f'of {product.name}'} (usually at most {most:.0f})"
        for product, units, most in named[:3]
    ]
    more = [f"{len(named) - 3} more"] if len(named) > 3 else []
    asked = f"Order {one.reference} asked for {said.listed([*parts, *more])} on {said.day(one.day, today)}."
    return {
        "order": one.reference,
        "products": [product.code for product, _, _ in named if product is not None],
        "channel": one.channel,
        "day": one.day,
        "units": round(sum(units for _, units, _ in named)),
        "usual_most": round(sum(most for _, _, most in named), 1),
        "question": f"{asked} Will such orders come again?",
    }


def asked(huge: Sequence[Mapping[str, Any]]) -> list[str]:
    """The first questions, and how many more there are."""
    more = len(huge) - SPOKEN
    tail = [f"{more} more orders stand out."] if more > 1 else ["One more order stands out."] if more == 1 else []
    return [*(str(one["question"]) for one in huge[:SPOKEN]), *tail]
