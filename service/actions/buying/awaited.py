"""What is on order, and how long each material takes to come: what a cover and an alert want to know of buying."""

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions.buying import offers, taught
from service.actions.scope import Scope
from service.core.buying.lead_times import LeadTime
from service.core.demand.planning import Coming
from service.store import access, purchases, suppliers
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Lead:
    """A lead time, and whose it is: the `material`'s own, a `supplier`'s (`seen` in so many deliveries) or the `workshop`'s."""

    time: LeadTime
    source: str
    supplier: str | None = None
    seen: int = 0


@dataclass(frozen=True, slots=True)
class Ordered:
    """A line that is placed and not all there: what is still to come, when it is expected, and its chances."""

    order: str
    line: int
    supplier: str
    quantity: int
    expected_on: date
    coming: Coming


@dataclass(frozen=True, slots=True)
class Buying:
    """Lead times by item, and what is on order by item, soonest expected first."""

    leads: dict[int, Lead]
    ordered: dict[int, list[Ordered]]


def known(scope: Scope, items: Sequence[ItemRow]) -> Buying:
    """Of these items: the lead time of their own, else of the supplier of the cheapest standing offer; and what is on order."""
    cheapest = offers.cheapest(scope)
    lines = purchases.awaited_lines(scope.connection, scope.workshop.id)
    ids = {row.supplier_id for row in cheapest.values()} | {line.supplier_id for line in lines}
    rows = suppliers.by_ids(scope.connection, scope.workshop.id, ids)
    times = taught.lead_times(scope, list(rows.values()))
    usual = Lead(LeadTime.sure(access.workshop(scope.connection, scope.workshop.id).lead_time_days), "workshop")
    leads = {}
    for item in items:
        own, offer = item.facts.get("lead_time_days"), cheapest.get(item.id)
        if own is not None:
            leads[item.id] = Lead(LeadTime.sure(int(own)), "material")
        elif offer is not None and not times[offer.supplier_id].usual:
            its = times[offer.supplier_id]
            leads[item.id] = Lead(its.lead, "supplier", offer.supplier, its.count)
        else:
            leads[item.id] = usual
    ordered: dict[int, list[Ordered]] = {}
    for line in lines:
        supplier = rows[line.supplier_id]
        coming = _coming(scope, line, times[supplier.id].lead)
        found = Ordered(line.code, line.n, supplier.code, int(line.left), line.expected_on, coming)
        ordered.setdefault(line.item_id, []).append(found)
    return Buying(leads, ordered)


def _coming(scope: Scope, line: Row[Any], lead: LeadTime) -> Coming:
    """When a placed line comes: the supplier's lead time (a day that was told is the likely one), as it is not there yet."""
    if json.loads(line.order_facts)["expected_told"]:
        lead = lead.moved((line.expected_on - line.placed_on).days - lead.within(0.5))
    left = lead.after((scope.today - line.placed_on).days)
    return Coming(float(line.left), left.days, left.chances, line.life_days)


def on_order(scope: Scope, items: Collection[int]) -> dict[int, int]:
    """What is placed and still to come of these items."""
    found = dict.fromkeys(items, 0)
    for line in purchases.awaited_lines(scope.connection, scope.workshop.id, items):
        found[line.item_id] += int(line.left)
    return found


@dataclass(frozen=True, slots=True)
class Placed:
    """A purchase order that is placed and not all there."""

    code: str
    supplier: str
    supplier_name: str
    placed_on: date
    expected_on: date


def placed(scope: Scope, late: bool = False) -> list[Placed]:
    """Purchase orders that are awaited, soonest expected first; `late`: only those that were expected before today."""
    rows = purchases.awaited(scope.connection, scope.workshop.id, scope.today if late else None)
    return [Placed(row.code, row.supplier, row.supplier_name, row.placed_on, row.expected_on) for row in rows]
