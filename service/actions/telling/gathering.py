"""What alerts are made from, read in one snapshot; and what the forecast says to it, as plain figures that can be kept."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil
from typing import Any

from sqlalchemy import Row

from service.actions import claiming, histories, stockbooks
from service.actions.buying.awaited import Ordered
from service.actions.histories import Told
from service.actions.scope import Scope
from service.actions.stockbooks import BOUGHT, Shelves
from service.actions.telling import purchases
from service.actions.telling.using_up import Uses
from service.core.alerts.facts import Demand, Facts, Item, Purchase, Stock
from service.core.alerts.use_up import STOCK_WEEKS
from service.core.buying.lead_times import LeadTime
from service.core.demand.planning import Lasting
from service.core.making import at_risk, claims
from service.core.making.at_risk import Outlook
from service.core.stock import draw
from service.core.units import FULL_PPM
from service.store import access, items, lots, orders
from service.store.items import ItemRow

ALL = 100_000
KINDS = ("ingredient", "packaging", "bulk", "product")
WALK_IN = {"retail", "market"}  # channels that are served from the shelf
MAKING_DAYS = 3  # to find time for a batch; common practice, no source
Figures = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Arrival:
    """When more of a material is likely to come: the first of what is on order, else what could be ordered today."""

    likely_on: date
    on_order: int = 0
    expected_on: date | None = None


@dataclass(slots=True)
class Books:
    """The books as alerts see them."""

    scope: Scope
    told: Told
    shelves: Shelves
    level: float
    items: dict[int, ItemRow]
    rows: list[Row[Any]]  # lots that hold something, unbooked ones too
    outlooks: list[Outlook]
    customers: dict[int, str | None]
    purchases: list[Purchase]
    claimed: dict[int, int]
    arrivals: dict[int, Arrival]  # of what is bought

    @property
    def task(self) -> tuple[Any, ...] | None:
        """What the child process is asked; None while nothing was ever ordered or planned, so that nothing is foreseen."""
        if not self.told.history.series and not self.shelves.books.planned:
            return None
        return "lasting", self.told.history, self.shelves.books, self.level

    def figures(self, computed: tuple[list[Lasting], list[Lasting]] | None) -> Figures:
        """What the forecast says, with days as dates, so that it still holds on a later day."""
        nothing: Figures = {"day": self.scope.today.isoformat(), "items": {}, "unused": {}}
        return nothing if computed is None else _Said(self).figures(nothing, *computed)

    def facts(self, figures: Figures) -> Facts:
        """The workshop today."""
        today = self.scope.today
        return Facts(
            today,
            (*_items(self, figures["items"]), *_products(self, figures["items"])),
            self._stocks(figures),
            tuple(_demand(self, one) for one in self.outlooks),
            tuple(self.purchases),
            self.scope.workshop.expiry_warning_days,
        )

    def _stocks(self, figures: Figures) -> tuple[Stock, ...]:
        """Every lot that holds something."""
        uses = Uses(self.scope, self.told, self.shelves, self.items, self.rows, self.claimed)
        return tuple(_stock(self, row, figures, uses) for row in self.rows if row.id != row.item_id)


def gather(scope: Scope) -> Books:
    """Read all that the alerts of today follow from."""
    connection, workshop = scope.connection, scope.workshop.id
    told = histories.tell(scope)
    shelves = stockbooks.shelve(scope, told)
    row = access.workshop(connection, workshop)
    known = {item.id: item for item in items.page(connection, workshop, KINDS, None, ALL)}
    there = claiming.books(scope, materials=True)
    found = claims.claimed(there)
    arrivals = _arrivals(scope, shelves)
    outlooks = at_risk.outlooks(there, found, {item: one.likely_on for item, one in arrivals.items()})
    of = orders.by_ids(connection, workshop, [one.order.order_id for one in outlooks])
    return Books(
        scope, told, shelves, row.service_level_ppm / FULL_PPM, known, lots.shown(connection, workshop, unbooked=True),
        outlooks, {id_: order.customer for id_, order in of.items()}, purchases.placed_orders(scope),
        dict(found.of_production), arrivals,
    )  # fmt: skip


def _arrivals(scope: Scope, shelves: Shelves) -> dict[int, Arrival]:
    """Of each material that is bought."""
    found = {}
    for at, item in enumerate(shelves.nodes):
        if item.kind not in BOUGHT:
            continue
        coming = shelves.buying.ordered.get(item.id)
        if coming:
            likely, expected = min((_likely(scope, one), one.expected_on) for one in coming)
            found[item.id] = Arrival(likely, sum(one.quantity for one in coming), expected)
        else:
            found[item.id] = Arrival(scope.today + timedelta(days=shelves.books.lead[at]))
    return found


def _likely(scope: Scope, ordered: Ordered) -> date:
    """The day it is expected on; when that has passed, the likely one by what is known of its lead time."""
    if ordered.expected_on >= scope.today:
        return ordered.expected_on
    left = LeadTime(ordered.coming.days, ordered.coming.chances, 0.0)
    return scope.today + timedelta(days=left.within(0.5))


class _Said:
    """The forecast's answer as dates and codes."""

    def __init__(self, books: Books) -> None:
        self.books, self.today = books, books.scope.today
        self.knows = bool(books.told.history.series)  # nothing was ever ordered: what will be used is not known

    def figures(self, found: Figures, nodes: list[Lasting], products: list[Lasting]) -> Figures:
        """By item: when it runs out, by when to order or make it, what it needs a week; by lot: what will expire unused."""
        shelves = self.books.shelves
        for at, (item, one) in enumerate(zip(shelves.nodes, nodes, strict=True)):
            self._add(found, item.code, one, one.order_by if item.kind in BOUGHT else None, shelves.codes[at])
        walk_in = {product for product, channel in self.books.told.history.series if channel in WALK_IN}
        for at, (row, one) in enumerate(zip(self.books.told.products, products, strict=True)):
            by = None
            if one.runs_out is not None and at in walk_in and at in self.books.told.to_stock and row.active:
                by = one.runs_out - shelves.books.rest[at] - MAKING_DAYS
            self._add(found, row.code, one, by, shelves.finished_codes[at])
        return found

    def _add(self, found: Figures, code: str, one: Lasting, order_by: int | None, lots: list[str]) -> None:
        found["items"][code] = {
            "order_by": self._date(order_by), "runs_out": self._date(one.runs_out), "weekly": round(one.weekly_need, 3),
        }  # fmt: skip
        if self.knows:
            losses = zip(lots, one.expiring, strict=False)  # what open plans will make has no code yet
            found["unused"] |= {lot: round(loss) for lot, loss in losses if round(loss) > 0}

    def _date(self, day: int | None) -> str | None:
        return None if day is None else (self.today + timedelta(days=day)).isoformat()


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _unbooked(books: Books) -> dict[int, int]:
    return {row.item_id: row.on_hand for row in books.rows if row.id == row.item_id and row.on_hand}


def _items(books: Books, figures: Figures) -> list[Item]:
    """What is bought, and whatever has something unbooked."""
    unbooked, found = _unbooked(books), []
    on_hand = _on_hand(books)
    for id_, item in books.items.items():
        if item.kind == "product" or not item.stocked:
            continue
        told = Item(item.code, item.name, item.unit, unbooked=unbooked.get(id_, 0), on_hand=on_hand.get(id_, 0))
        if more := books.arrivals.get(id_):
            mine = figures.get(item.code, {})
            told = replace(
                told, order_by=_day(mine.get("order_by")), runs_out=_day(mine.get("runs_out")), arrives=more.likely_on,
                on_order=more.on_order, expected_on=more.expected_on,
            )  # fmt: skip
        found.append(told)
    return found


def _products(books: Books, figures: Figures) -> list[Item]:
    """Products: by when to make those that are made to stock, and what was sold before its batch was recorded."""
    unbooked, on_hand, found = _unbooked(books), _on_hand(books), []
    for row in books.told.products:
        mine = figures.get(row.code, {})
        make = ceil(mine.get("weekly", 0) * STOCK_WEEKS)
        found.append(
            Item(
                row.code, row.name, "piece", _day(mine.get("order_by")), _day(mine.get("runs_out")),
                unbooked=unbooked.get(row.id, 0), product=True, make=make, on_hand=on_hand.get(row.id, 0),
            )
        )  # fmt: skip
    return found


def _on_hand(books: Books) -> dict[int, int]:
    found: dict[int, int] = {}
    for row in books.rows:
        if row.id != row.item_id:
            found[row.item_id] = found.get(row.item_id, 0) + row.on_hand
    return found


def _stock(books: Books, row: Row[Any], figures: Figures, uses: Uses) -> Stock:
    """A lot, and what could be made to use it up where the forecast leaves much of it."""
    item = books.items[row.item_id]
    unused = min(figures["unused"].get(row.code, 0), row.on_hand)
    product = item.kind == "product"
    return Stock(
        row.code, item.code, item.name, item.unit, row.on_hand,
        last_day=None if row.use_by == draw.FOREVER else row.use_by,
        retest_on=row.retest_on,
        ready_on=row.ready_on,
        unused=unused,
        batch=row.document_code if row.document_kind == "run" else None,
        usable=row.status == "released",
        use_up=uses.ways(item, unused, figures["items"]) if unused and not product else (),
        product=product,
        waits=row.status == "quarantined",
    )  # fmt: skip


def _demand(books: Books, one: Outlook) -> Demand:
    assert one.order.due_on is not None
    short = tuple((books.items[item].name, some, books.items[item].unit) for item, some in sorted(one.short.items()) if some)
    customer = books.customers[one.order.order_id]
    return Demand(one.order.reference, customer, one.order.due_on, short, one.ready_on, one.leave_on, one.to_make)
