"""The books as a forecast sees them: demand by product and channel, and what is known of the days."""

import json
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core.demand import huge, stockouts
from service.core.demand.huge import Sizes
from service.core.demand.planning import CHANNELS, History, Mark, Season
from service.store import history as store
from service.store import orders

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(slots=True)
class Told:
    """A history with the products of its places and the huge orders found: series, day, units, usual most."""

    history: History
    products: list[Row[Any]]
    places: dict[int, int]  # product's id -> place
    huge: list[tuple[int, int, float, float]]
    first: dict[int, int] = field(default_factory=dict)  # place -> first day ordered
    to_stock: set[int] = field(default_factory=set)  # places of products that are made before they are ordered


def tell(scope: Scope) -> Told:
    """Read the orders, the finished stock's movements and the calendar."""
    connection, workshop = scope.connection, scope.workshop.id
    products = store.products(connection, workshop)
    places = {row.id: at for at, row in enumerate(products)}
    start = WEEKDAYS.index(scope.workshop.week_start)
    history = History(scope.today.toordinal(), start, len(products))
    monday = scope.today - timedelta(days=(scope.today.weekday() - start) % 7)
    series, sizes, sold, first = _demand(history, store.daily(connection, workshop, monday), places)
    _known(scope, history, series, places)
    _kinds(history, products, series)
    for row in store.marks(connection, workshop):
        product = -1 if row.item_id is None else places[row.item_id]
        first_day, last_day = row.from_on.toordinal(), row.until_on.toordinal()
        history.marks.append(Mark(row.kind, first_day, last_day, product, row.channel or ""))
    moves: dict[int, dict[int, int]] = {}
    for row in store.finished_moves(connection, workshop):
        moves.setdefault(places[row.item_id], {})[row.happened_on.toordinal()] = int(row.quantity)
    to_stock = set()
    for place, mine in moves.items():
        if stockouts.from_stock(mine, sold.get(place, {}), history.today):
            to_stock.add(place)
        if found := stockouts.gaps(mine, sold.get(place, {}), history.today):
            history.gaps[place] = found
    giants = huge.found(sizes)
    history.over = [(at, day, units - most) for at, day, units, most in giants]
    history.series = list(series)
    return Told(history, products, places, giants, first, to_stock)


def _demand(
    history: History, rows: list[Row[Any]], places: dict[int, int]
) -> tuple[dict[tuple[int, str], int], dict[int, Sizes], dict[int, dict[int, float]], dict[int, int]]:
    """The days into the history; places of the series, sizes of their lines, units by product and day."""
    series: dict[tuple[int, str], int] = {}
    sizes: dict[int, Sizes] = {}
    sold: dict[int, dict[int, float]] = {}
    first: dict[int, int] = {}
    days: dict[Any, int] = {}
    for row in rows:
        place = places[row.item_id]
        at = series.setdefault((place, row.channel), len(series))
        on = row.day
        day = days.get(on)
        if day is None:
            day = days[on] = (on if isinstance(on, date) else date.fromisoformat(on)).toordinal()
        units = float(row.units)
        history.at.append(at)
        history.day.append(day)
        history.units.append(units)
        sizes.setdefault(at, Sizes()).add(day, row.lines, units, float(row.squares), float(row.largest))
        mine = sold.setdefault(place, {})
        mine[day] = mine.get(day, 0.0) + units
        first[place] = min(first.get(place, day), day)
    return series, sizes, sold, first


def _known(scope: Scope, history: History, series: dict[tuple[int, str], int], places: dict[int, int]) -> None:
    """Open orders: certain, on the day they must leave (those without a due date on the day they were placed)."""
    found = orders.open_orders(scope.connection, scope.workshop.id)
    channels = store.channels(scope.connection, scope.workshop.id, {one.order_id for one in found})
    for one in found:
        day = one.placed_on if one.due_on is None else one.due_on - timedelta(days=one.transit_days)
        for item, units in one.wants.items():
            key = (places[item], channels[one.order_id])
            history.known.append((series.setdefault(key, len(series)), day.toordinal(), float(units)))


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
