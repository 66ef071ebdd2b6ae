"""Single orders far above all others, by product or in all: what is learnt of them, and the question they are asked about."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.actions.scope import Scope
from service.core import said
from service.core.demand.entries import Entries
from service.core.demand.huge import Outliers
from service.store import orders

MOST = 100  # listed in an answer
SPOKEN = 3  # asked about in a sentence


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


def find(scope: Scope, told: Entries, outliers: Outliers, products: Sequence[int]) -> list[Huge]:
    """What stands out, nobody having said what it was; the largest first. `products`: their ids, by place."""
    found = _lines(told, outliers, products)
    found |= _whole(told, outliers, products, found)
    rows = orders.by_ids(scope.connection, scope.workshop.id, [one.order for one in found.values()])
    open_ = [replace(one, reference=rows[one.order].reference) for one in found.values() if rows[one.order].one_off is None]
    return sorted(open_, key=lambda one: (-one.excess, one.reference))


def _lines(told: Entries, outliers: Outliers, products: Sequence[int]) -> dict[int, Huge]:
    """By the order's place: the products of which it asks for far more than any other order."""
    found: dict[int, Huge] = {}
    for n, most in outliers.entries:
        product, units = products[told.series[told.at[n]][0]], told.units[n]
        had = found.get(told.of[n]) or _huge(told, told.of[n], {}, {})
        parts = {**had.parts, product: (units, most)}
        found[told.of[n]] = replace(had, parts=parts, over={**had.over, product: units - most})
    return found


def _huge(told: Entries, order: int, parts: Mapping[int | None, tuple[float, float]], over: Mapping[int, float]) -> Huge:
    return Huge(int(told.orders[order]), told.channels[order], date.fromordinal(told.left[order]), parts, over)


def _whole(told: Entries, outliers: Outliers, products: Sequence[int], lines: Mapping[int, Huge]) -> dict[int, Huge]:
    """By the order's place: orders that are huge in all; of each product, what is above its part of the usual most."""
    found = {}
    for order, units, most in outliers.orders:
        had, part = lines[order].over if order in lines else {}, 1 - most / units
        asked = {products[told.series[told.at[n]][0]]: told.units[n] for n, of in enumerate(told.of) if of == order}
        over = {product: max(some * part, had.get(product, 0.0)) for product, some in asked.items()}
        found[order] = _huge(told, order, {None: (units, most)}, over)
    return found


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
