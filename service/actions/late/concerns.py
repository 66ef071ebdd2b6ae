"""What later came to be known of a lot in a batch: rejected, quarantined, or a date on the label that would differ now."""

import json
from collections.abc import Collection, Mapping, Sequence, Set
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core.stock.draw import FOREVER
from service.store import lots, orders, trace

LEVELS = 12  # bulk in bulk to any sensible depth


def of_batches(scope: Scope, used: Mapping[int, Set[int]], what: str = "batch") -> dict[int, list[dict[str, Any]]]:
    """The concerns of batches (or shipments) by their paper, through bulk to any depth: `lot`, `reason`, `since`."""
    above: dict[int, set[int]] = {}
    waiting = {lot for some in used.values() for lot in some}
    seen: set[int] = set()
    for _ in range(LEVELS):
        waiting -= seen
        if not waiting:
            break
        seen |= waiting
        sources = trace.sources(scope.connection, scope.workshop.id, waiting)
        for lot, some in sources.items():
            above.setdefault(lot, set()).update(some)
        waiting = {lot for some in sources.values() for lot in some}
    known = lots.by_ids(scope.connection, scope.workshop.id, seen)
    bad = {key: row for key, row in known.items() if row.status in ("rejected", "quarantined") and row.id != row.item_id}
    if not bad:
        return {}
    return {paper: _said(bad, _all(some, above), what) for paper, some in used.items()}


def _all(some: Set[int], above: Mapping[int, Set[int]]) -> set[int]:
    found: set[int] = set()
    waiting = set(some)
    while waiting:
        found |= waiting
        waiting = {lot for one in waiting for lot in above.get(one, ())} - found
    return found


def of_shipments(scope: Scope, made: Mapping[int, Collection[Row[Any]]]) -> dict[int, list[dict[str, Any]]]:
    """The concerns of batches of which a lot was named in a shipment though it was not fit to be sold, by their paper."""
    paper_of = {lot.id: paper for paper, some in made.items() for lot in some}
    found: dict[int, list[dict[str, Any]]] = {}
    for row in orders.shipments_naming(scope.connection, scope.workshop.id, paper_of):
        mine = [one for one in json.loads(row.facts)["unfit"] if one["lot"] == row.lot]
        for concern in unfit(row, mine):
            known = found.setdefault(paper_of[row.lot_id], [])
            known += [] if concern in known else [concern]
    return found


def unfit(shipment: Row[Any], lots_: Sequence[Mapping[str, str]]) -> list[dict[str, Any]]:
    """What a shipment says of lots that were named though they were not fit to be sold."""
    customer = json.loads(shipment.facts)["customer"]
    return [
        {
            "type": "shipped-unfit",
            "lot": one["lot"],
            "reason": one["why"],
            "since": shipment.happened_on,
            "shipment": shipment.code,
            "sentence": f"Lot {one['lot']} was {one['why']} when it was shipped{f' to {customer}' if customer else ''}.",
        }
        for one in lots_
    ]


def _said(bad: Mapping[int, Any], there: Set[int], what: str) -> list[dict[str, Any]]:
    return [
        {
            "type": f"lot-{row.status}",
            "lot": row.code,
            "reason": row.status_reason or row.status,
            "since": row.status_on or row.received_on,
            "sentence": f"Lot {row.code}, which is in this {what}, is {row.status}"
            + (f": {row.status_reason}." if row.status_reason else "."),
        }
        for row in sorted((bad[lot] for lot in there if lot in bad), key=lambda one: str(one.code))
    ]


def of_dates(printed: date | None, first: Sequence[Any], now: Sequence[Any], made_on: date) -> list[dict[str, Any]]:
    """A set is as good as the earliest inside: where what is inside moved, the date on its label may now differ.

    `first` and `now` are the lots inside as recorded and as known now.
    """
    then, inside = _earliest(first), _earliest(now)
    if printed is None or inside is None or then == inside:
        return []
    best = inside if printed == then else min(printed, inside)
    if best == printed:
        return []
    lot = min(now, key=lambda one: (one.use_by, one.code))
    sentence = f"The label says best before {printed}: by what is known now it would be {best} (lot {lot.code} inside)."
    return [{"type": "date-would-differ", "lot": lot.code, "reason": f"best before would be {best}", "since": made_on,
             "sentence": sentence}]  # fmt: skip


def _earliest(lots_inside: Sequence[Any]) -> date | None:
    days = [lot.use_by for lot in lots_inside if lot.use_by != FOREVER]
    return min(days, default=None)
