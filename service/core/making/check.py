"""Is there enough? Needs against what is usable on a day, less what is claimed; and the best day to make it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction

from service.core.making.needs import Catalogue, Needs, Want, explode
from service.core.stock import draw
from service.core.stock.draw import Shelf

MOST_UNITS = 10_000_000


@dataclass(frozen=True, slots=True)
class Stock:
    """Lots by item, what plans claim by item, and which items are never short."""

    lots: Mapping[int, Sequence[Shelf]]
    claimed: Mapping[int, int]
    unstocked: frozenset[int]

    def usable(self, item: int, day: date) -> int:
        """What production may draw on a day."""
        return sum(lot.quantity for lot in self.lots.get(item, ()) if draw.drawable(lot, day))

    def available(self, item: int, day: date) -> int:
        """Usable less claimed, never below 0."""
        return max(0, self.usable(item, day) - self.claimed.get(item, 0))


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


def serves(lot: Shelf, question: Question, day: date) -> bool:
    """Whether finished stock could serve: usable, or resting and ready by then."""
    until = question.by or day
    if draw.drawable(lot, day):
        return True
    return lot.ready_on is not None and lot.ready_on <= until and draw.drawable(lot, max(until, day))


def finished_by(catalogue: Catalogue, stock: Stock, question: Question, day: date) -> dict[int, int]:
    """Finished units that could serve, less what plans claim."""
    if not question.use_finished:
        return {}
    found = {}
    for product in catalogue.products:
        ready = sum(lot.quantity for lot in stock.lots.get(product, ()) if serves(lot, question, day))
        found[product] = max(0, ready - stock.claimed.get(product, 0))
    return found


def on_day(catalogue: Catalogue, stock: Stock, question: Question, day: date) -> Finding:
    """What the wants need and lack if they are made on a day."""
    there = _There(catalogue, stock, question, day)
    needs = explode(catalogue, question.wants, there.finished, there.bulk)
    available = {item: there.available(item) for item in needs.materials}
    short = {
        item: needed - available[item]
        for item, needed in needs.materials.items()
        if needed > available[item] and item not in stock.unstocked
    }
    return Finding(day, needs, available, short, None if short else _ready(catalogue, stock, question, needs, day))


def rest_of(catalogue: Catalogue, needs: Needs) -> int:
    """Days of rest after the making day: the longest of what is made."""
    return max((catalogue.recipes[formula].rest_days for formula in needs.batches), default=0)


def _ready(catalogue: Catalogue, stock: Stock, question: Question, needs: Needs, day: date) -> date:
    days = [day + timedelta(days=rest_of(catalogue, needs))] if needs.batches else [day]
    for product, quantity in needs.from_finished.items():
        days += _ready_days([lot for lot in stock.lots.get(product, ()) if serves(lot, question, day)], quantity, day)
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
    rests = {0} | {recipe.rest_days for recipe in catalogue.recipes.values()}
    edges = {edge for lots in stock.lots.values() for lot in lots for edge in _edges(lot)}
    days = {day for day in edges | {by - timedelta(days=rest) for rest in rests} if today <= day <= by} | {today}
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
    needed = {item: quantity for item, quantity in finding.needs.materials.items() if quantity and item not in unstocked}
    if not needed:
        return None
    return min(needed, key=lambda item: (Fraction(finding.available[item], needed[item]), item))


def most_units(catalogue: Catalogue, stock: Stock, question: Question, product: int, day: date) -> int:
    """The most units of one product if it were wanted alone (finished ones too, if they may serve)."""
    there = _There(catalogue, stock, question, day)

    def short_by(units: int) -> float:
        """The largest share of a need that is not there; 0 when there is enough."""
        needs = explode(catalogue, (Want(product, units),), there.finished, there.bulk)
        lacking = [
            needed / there.available(item) if there.available(item) else float("inf")
            for item, needed in needs.materials.items()
            if needed > there.available(item) and item not in stock.unstocked
        ]
        return max(lacking, default=0.0)

    if short_by(1):
        return 0
    return _largest(short_by, 1, MOST_UNITS)


def _largest(short_by: Callable[[int], float], low: int, most: int) -> int:
    """The largest number that is not short; `low` is none. Needs grow with the number, so one look from afar comes near."""
    over = short_by(most)
    if not over:
        return most
    high = most
    near = int(most / over) if over < float("inf") else 0
    if low < near < high:
        up = not short_by(near)
        low, high = (near, high) if up else (low, near)
        step = 1
        while high - low > 1:  # from there in growing steps to the other side
            at = min(low + step, high - 1) if up else max(high - step, low + 1)
            short = bool(short_by(at))
            low, high = (low, at) if short else (at, high)
            if short == up:
                break
            step *= 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if short_by(middle) else (middle, high)
    return low


@dataclass(slots=True)
class _There:
    """What is available on a day, each item added up once."""

    catalogue: Catalogue
    stock: Stock
    question: Question
    day: date
    bulk: dict[int, int] = field(init=False)
    finished: dict[int, int] = field(init=False)
    _known: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.bulk = {formula: self.available(formula) for formula in self.catalogue.recipes}
        self.finished = finished_by(self.catalogue, self.stock, self.question, self.day)

    def available(self, item: int) -> int:
        """Usable less claimed, never below 0."""
        if item not in self._known:
            self._known[item] = self.stock.available(item, self.day)
        return self._known[item]
