"""Is there enough? Needs against what is usable on a day, less what is claimed; and the best day to make it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from service.core.making.needs import Catalogue, Needs, Want, explode
from service.core.stock import draw
from service.core.stock.draw import Shelf

MOST_UNITS = 10_000_000


@dataclass(frozen=True, slots=True)
class Stock:
    """Lots by item, what plans claim by item, and which items are never short. Sums are kept: each is asked for again."""

    lots: Mapping[int, Sequence[Shelf]]
    claimed: Mapping[int, int]
    unstocked: frozenset[int]
    _sums: dict[tuple[int, date, date | None], int] = field(default_factory=dict, init=False, compare=False, repr=False)

    def available(self, item: int, day: date) -> int:
        """What production may draw on a day, less claimed, never below 0."""
        key = item, day, None
        if key not in self._sums:
            self._sums[key] = self._less_claimed(item, [lot for lot in self.lots.get(item, ()) if draw.drawable(lot, day)])
        return self._sums[key]

    def finished(self, product: int, day: date, until: date) -> int:
        """Finished units that could serve, less claimed, never below 0."""
        key = product, day, until
        if key not in self._sums:
            self._sums[key] = self._less_claimed(product, [lot for lot in self.lots.get(product, ()) if serves(lot, day, until)])
        return self._sums[key]

    def _less_claimed(self, item: int, lots: Sequence[Shelf]) -> int:
        return max(0, sum(lot.quantity for lot in lots) - self.claimed.get(item, 0))


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked."""

    wants: tuple[Want, ...]
    today: date
    by: date | None = None
    use_finished: bool = True


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer on one making day."""

    day: date
    needs: Needs
    available: Mapping[int, int]
    short: Mapping[int, int]
    ready_on: date | None

    @property
    def enough(self) -> bool:
        """Nothing short on that day."""
        return not self.short


def serves(lot: Shelf, day: date, until: date) -> bool:
    """Whether finished stock could serve: usable, or resting and ready by then."""
    if draw.drawable(lot, day):
        return True
    return lot.ready_on is not None and lot.ready_on <= until and draw.drawable(lot, max(until, day))


def made_before(catalogue: Catalogue, stock: Stock, question: Question, day: date) -> tuple[dict[int, int], dict[int, int]]:
    """Finished units and bulk that are there and need not be made."""
    products = catalogue.products if question.use_finished else ()
    finished = {product: stock.finished(product, day, question.by or day) for product in products}
    return finished, {formula: stock.available(formula, day) for formula in catalogue.recipes}


def on_day(catalogue: Catalogue, stock: Stock, question: Question, day: date) -> Finding:
    """What the wants need and lack if they are made on a day."""
    needs = explode(catalogue, question.wants, *made_before(catalogue, stock, question, day))
    available = {item: stock.available(item, day) for item in needs.materials}
    short = {
        item: needed - available[item]
        for item, needed in needs.materials.items()
        if needed > available[item] and item not in stock.unstocked
    }
    return Finding(day, needs, available, short, None if short else _ready(catalogue, stock, question, needs, day))


def rest_of(catalogue: Catalogue, needs: Needs) -> int:
    """Days of rest after the making day: the longest way through what is made, as bulk is ready before it goes into others."""
    days: dict[int, int] = {}
    for formula in reversed(catalogue.order):
        if needs.batches[formula]:
            recipe = catalogue.recipes[formula]
            inside = [days[item] for item, _ in recipe.lines if item in days and item in needs.first]
            days[formula] = recipe.rest_days + max(inside, default=0)
    return max(days.values(), default=0)


def _rests(catalogue: Catalogue) -> set[int]:
    """All that `rest_of` can come to, whatever has to be made."""
    days: dict[int, set[int]] = {}
    for formula in reversed(catalogue.order):
        recipe = catalogue.recipes[formula]
        before = {0}.union(*(days.get(item, set()) for item, _ in recipe.lines))
        days[formula] = {recipe.rest_days + some for some in before}
    return {0}.union(*days.values())


def _ready(catalogue: Catalogue, stock: Stock, question: Question, needs: Needs, day: date) -> date:
    days = [day + timedelta(days=rest_of(catalogue, needs))] if needs.batches else [day]
    for product, quantity in needs.from_finished.items():
        serving = [lot for lot in stock.lots.get(product, ()) if serves(lot, day, question.by or day)]
        days += _ready_days(serving, quantity, day)
    return max(days)


def _ready_days(lots: Sequence[Shelf], quantity: int, day: date) -> list[date]:
    """When the finished units that serve are ready, usable ones first."""
    days = []
    for lot in sorted(lots, key=lambda one: (one.ready_on or date.min, draw.first_out(one))):
        if quantity <= 0:
            break
        quantity -= lot.quantity
        days.append(max(day, lot.ready_on or day))
    return days


def best_day(catalogue: Catalogue, stock: Stock, question: Question) -> Finding:
    """The latest day from today to `by` less the rest on which all is there; else the last of those days.

    The rest is that of what would be made on that day (today, if `by` less the rest is past).
    """
    today, by = question.today, question.by
    if by is None:
        return on_day(catalogue, stock, question, today)
    edges = {edge for lots in stock.lots.values() for lot in lots for edge in _edges(lot)}
    days = {day for day in edges | {by - timedelta(days=rest) for rest in _rests(catalogue)} if today <= day <= by} | {today}
    last: Finding | None = None
    for day in sorted(days, reverse=True):
        finding = on_day(catalogue, stock, question, day)
        if day > today and day + timedelta(days=rest_of(catalogue, finding.needs)) > by:
            continue
        if finding.enough:
            return finding
        last = last or finding
    assert last is not None, "today is always one of the days"
    return last


def _edges(lot: Shelf) -> list[date]:
    """The last days before something about a lot changes for the worse, and those it comes or is ready."""
    days = [lot.received_on]
    if lot.use_by < date.max:
        days.append(lot.use_by)
    if lot.retest_on is not None:
        days.append(lot.retest_on - timedelta(days=1))
    if lot.ready_on is not None:
        days.append(lot.ready_on)
    return days


def limiting(finding: Finding, unstocked: frozenset[int]) -> int | None:
    """The material with the smallest available / needed, short or not."""
    there, needs = finding.available, finding.needs.materials
    least: int | None = None
    for item in sorted(item for item, needed in needs.items() if needed and item not in unstocked):
        if least is None or there[item] * needs[least] < there[least] * needs[item]:
            least = item
    return least


def most_units(catalogue: Catalogue, stock: Stock, question: Question, product: int, day: date) -> int:
    """The most units of one product if it were wanted alone (finished ones too, if they may serve)."""
    finished, bulk = made_before(catalogue, stock, question, day)

    def available(item: int) -> int:
        return stock.available(item, day)

    def needed(units: int) -> Mapping[int, int]:
        found = explode(catalogue, (Want(product, units),), finished, bulk).materials
        return {item: quantity for item, quantity in found.items() if item not in stock.unstocked}

    def is_short(needs: Mapping[int, int]) -> bool:
        return any(quantity > available(item) for item, quantity in needs.items())

    low: Look = finished.get(product, 0), {}  # finished units need nothing
    high: Look = MOST_UNITS, needed(MOST_UNITS)
    if not is_short(high[1]):
        return MOST_UNITS
    step = 1
    while high[0] - low[0] > 1:  # needs grow nearly in a line: look where it crosses what is there, then beside it
        at = _crossing(low, high, available)
        for _ in range(2):
            needs = needed(at)
            low, high = (low, (at, needs)) if is_short(needs) else ((at, needs), high)
            at += step if at == low[0] else -step
            if not low[0] < at < high[0]:
                at = (low[0] + high[0]) // 2
            if at == low[0]:
                break
        step *= 2
    return low[0]


Look = tuple[int, Mapping[int, int]]  # units, and what they need


def _crossing(low: Look, high: Look, available: Callable[[int], int]) -> int:
    """Between a number that is not short and one that is: where the first need would reach what is there."""
    (units, before), (most, after) = low, high
    reached = [
        (most - units) * (available(item) - before.get(item, 0)) // (needed - before.get(item, 0))
        for item, needed in after.items()
        if needed > available(item)
    ]
    return min(max(units + min(reached), units + 1), most - 1)
