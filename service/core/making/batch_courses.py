"""From open orders to runs: what is to be made for each of them, batch by batch, by when; and what each run lacks.

Sets are put together by the day they leave; what they and orders want of a formula becomes demands on its batches
(batch_plan), to be made by the day they leave less the rest; bulk inside a batch is to be made by that batch's day less
its own rest. Finished and bulk stock that nothing else claims serves first (law 14).
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from service.core.making import batch_plan, scaling
from service.core.making.batch_plan import Batch, Demand, Kettle
from service.core.making.claims import Books, Claims, Order
from service.core.making.needs import Recipe
from service.core.stock import draw


@dataclass(slots=True)
class Course:
    """One run to plan: a batch of a formula with what it fills, or a set to put together."""

    by: date  # the last day to make it that serves all; today, when that is past
    item: int  # the formula, or the set
    batch_mg: int | None = None
    filled: Counter[int] = field(default_factory=Counter)  # product -> units
    bulk_mg: int = 0  # what other batches take of it
    left_mg: int = 0
    ready: date = date.min
    serves: set[int] = field(default_factory=set)  # orders
    late: bool = False  # ready after the day that one of them must leave (or its bulk be there)
    into: set[int] = field(default_factory=set)  # formulas that take its bulk
    needs: Counter[int] = field(default_factory=Counter)  # bulk too
    short: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Part:
    """Units of a product (or mg of bulk, `unit` 1) for an order or a formula, and when it must be there at the latest."""

    item: int
    units: int
    leaves: date
    least: date | None = None  # the last usable day that it must have
    orders: tuple[int, ...] = ()
    into: int | None = None


@dataclass(slots=True)
class Laid:
    """The plan: runs in the order of their days, what is filled from bulk that is there, and what cannot be."""

    courses: list[Course] = field(default_factory=list)
    from_bulk: Counter[tuple[int, int]] = field(default_factory=Counter)  # formula, product -> units
    too_large: Counter[int] = field(default_factory=Counter)  # product -> units
    too_old: set[int] = field(default_factory=set)  # products that rest longer than they may on arrival
    proved: bool = True
    left: dict[int, int] = field(default_factory=dict)  # item -> what it leaves to be drawn, on the last of its days


def lay(
    books: Books, found: Claims, due: Iterable[Order], kettles: Mapping[int, Kettle], shelf_life: Mapping[int, int | None]
) -> Laid:  # fmt: skip
    """What to make for these orders, beside finished stock and what is planned."""
    layer = _Layer(books, dict(found.spare), kettles, shelf_life)
    for order in sorted(due, key=lambda one: one.turn):
        leaves = books.today if order.due_on is None else order.due_on - timedelta(days=order.transit_days)
        least = order.least(order.ship_on(books.today))
        for item, units in sorted(found.to_make[order.order_id].items()):
            if units:
                layer.want(_Part(item, units, leaves, least, (order.order_id,)))
    layer.put_together()
    for formula in books.catalogue.order:
        layer.make(books.catalogue.recipes[formula])
    layer.laid.courses.sort(key=lambda one: (one.by, one.item))
    layer.laid.left = lacking(books, layer.laid.courses)
    return layer.laid


class _Layer:
    """Demands gathered by formula, outer formulas first."""

    def __init__(
        self, books: Books, spare: dict[int, int], kettles: Mapping[int, Kettle], shelf_life: Mapping[int, int | None]
    ) -> None:  # fmt: skip
        self.books, self.spare, self.kettles, self.shelf_life = books, spare, kettles, shelf_life
        self.parts: dict[int, list[_Part]] = {}
        self.sets: dict[tuple[int, date], Course] = {}
        self.laid = Laid()

    def want(self, part: _Part) -> None:
        """A product: filled from a formula, or a set whose products are wanted in turn."""
        made = self.books.catalogue.products[part.item]
        if made.formula is not None:
            self.parts.setdefault(made.formula, []).append(part)
            return
        by = max(part.leaves, self.books.today)
        course = self.sets.setdefault((part.item, by), Course(by, part.item, ready=by))
        course.filled[part.item] += part.units
        course.serves.update(part.orders)
        course.late |= part.leaves < by
        for inner, each in made.contains:
            left = each * part.units - self._from_spare(inner, each * part.units)
            course.needs[inner] += each * part.units
            if left:
                self.want(replace(part, item=inner, units=left))

    def _from_spare(self, item: int, wanted: int) -> int:
        taken = min(wanted, self.spare.get(item, 0))
        self.spare[item] = self.spare.get(item, 0) - taken
        return taken

    def put_together(self) -> None:
        """Sets, with their packaging."""
        for course in self.sets.values():
            self._pack(course)
            self.laid.courses.append(course)

    def _pack(self, course: Course) -> None:
        for product, units in course.filled.items():
            for item, each in self.books.catalogue.products[product].packaging:
                course.needs[item] += each * units

    def make(self, recipe: Recipe) -> None:
        """The batches of one formula for all that is wanted of it."""
        parts = [left for part in self.parts.get(recipe.formula, []) if (left := self._after_bulk(recipe, part)).units]
        demands = tuple(self._demand(recipe, part) for part in parts)
        choice = batch_plan.choose(self.kettles[recipe.formula], demands)
        self.laid.proved &= choice.proved
        for at in choice.too_large:
            self.laid.too_large[parts[at].item] += parts[at].units
        for batch in choice.batches:
            self._add(recipe, parts, demands, batch)

    def _after_bulk(self, recipe: Recipe, part: _Part) -> _Part:
        """What bulk that is there does not fill: whole units of a product, or mg."""
        fill = self._fill(recipe, part)
        units = min(part.units, self.spare.get(recipe.formula, 0) // fill)
        self.spare[recipe.formula] = self.spare.get(recipe.formula, 0) - units * fill
        if units and part.into is None:
            self.laid.from_bulk[recipe.formula, part.item] += units
        return replace(part, units=part.units - units)

    def _fill(self, recipe: Recipe, part: _Part) -> int:
        return 1 if part.item == recipe.formula else self.books.catalogue.products[part.item].fill_mg

    def _demand(self, recipe: Recipe, part: _Part) -> Demand:
        last = max(part.leaves - timedelta(days=recipe.rest_days), self.books.today).toordinal()
        life = self.shelf_life.get(part.item)
        first = 0 if part.least is None or life is None else part.least.toordinal() - life
        if first > last:
            self.laid.too_old.add(part.item)
        return Demand(self._fill(recipe, part), part.units, min(first, last), last)

    def _add(self, recipe: Recipe, parts: Sequence[_Part], demands: Sequence[Demand], batch: Batch) -> None:
        course = Course(date.fromordinal(batch.last), recipe.formula, batch.batch_mg)
        course.ready = course.by + timedelta(days=recipe.rest_days)
        filled = 0
        for part, demand, units in zip(parts, demands, batch.fills, strict=True):
            if not units:
                continue
            if part.into is None:
                course.filled[part.item] += units
                filled += demand.fill_mg * units
            else:
                course.into.add(part.into)
                course.bulk_mg += units
            course.serves.update(part.orders)
            course.late |= course.ready > part.leaves
        course.left_mg = scaling.made_from(batch.batch_mg, recipe.loss_ppm, recipe.loss_mg) - filled - course.bulk_mg
        orders = tuple(sorted(course.serves))
        scaled = scaling.scale(batch.batch_mg, [share for _, share in recipe.lines])
        inside: Counter[int] = Counter()
        for (item, _), quantity in zip(recipe.lines, scaled, strict=True):
            course.needs[item] += quantity
            if item in self.books.catalogue.recipes:
                inside[item] += quantity
        for item, quantity in inside.items():
            if quantity:
                into = _Part(item, quantity, course.by, None, orders, recipe.formula)
                self.parts.setdefault(item, []).append(into)
        self._pack(course)
        self.laid.courses.append(course)


def lacking(books: Books, courses: Sequence[Course]) -> dict[int, int]:
    """What each course lacks (written into it) of what open plans leave, drawn first expired, first out on its day; and in all,
    what could still be drawn on the last of their days."""
    made = set(books.catalogue.recipes) | set(books.catalogue.products)
    left = {lot.id: lot.quantity for some in books.lots.values() for lot in some}

    def take(item: int, quantity: int, day: date) -> int:
        there = [replace(lot, quantity=left[lot.id]) for lot in books.lots.get(item, ())]
        drawn = draw.draw(there, quantity, day)
        for one in drawn.takes:
            left[one.lot_id] -= one.quantity
        return drawn.short

    for plan in sorted(books.plans, key=lambda one: one.turn):
        for item, quantity in plan.needs.items():
            take(item, quantity, max(plan.planned_on or books.today, books.today))
    last = books.today
    for course in sorted(courses, key=lambda one: one.by):
        last = course.by
        for item, quantity in course.needs.items():
            if item not in made and item not in books.unstocked:
                short = take(item, quantity, last)
                course.short |= {item: short} if short else {}
    return {item: sum(left[lot.id] for lot in some if draw.drawable(lot, last)) for item, some in books.lots.items()}
