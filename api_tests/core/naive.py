"""The laws once more, as slowly and plainly as their text reads. Nothing here calls what it checks."""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from math import ceil, floor

from service.core.making.check import Question, Stock
from service.core.making.needs import Catalogue, Want
from service.core.stock.draw import Shelf


def half_even(value: Fraction) -> int:
    """The nearest whole number; of two equally near ones the even one."""
    below = floor(value)
    over = value - below
    if over == Fraction(1, 2):
        return below if below % 2 == 0 else below + 1
    return below if over < Fraction(1, 2) else below + 1


def hamilton(total: int, weights: Sequence[int]) -> list[int]:
    """Everyone gets the whole part of a fair share; what is over goes one by one to the largest fraction, first in line first."""
    fair = [Fraction(total) * weight / sum(weights) for weight in weights]
    parts = [floor(share) for share in fair]
    over = [share - part for share, part in zip(fair, parts, strict=True)]
    while sum(parts) < total:
        at = over.index(max(over))  # `index` answers the first of equals
        parts[at] += 1
        over[at] = Fraction(-1)
    return parts


def fit(lot: Shelf, day: date) -> bool:
    """Law 6: there, released, ready, usable (the last usable day and no later), not due for a re-test."""
    there = lot.received_on <= day and lot.status == "released"
    ready = lot.ready_on is None or day >= lot.ready_on
    untested = lot.retest_on is not None and day >= lot.retest_on
    return there and ready and day <= lot.use_by and not untested


def serves(lot: Shelf, day: date) -> bool:
    """Law 6: fit, and in a place that production draws from."""
    return lot.production and fit(lot, day)


def taken(
    lots: Sequence[Shelf], quantity: int, day: date, named: Sequence[tuple[int, int | None]], without: Collection[int]
) -> tuple[Counter[int], Counter[int], list[int], int]:
    """One at a time: what named lots gave, what others gave, in which order those were opened, what is missing."""
    held = {lot.id: max(0, lot.quantity) for lot in lots}
    by_name: Counter[int] = Counter()
    guessed: Counter[int] = Counter()
    order: list[int] = []
    for lot_id, most in named:
        given = 0
        while quantity and held[lot_id] and (most is None or given < most):
            held[lot_id], quantity, given = held[lot_id] - 1, quantity - 1, given + 1
        by_name[lot_id] += given
    while quantity:
        open_to = [lot for lot in lots if held[lot.id] and lot.id not in without and serves(lot, day)]
        if not open_to:
            break
        best = open_to[0]
        for lot in open_to[1:]:
            if _before(lot, best):
                best = lot
        held[best.id], quantity = held[best.id] - 1, quantity - 1
        guessed[best.id] += 1
        if best.id not in order:
            order.append(best.id)
    return by_name, guessed, order, quantity


def _before(one: Shelf, other: Shelf) -> bool:
    if one.use_by != other.use_by:
        return one.use_by < other.use_by
    if one.received_on != other.received_on:
        return one.received_on < other.received_on
    return one.code < other.code


def once(method: Callable[["Explosion", int], int]) -> Callable[["Explosion", int], int]:
    """Remember answers: asking upwards would ask the same thing many times."""

    def ask(self: "Explosion", item: int) -> int:
        key = method.__name__, item
        if key not in self.answers:
            self.answers[key] = method(self, item)
        return self.answers[key]

    return ask


class Explosion:
    """Needs by asking each thing who wants it, all the way up; nothing is put in order first."""

    def __init__(self, catalogue: Catalogue, wants: Sequence[Want], finished: Mapping[int, int], bulk: Mapping[int, int]) -> None:
        self.catalogue, self.finished, self.bulk = catalogue, finished, bulk
        self.answers: dict[tuple[str, int], int] = {}
        self.wanted: Counter[int] = Counter()
        for want in wants:
            self.wanted[want.item] += want.quantity

    @once
    def units(self, product: int) -> int:
        """Wanted as such, and inside the sets that have to be made."""
        return self.wanted[product] + sum(
            quantity * self.to_make(made.product)
            for made in self.catalogue.products.values()
            for inner, quantity in made.contains
            if inner == product
        )

    def from_finished(self, product: int) -> int:
        return min(self.finished.get(product, 0), self.units(product))

    def to_make(self, product: int) -> int:
        return self.units(product) - self.from_finished(product)

    @once
    def mass(self, formula: int) -> int:
        """Bulk to be had: filled into units, and on the lines of other batches."""
        filled = sum(
            made.fill_mg * self.to_make(made.product) for made in self.catalogue.products.values() if made.formula == formula
        )
        return filled + sum(self.on_lines(outer, formula) for outer in self.catalogue.recipes)

    def on_lines(self, formula: int, item: int) -> int:
        lines = self.catalogue.recipes[formula].lines
        if item not in {inner for inner, _ in lines}:
            return 0
        parts = hamilton(self.batch(formula), [share for _, share in lines])
        return sum(part for part, (inner, _) in zip(parts, lines, strict=True) if inner == item)

    def from_bulk(self, formula: int) -> int:
        return min(self.bulk.get(formula, 0), self.mass(formula))

    @once
    def batch(self, formula: int) -> int:
        """What was asked for as a batch, and (mass + fixed loss) / (1 - loss share), rounded up."""
        rest = self.mass(formula) - self.from_bulk(formula)
        if not rest:
            return self.wanted[formula]
        recipe = self.catalogue.recipes[formula]
        return self.wanted[formula] + ceil((rest + recipe.loss_mg) / (1 - Fraction(recipe.loss_ppm, 1_000_000)))

    def material(self, item: int) -> int:
        packed = sum(
            quantity * self.to_make(made.product)
            for made in self.catalogue.products.values()
            for inner, quantity in made.packaging
            if inner == item
        )
        return packed + sum(self.on_lines(formula, item) for formula in self.catalogue.recipes)

    def rest_days(self) -> int:
        """The longest rest of what has to be made, after that of the bulk which has to be made for it."""
        return max((self.rest_with_inside(formula) for formula in self.catalogue.recipes if self.batch(formula)), default=0)

    def rest_with_inside(self, formula: int) -> int:
        recipe = self.catalogue.recipes[formula]
        inside = [item for item, _ in recipe.lines if item in self.catalogue.recipes and self.made_for_others(item)]
        return recipe.rest_days + max(map(self.rest_with_inside, inside), default=0)

    def made_for_others(self, formula: int) -> bool:
        lacking = self.mass(formula) - self.from_bulk(formula)
        return lacking > 0 and any(self.on_lines(outer, formula) for outer in self.catalogue.recipes)


def usable(stock: Stock, item: int, day: date) -> int:
    return sum(lot.quantity for lot in stock.lots.get(item, ()) if serves(lot, day))


def available(stock: Stock, item: int, day: date) -> int:
    return max(0, usable(stock, item, day) - stock.claimed.get(item, 0))


def serving(lots: Sequence[Shelf], day: date, by: date) -> list[Shelf]:
    """Finished lots that may serve: usable now, or still at rest and ready by then."""
    return [lot for lot in lots if serves(lot, day) or (lot.ready_on is not None and lot.ready_on > day and serves(lot, by))]


def needs_on(catalogue: Catalogue, stock: Stock, question: Question, day: date, wants: Sequence[Want] = ()) -> Explosion:
    by = max(question.by or day, day)
    finished = {}
    for product in catalogue.products if question.use_finished else ():
        ready_then = sum(lot.quantity for lot in serving(stock.lots.get(product, ()), day, by))
        finished[product] = max(0, ready_then - stock.claimed.get(product, 0))
    bulk = {formula: available(stock, formula, day) for formula in catalogue.recipes}
    return Explosion(catalogue, wants or question.wants, finished, bulk)


def short_on(stock: Stock, needs: Explosion, day: date, items: Sequence[int]) -> dict[int, int]:
    lacking = {item: needs.material(item) - available(stock, item, day) for item in items if item not in stock.unstocked}
    return {item: quantity for item, quantity in lacking.items() if quantity > 0}


def making_day(catalogue: Catalogue, stock: Stock, question: Question, items: Sequence[int]) -> date | None:
    """Every day is tried: the latest one that has everything and is ready in time; else today, late; else none."""
    found = None
    last = max(question.today, question.by or question.today)
    for ahead in range((last - question.today).days + 1):
        day = question.today + timedelta(days=ahead)
        needs = needs_on(catalogue, stock, question, day)
        in_time = day == question.today or day + timedelta(days=needs.rest_days()) <= last
        if in_time and not short_on(stock, needs, day, items):
            found = day
    return found


def ready(catalogue: Catalogue, stock: Stock, question: Question, day: date) -> date:
    """The day all is ready that is made on `day`, finished units first that are ready first."""
    needs = needs_on(catalogue, stock, question, day)
    latest = day + timedelta(days=needs.rest_days())
    for product in catalogue.products:
        left = needs.from_finished(product)
        serve = serving(stock.lots.get(product, ()), day, max(question.by or day, day))
        for lot in sorted(serve, key=lambda one: one.ready_on or date.min):
            if left > 0 and lot.quantity:
                latest = max(latest, lot.ready_on or day)
            left -= lot.quantity
    return latest
