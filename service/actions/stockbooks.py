"""The books as a cover sees them: how products become materials, and which lots are there to serve them."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Row

from service.actions.buying import awaited
from service.actions.buying.awaited import Buying
from service.actions.histories import Told
from service.actions.scope import Scope
from service.core.demand.planning import Books, Lot
from service.core.making import recipes
from service.core.making.needs import Catalogue
from service.core.stock import draw
from service.core.units import FULL_PPM
from service.store import access, catalogue, formulas, items, lots, runs
from service.store.items import ItemRow

BOUGHT = ("ingredient", "packaging")
ALL = 100_000
QUARTER_DAYS = 91


@dataclass(slots=True)
class Shelves:
    """Books with the items of their nodes, the codes of the nodes' lots, and what is known of buying them."""

    books: Books
    nodes: list[ItemRow]
    buying: Buying
    codes: dict[int, list[str]] = field(default_factory=dict)  # node -> its lots' codes, as in `books.lots`
    finished_codes: dict[int, list[str]] = field(default_factory=dict)  # product -> the same, as in `books.finished`


def shelve(scope: Scope, told: Told, also: Collection[int] = ()) -> Shelves:
    """Read recipes, lots, and what open plans will take and make. `also`: bulk that is looked at though none is kept."""
    connection, workshop = scope.connection, scope.workshop.id
    active = [item for item in items.page(connection, workshop, (*BOUGHT, "bulk"), None, ALL) if item.stocked and item.active]
    bought = [item for item in active if item.kind in BOUGHT]
    reached = catalogue.reach(connection, workshop, [*told.places, *(item.id for item in active if item.kind == "bulk")])
    unstocked = items.unstocked(connection, workshop)
    plans = runs.open_plans(connection, workshop)
    ids = {item.id for item in bought} | set(reached.recipes) | set(told.places)
    rows: dict[int, list[Row[Any]]] = {}
    for row in lots.with_stock(connection, workshop, sorted(ids)):
        rows.setdefault(row.item_id, []).append(row)
    planned = {item for plan in plans for item in (*plan.needs, *plan.makes)}
    apart = [formula for formula in reached.recipes if formula in rows or formula in planned or formula in also]
    parts = recipes.parts(reached, _batches(scope, told, reached), set(apart), unstocked)
    needed = {node for mine in (*parts.goes.values(), *parts.bulk.values()) for node in mine}
    known = items.by_ids(connection, workshop, (needed | set(apart)) - {item.id for item in bought})
    nodes = [*bought, *sorted(known.values(), key=lambda item: item.code)]
    place = {item.id: at for at, item in enumerate(nodes)}
    buying = awaited.known(scope, nodes)
    books = _books(parts, told, place, scope, nodes, buying)
    _bulk_lead(books, reached, place, nodes)
    found = Shelves(books, nodes, buying)
    for item, at in place.items():
        books.lots[at], found.codes[at] = _lots(scope, rows.get(item, ()), ("usable", "resting"))
    for item, at in told.places.items():
        shown = _lots(scope, rows.get(item, ()), ("usable", "resting", "set_apart"))
        books.finished[at], found.finished_codes[at] = shown
    for plan in plans:
        _plan(scope, books, plan, place, told.places)
    return found


def _batches(scope: Scope, told: Told, reached: Catalogue) -> dict[int, int | None]:
    """The batch each formula is made in: its usual one; else the mean of its runs, its smallest, or what four weeks sell."""
    connection, workshop = scope.connection, scope.workshop.id
    versions = formulas.versions(connection, workshop, list(reached.recipes)) if reached.recipes else {}
    last = {formula: found[-1] for formula, found in versions.items() if found}
    batches: dict[int, int | None] = {formula: row.usual_batch_mg for formula, row in last.items()}
    lacking = [formula for formula, row in last.items() if row.loss_mg and not row.usual_batch_mg]
    if lacking:
        past, sold = runs.mean_batches(connection, workshop, lacking), _four_weeks(told, reached)
        for formula in lacking:
            row = last[formula]
            some = sold.get(formula, 0) + row.loss_mg
            most = row.largest_batch_mg or some
            batches[formula] = past.get(formula) or row.smallest_batch_mg or (min(some, most) if formula in sold else None)
    return batches


def _four_weeks(told: Told, reached: Catalogue) -> dict[int, int]:
    """Milligrams of each formula that four weeks of the last quarter sold, through products alone."""
    history = told.history
    mass = {told.places[product]: (made.formula, made.fill_mg) for product, made in reached.products.items()}
    sold: dict[int, int] = {}
    for at, day, units in zip(history.at, history.day, history.units, strict=True):
        formula, fill = mass[history.series[at][0]]
        if formula is not None and day >= history.today - QUARTER_DAYS:
            sold[formula] = sold.get(formula, 0) + round(units * fill * 28 / QUARTER_DAYS)
    return sold


def _bulk_lead(books: Books, reached: Catalogue, place: Mapping[int, int], nodes: Sequence[ItemRow]) -> None:
    """Bulk is made, not bought: what goes into other formulas must have rested by then (a product's rest is in its need)."""
    inside = {item for recipe in reached.recipes.values() for item, _ in recipe.lines}
    for item in nodes:
        if item.kind == "bulk" and item.facts.get("lead_time_days") is None:
            at, days = place[item.id], reached.recipes[item.id].rest_days if item.id in inside else 0
            books.lead[at], books.leads[at] = days, ((days,), (1.0,))


def _books(
    parts: recipes.Parts, told: Told, place: dict[int, int], scope: Scope, nodes: Sequence[ItemRow], buying: Buying
) -> Books:
    workshop = access.workshop(scope.connection, scope.workshop.id)
    level = workshop.service_level_ppm / FULL_PPM
    books = Books(len(nodes))
    for product, mine in parts.goes.items():
        books.goes += [(told.places[product], place[node], each) for node, each in mine.items()]
    for bulk, mine in parts.bulk.items():
        books.bulk += [(place[bulk], place[node], each) for node, each in mine.items()]
    books.rest = [parts.rest.get(row.id, 0) for row in told.products]
    books.sets = [(told.places[outer], told.places[inner], units) for outer, inner, units in parts.sets]
    for at, item in enumerate(nodes):
        lead, own = buying.leads[item.id].time, item.facts.get("service_level_percent")
        books.lead.append(lead.within(0.5))
        books.leads[at] = lead.days, lead.chances
        books.level.append(level if own is None else float(own) / 100)
        if item.id in buying.ordered:
            books.coming[at] = [one.coming for one in buying.ordered[item.id]]
    return books


def _lots(scope: Scope, rows: Iterable[Row[Any]], states: Sequence[str]) -> tuple[list[Lot], list[str]]:
    """The lots that serve, first expired first out, less what is unbooked; and their codes."""
    found: list[tuple[Lot, str]] = []
    unbooked = 0
    for row in sorted(rows, key=lambda one: draw.first_out(draw.shelf_of(one))):
        if row.id == row.item_id:
            unbooked -= row.on_hand
        elif draw.state(draw.shelf_of(row), scope.today) in states:
            days = [(one - scope.today).days for one in (row.use_by,) if one != draw.FOREVER]
            if row.retest_on is not None:
                days.append((row.retest_on - scope.today).days - 1)
            first = max((row.ready_on - scope.today).days, 0) if row.ready_on is not None else 0
            found.append((Lot(float(row.on_hand), min(days, default=None), first), row.code))
    _take([lot for lot, _ in found], unbooked)
    return [lot for lot, _ in found], [code for _, code in found]


def _take(there: Sequence[Lot], quantity: float) -> None:
    """Less is there, in the order of the lots."""
    for lot in there:
        taken = min(lot.quantity, quantity)
        lot.quantity -= taken
        quantity -= taken


def _plan(scope: Scope, books: Books, plan: Any, place: dict[int, int], products: dict[int, int]) -> None:
    """An open plan takes its lines on its day, and what it makes is there to be sold or filled."""
    day = max((plan.planned_on - scope.today).days, 0) if plan.planned_on is not None else 0
    for item, quantity in plan.needs.items():
        if item in place:
            books.planned.append((place[item], day, float(quantity)))
        elif item in products:
            _take(books.finished[products[item]], float(quantity))
    for item, quantity in plan.makes.items():
        if item in products:
            books.finished[products[item]].append(Lot(float(quantity)))
        elif item in place:
            books.lots[place[item]].append(Lot(float(quantity)))
