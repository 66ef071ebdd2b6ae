"""The books as a forecast sees them: demand by product and channel, and what is known of the days."""

import json
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import huge_orders
from service.actions.huge_orders import Huge
from service.actions.recent import Recent
from service.actions.scope import Scope
from service.core.demand import stockouts
from service.core.demand.entries import Entries, Past, entries
from service.core.demand.huge import Outliers, outliers
from service.core.demand.planning import CHANNELS, YOUNG, History, Mark, Season
from service.store import calendar, ids, orders
from service.store import history as store
from service.store import products as product_store

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_READ: Recent[tuple[Entries, Outliers]] = Recent(8)  # by workshop; nobody changes them; some 35 bytes a line


@dataclass(slots=True)
class Told:
    """A history with the products of its places, and the orders in it that stand out."""

    history: History
    products: list[Row[Any]]
    places: dict[int, int]  # product's id -> place
    huge: list[Huge] = field(default_factory=list)
    to_stock: set[int] = field(default_factory=set)  # places of products that are made before they are ordered


def tell(scope: Scope) -> Told:
    """Read the orders, the finished stock's movements and the calendar."""
    connection, workshop = scope.connection, scope.workshop.id
    products = store.products(connection, workshop)
    places = {row.id: at for at, row in enumerate(products)}
    start = WEEKDAYS.index(scope.workshop.week_start)
    history = History(scope.today.toordinal(), start, len(products))
    monday = scope.today - timedelta(days=(scope.today.weekday() - start) % 7)
    before = monday + timedelta(days=store.longest_transit(connection, workshop))
    past = Past(store.orders(connection, workshop, before), store.lines(connection, workshop), list(places), monday.toordinal())
    asked, found = _READ.get(workshop, lambda: _read(past), past.digest())
    history.at, history.day, history.units = asked.at, asked.day, asked.units
    series = {one: at for at, one in enumerate(asked.series)}
    huge = huge_orders.find(scope, asked, found, past.products)
    history.over = [
        (series[places[item], one.channel], one.day.toordinal(), over) for one in huge for item, over in one.over.items()
    ]
    ordered = {product for product, _ in series}
    _kinds(history, products, series)
    _fresh(scope, history, products, series, ordered)
    _known(scope, history, series, places)
    for row in calendar.every(connection, workshop):
        product = -1 if row.item_id is None else places[row.item_id]
        history.marks.append(Mark(row.kind, row.from_on.toordinal(), row.until_on.toordinal(), product, row.channel or ""))
    history.series = list(series)
    return Told(history, products, places, huge, _gaps(scope, history, places))


def _read(past: Past) -> tuple[Entries, Outliers]:
    """What follows from what was ordered alone."""
    asked = entries(past)
    return asked, outliers(asked)


def _gaps(scope: Scope, history: History, places: dict[int, int]) -> set[int]:
    """Days without finished stock into the history; answers which products are made before they are ordered."""
    moves: dict[int, dict[int, int]] = {}
    for row in store.finished_moves(scope.connection, scope.workshop.id):
        moves.setdefault(places[row.item_id], {})[row.happened_on.toordinal()] = int(row.quantity)
    if not moves:
        return set()
    sold: dict[int, dict[int, float]] = {place: {} for place in moves}
    of = [sold.get(product) for product, _ in history.series]
    for at, day, units in zip(history.at, history.day, history.units, strict=True):
        if (mine := of[at]) is not None:
            mine[day] = mine.get(day, 0.0) + units
    to_stock = set()
    for place, mine_moves in moves.items():
        if stockouts.from_stock(mine_moves, sold[place], history.today):
            to_stock.add(place)
        if found := stockouts.gaps(mine_moves, sold[place], history.today):
            history.gaps[place] = found
    return to_stock


def _fresh(
    scope: Scope, history: History, products: list[Row[Any]], series: dict[tuple[int, str], int], ordered: set[int]
) -> None:
    """New products that nobody ordered yet: they borrow in the channels in which most products sell.

    Sets do not, nor what they hold: how often a set sells, the workshop's other products do not say.
    """
    weeks = {at: (scope.now - ids.made_at(row.id)).days // 7 for at, row in enumerate(products) if row.active}
    young = {at: max(age, 0) for at, age in weeks.items() if age < YOUNG and at not in ordered and at not in history.like}
    if not young or not ordered:
        return
    apart = product_store.of_sets(scope.connection, scope.workshop.id)
    usual = [channel for channel in CHANNELS if 2 * sum((at, channel) in series for at in ordered) >= len(ordered)]
    for at, age in young.items():
        if products[at].id not in apart:
            history.fresh[at] = age
            for channel in usual:
                series.setdefault((at, channel), len(series))


def _known(scope: Scope, history: History, series: dict[tuple[int, str], int], places: dict[int, int]) -> None:
    """Open orders: certain, on the day they must leave (those without a due date on the day they were placed).

    One-off ones come on top of what is forecast; all others are what it expects.
    """
    found = orders.open_orders(scope.connection, scope.workshop.id)
    kinds = store.kinds(scope.connection, scope.workshop.id, {one.order_id for one in found})
    for one in found:
        day = one.placed_on if one.due_on is None else one.due_on - timedelta(days=one.transit_days)
        for item, units in one.wants.items():
            key = (places[item], kinds[one.order_id].channel)
            told = history.apart if kinds[one.order_id].one_off else history.known
            told.append((series.setdefault(key, len(series)), day.toordinal(), float(units)))


def _kinds(history: History, products: list[Row[Any]], series: dict[tuple[int, str], int]) -> None:
    """Seasons, what new products are like (their channels become theirs), and what is sold no more."""
    codes = {row.code: at for at, row in enumerate(products)}
    for at, row in enumerate(products):
        facts = json.loads(row.facts)
        if not row.active:
            history.retired.append(at)
        season = season_of(facts)
        if season is not None:
            history.seasons[at] = season
        like = [codes[code] for code in facts.get("like") or () if code in codes]
        if like:
            history.like[at] = like
            for channel in CHANNELS:
                if any((other, channel) in series for other in like):
                    series.setdefault((at, channel), len(series))


def season_of(facts: dict[str, Any]) -> Season | None:
    """The season a product's facts tell, as (month, day) pairs."""
    begin, end = facts.get("sold_from"), facts.get("sold_until")
    if not begin or not end:
        return None
    return (int(begin[:2]), int(begin[3:])), (int(end[:2]), int(end[3:]))
