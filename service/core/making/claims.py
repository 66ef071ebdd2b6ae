"""Law 14: what open plans and open orders speak for. Computed, never stored.

A plan claims its own lines. Orders are served in turn, by due date: the runs planned for an order serve that order; then
finished stock, then what other plans will make; only the rest becomes claims on bulk and materials, through the needs.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from service.core.making.needs import Catalogue, Needs, Want, explode
from service.core.stock import draw
from service.core.stock.draw import Shelf


@dataclass(frozen=True, slots=True)
class Plan:
    """An open plan: its own lines (bulk as bulk) and what it will make, in smallest units by item."""

    run_id: int
    code: str
    planned_on: date | None
    needs: Mapping[int, int]
    makes: Mapping[int, int] = field(default_factory=dict)
    order_id: int | None = None  # the order it is made for

    @property
    def turn(self) -> tuple[date, str]:
        """The order in which plans are served: by day, then code."""
        return self.planned_on or date.max, self.code


@dataclass(frozen=True, slots=True)
class Order:
    """An open order: the units still to be shipped, by product, and its customer's terms."""

    order_id: int
    reference: str
    placed_on: date
    due_on: date | None
    wants: Mapping[int, int]
    transit_days: int = 0
    min_life_days: int = 0

    @property
    def turn(self) -> tuple[date, date, str]:
        """The order in which orders are served: by due date, then the day they were placed."""
        return self.due_on or date.max, self.placed_on, self.reference

    def ship_on(self, today: date) -> date:
        """The day it leaves: due less transit, today if that is past or nothing is said."""
        return today if self.due_on is None else max(today, self.due_on - timedelta(days=self.transit_days))

    def least(self, shipped_on: date) -> date:
        """The last usable day that a batch must at least have, to be accepted where it arrives."""
        return shipped_on + timedelta(days=self.transit_days + self.min_life_days)


@dataclass(frozen=True, slots=True)
class Books:
    """All that claims follow from: open plans and orders, what is made of what, and the lots that are there."""

    plans: Sequence[Plan]
    orders: Sequence[Order]
    today: date
    catalogue: Catalogue = field(default_factory=lambda: Catalogue({}, {}))
    lots: Mapping[int, Sequence[Shelf]] = field(default_factory=dict)
    unstocked: frozenset[int] = frozenset()

    def usable(self, item: int) -> int:
        """What production may draw today."""
        return sum(lot.quantity for lot in self.lots.get(item, ()) if draw.drawable(lot, self.today))

    def without(self, order: int, runs: Collection[int] = ()) -> "Books":
        """The same without one order and the runs planned for it."""
        plans = [plan for plan in self.plans if plan.run_id not in runs and plan.order_id != order]
        return replace(self, plans=plans, orders=[one for one in self.orders if one.order_id != order])


@dataclass(slots=True)
class Claims:
    """What is spoken for by item; and by order what serves it, and what is still to be made for it."""

    by_item: Counter[int] = field(default_factory=Counter)
    of_production: Counter[int] = field(default_factory=Counter)  # the same without what lies in places set apart
    finished: dict[int, Counter[int]] = field(default_factory=dict)  # order -> product
    planned: dict[int, Counter[int]] = field(default_factory=dict)  # order -> run
    to_make: dict[int, Counter[int]] = field(default_factory=dict)  # order -> product
    spare: dict[int, int] = field(default_factory=dict)  # bulk, and products for sets, that serve what is to be made

    def add(self, item: int, quantity: int, apart: bool = False) -> None:
        """Claim some of an item."""
        if quantity:
            self.by_item[item] += quantity
            self.of_production[item] += 0 if apart else quantity


def by_item(plans: Iterable[Plan]) -> dict[int, int]:
    """What all open plans claim of each item."""
    found: Counter[int] = Counter()
    for plan in plans:
        found.update(dict(plan.needs))
    return dict(found)


def claimed(books: Books) -> Claims:
    """Law 14 over all open plans and orders."""
    found = Claims()
    for item, need in by_item(books.plans).items():
        found.add(item, need)
    if books.orders:
        _Serving(books, found).run()
    return found


class _Serving:
    """Orders served in turn."""

    def __init__(self, books: Books, found: Claims) -> None:
        self.books, self.found = books, found
        self.orders = sorted(books.orders, key=lambda one: one.turn)
        self.plans = sorted(books.plans, key=lambda one: one.turn)
        self.left = {lot.id: lot.quantity for some in books.lots.values() for lot in some}
        self.coming = {plan.run_id: Counter(plan.makes) for plan in books.plans}

    def run(self) -> None:
        """Serve what can be served; the rest is to be made."""
        for order in self.orders:
            self.found.finished[order.order_id], self.found.planned[order.order_id] = Counter(), Counter()
            self.found.to_make[order.order_id] = Counter(order.wants)
        self._keep_for_plans()
        made_for: dict[int, list[Plan]] = {}
        for plan in self.plans:
            if plan.order_id is not None:
                made_for.setdefault(plan.order_id, []).append(plan)
        for order in self.orders:
            self._from_plans(order, made_for.get(order.order_id, ()))
        for order in self.orders:
            self._from_finished(order)
        for order in self.orders:
            self._from_plans(order, self.plans)
        total: Counter[int] = Counter()
        for units in self.found.to_make.values():
            total.update(units)
        self.found.spare = self._spare(total)
        needs = to_be_made(self.books, total, self.found.spare)
        for item, quantity in needs.materials.items():
            self.found.add(item, 0 if item in self.books.unstocked else quantity)
        for some in (needs.from_bulk, needs.from_finished):
            for item, quantity in some.items():
                self.found.add(item, min(quantity, max(0, self.books.usable(item) - self.found.of_production[item])))

    def _keep_for_plans(self) -> None:
        """Finished products that planned sets will take are not there for orders."""
        for plan in self.plans:
            for item, need in plan.needs.items():
                for take in draw.draw(self._there(item), need, self.books.today).takes:
                    self.left[take.lot_id] -= take.quantity

    def _there(self, item: int) -> list[Shelf]:
        return [replace(lot, quantity=self.left[lot.id]) for lot in self.books.lots.get(item, ())]

    def _from_plans(self, order: Order, plans: Iterable[Plan]) -> None:
        wanted = self.found.to_make[order.order_id]
        for plan in plans:
            coming = self.coming[plan.run_id]
            for item in [item for item in wanted.keys() & coming.keys() if coming[item] > 0 and wanted[item] > 0]:
                served = min(wanted[item], coming[item])
                coming[item] -= served
                wanted[item] -= served
                self.found.planned[order.order_id][plan.run_id] += served

    def _from_finished(self, order: Order) -> None:
        """Batches that could be shipped to this customer on the day it leaves."""
        wanted = self.found.to_make[order.order_id]
        there_is = [item for item, units in wanted.items() if units > 0 and item in self.books.lots]
        if not there_is:
            return
        day = order.ship_on(self.books.today)
        apart = {lot.id for item in there_is for lot in self.books.lots[item] if not lot.production}
        for item in there_is:
            there = draw.offered(self._there(item), order.least(day))
            for take in draw.draw(there, wanted[item], day).takes:
                self.left[take.lot_id] -= take.quantity
                wanted[item] -= take.quantity
                self.found.finished[order.order_id][item] += take.quantity
                self.found.add(item, take.quantity, take.lot_id in apart)

    def _spare(self, total: Mapping[int, int]) -> dict[int, int]:
        """Bulk, and products inside sets, that are there or planned and that nothing else claims."""
        spare: dict[int, int] = {}
        for item in (*self.books.catalogue.recipes, *self.books.catalogue.products):
            if not total.get(item):
                there = max(0, self.books.usable(item) - self.found.of_production[item])
                spare[item] = there + sum(coming[item] for coming in self.coming.values())
        return spare


def to_be_made(books: Books, units: Mapping[int, int], spare: Mapping[int, int]) -> Needs:
    """What units that are still to be made need, summed before it is compared; `spare` of bulk and products serves first."""
    wants = [Want(item, quantity) for item, quantity in sorted(units.items()) if quantity]
    return explode(books.catalogue, wants, spare, spare)


def now_short(plans: Iterable[Plan], usable: Mapping[int, int]) -> list[Plan]:
    """The plans that usable stock no longer covers, served in the order of their days, then codes."""
    left = dict(usable)
    short = []
    for plan in sorted(plans, key=lambda one: one.turn):
        known = {item: need for item, need in plan.needs.items() if item in left}
        if any(need > left[item] for item, need in known.items()):
            short.append(plan)
        for item, need in known.items():
            left[item] = max(0, left[item] - need)
    return short


def orders_short(books: Books, found: Claims, items: Collection[int] | None = None) -> list[Order]:
    """The orders, in turn, that materials do not cover (of these items, if given), after plans and the orders before."""
    planned = Counter(by_item(books.plans))
    if not any(_lacks(books, planned, found.by_item, item) for item in (found.by_item if items is None else items)):
        return []
    short: list[Order] = []
    total: Counter[int] = Counter()
    before: Counter[int] = Counter()
    for order in sorted(books.orders, key=lambda one: one.turn):
        total.update(found.to_make[order.order_id])
        needs = to_be_made(books, total, found.spare).materials
        lacking = Counter({
            item: max(0, needs[item] + planned[item] - books.usable(item))
            for item in needs if (items is None or item in items) and item not in books.unstocked
        })  # fmt: skip
        if any(lacking[item] > max(before[item], planned[item] - books.usable(item)) for item in lacking):
            short.append(order)
        before = lacking
    return short


def _lacks(books: Books, planned: Mapping[int, int], wanted: Mapping[int, int], item: int) -> bool:
    """Whether more of an item is claimed than there is, by orders too."""
    claims = wanted.get(item, 0)
    return claims > planned.get(item, 0) and claims > books.usable(item)
