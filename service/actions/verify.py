"""Proof of the books: laws 3, 4, 8, 9 and 13 over every workshop, naming the first rows that break one."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, Row

from service.actions import access, stock
from service.actions.buying.purchase_orders import state_now
from service.actions.late.corrections import Corrections
from service.actions.late.reading import Papers
from service.actions.late.redraw import Redraw
from service.actions.scope import Actor, Scope
from service.actions.selling.orders import shipped_state
from service.core.stock import costs
from service.store import audit, orders, purchases

READER = Actor(0, "verify", "verify", frozenset(("read",)))
MOST = 20  # enough to see a pattern


def verify(connection: Connection, code: str | None = None) -> list[str]:
    """One sentence for each broken law found (at most 20), in all workshops or one; an empty list is the proof."""
    found: list[str] = []
    for workshop in audit.workshops(connection, code):
        for sentence in _of(connection, workshop):
            found.append(f"{workshop.code}: {sentence}")
            if len(found) >= MOST:
                return found
    return found


def _of(connection: Connection, workshop: Row[Any]) -> Iterator[str]:
    for laws in (sums, formulas, genealogy, late):
        yield from laws(connection, workshop)


def sums(connection: Connection, workshop: Row[Any]) -> Iterator[str]:
    """Laws 3 and 9: lots, runs, orders and purchase orders say what their movements sum to."""
    for lot in audit.lot_sums(connection, workshop.id):
        yield from _lot(lot)
    for run in audit.run_money(connection, workshop.id):
        if run.made and not run.unknown and run.money:
            yield f"law 9: run {run.code} took and made money that differs by {run.money} millionths"
    for (reference, state), lines in groupby(orders.states(connection, workshop.id), lambda one: (one.reference, one.state)):
        if (now := shipped_state([(one.units, one.units if one.imported else int(one.moved or 0)) for one in lines])) != state:
            yield f"law 3: order {reference} says {state}, its shipments make it {now}"
    for (code, state), bought in groupby(purchases.states(connection, workshop.id), lambda one: (one.code, one.state)):
        brought = [(one.packs * one.pack, int(one.quantity or 0), bool(one.closed or one.closes)) for one in bought]
        if (now := state_now(brought)) != state:
            yield f"law 3: purchase order {code} says {state}, its receipts make it {now}"


def formulas(connection: Connection, workshop: Row[Any]) -> Iterator[str]:
    """Law 4: the lines of every version sum to 100 %."""
    for row in audit.open_formulas(connection, workshop.id):
        yield f"law 4: formula {row.code} version {row.version} sums to {row.total / 10_000} %"


def genealogy(connection: Connection, workshop: Row[Any]) -> Iterator[str]:
    """Law 8: every lot comes from a document."""
    for row in audit.orphans(connection, workshop.id):
        yield f"law 8: lot {row.code} comes from no document"


def late(connection: Connection, workshop: Row[Any]) -> Iterator[str]:
    """Law 13: drawn again from nothing, every item's papers come to what the books hold."""
    scope = Scope(connection, access.facts(workshop), READER, datetime.now(UTC), date.today(), lambda: 0)
    again = Redraw(scope, Corrections(scope, None, 0))  # type: ignore[arg-type]  # nothing is entered
    with _uncollected():
        papers = Papers.read(scope)
        for item in audit.items(connection, workshop.id):
            for (document, line, lot), quantity in again.differs(stock.items_of(scope, [item.id])[item.id], papers).items():
                yield f"law 13: {item.code}: line {line} of document {document} should move lot {lot} by {quantity} more"


@contextmanager
def _uncollected() -> Iterator[None]:
    """While many small facts are kept and none of them points in a circle, the collector would only walk them in vain."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _lot(lot: Row[Any]) -> Iterator[str]:
    name = f"item {lot.item_code}, unbooked" if lot.id == lot.item_id else f"lot {lot.code}"
    if lot.on_hand != int(lot.moved or 0):
        yield f"law 3: {name} says {lot.on_hand} on hand, its movements sum to {lot.moved or 0}"
    unbooked = lot.id == lot.item_id
    known = unbooked or lot.cost_micro is not None
    if known and not (lot.unknown and not unbooked) and (lot.cost_left_micro or 0) != int(lot.money or 0):
        yield f"law 3: {name} says {lot.cost_left_micro} millionths, its movements sum to {lot.money or 0}"
    if not unbooked and known:
        worth = costs.worth(lot.cost_micro, lot.on_hand, lot.quantity)
        if worth != (lot.cost_left_micro or 0):
            yield f"law 9: {name} should be worth {worth} millionths, the books say {lot.cost_left_micro}"
