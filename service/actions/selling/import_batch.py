"""One transaction of an import: which rows are new, and the orders and lines they become."""

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.actions.scope import Scope
from service.core.importing.order_csv import OrderRow
from service.store import imports
from service.store import orders as store

OPEN = ("open", "partly_shipped")
LIVE = (*OPEN, "shipped")


@dataclass(slots=True)
class _Known:
    """An order as it is in the books: the numbers of its lines, and how many lines each product has."""

    id: int
    state: str
    fresh: bool
    numbers: set[int] = field(default_factory=set)
    there: dict[int, int] = field(default_factory=dict)
    seen: dict[int, int] = field(default_factory=dict)  # rows of the file so far, by product
    last: int = 0

    def differs(self, state: str) -> bool:
        """Whether it is in the books in another state than a row says."""
        said = LIVE if self.state == "partly_shipped" else (self.state,)
        return not self.fresh and self.state != "" and state not in said

    def note(self, n: int, item: int) -> None:
        """One more line that is in the books."""
        self.numbers.add(n)
        self.there[item] = self.there.get(item, 0) + 1
        self.last = max(self.last, n)


@dataclass(slots=True)
class Added:
    """What one batch adds. Nothing of the import itself is touched, so that a transaction can be begun again."""

    new_orders: list[tuple[Any, ...]] = field(default_factory=list)
    new_lines: list[tuple[Any, ...]] = field(default_factory=list)
    known: int = 0
    opened: int = 0
    skipped: int = 0
    days: set[date] = field(default_factory=set)
    begun: set[int] = field(default_factory=set)  # orders of the books that are shipped in part from now on
    otherwise: list[str] = field(default_factory=list)
    kept_counts: dict[str, dict[int, int]] = field(default_factory=dict)

    @classmethod
    def of(
        cls, scope: Scope, batch: Sequence[OrderRow], items: Mapping[str, int | None], counts: Mapping[str, dict[int, int]],
        scattered: Container[str], columns: Container[str], rehearsed: bool,
    ) -> "Added":  # fmt: skip
        """Sort the batch's rows into what is there and what is new, and add that unless it is a rehearsal.

        `counts`: rows of earlier batches by reference and product, of references that were cut or do not stand together.
        """
        made = cls()
        orders = _there(scope, batch)
        for reference in {row.reference for row in batch} & counts.keys():
            order = orders.setdefault(reference, _Known(0, "", fresh=False))  # of an earlier batch of a rehearsal
            order.seen = dict(counts[reference])
        made._sort(scope, batch, items, orders)
        if not rehearsed:
            imports.add(scope.connection, made.new_orders, made.new_lines)
            for id_ in made.begun:
                store.change(scope.connection, scope.workshop.id, id_, {"state": "partly_shipped"})
        apart = "reference" not in columns  # a day's rows may stand anywhere in the file
        made.kept_counts = {
            name: order.seen
            for name, order in orders.items()
            if apart or name in scattered or name == batch[-1].reference or name in counts
        }
        return made

    def _sort(self, scope: Scope, batch: Sequence[OrderRow], items: Mapping[str, int | None], orders: dict[str, _Known]) -> None:
        connection, workshop = scope.connection, scope.workshop.id
        at, by = imports.stored_moment(connection, scope.now), scope.actor.name
        self.days = {row.placed_on for row in batch}
        days = {day: imports.stored_day(connection, day) for day in self.days}
        lines = self.new_lines
        states = _states(batch)
        rows = sorted(batch, key=lambda row: row.state == "cancelled") if states else batch
        for row in rows:  # what lives of an order comes first: it is what the books know of it
            item = items[row.product]
            assert item is not None, "rows without a product were left out"
            order = orders.get(row.reference)
            if order is None:
                state = _state(states[row.reference]) if states else row.state
                order = orders[row.reference] = _Known(scope.new_id(), state, fresh=True)
                due = None if row.due_on is None else imports.stored_day(connection, row.due_on)
                told = (row.reference, row.channel, row.customer, days[row.placed_on], due, state)
                self.new_orders.append((workshop, order.id, *told, at, by, "{}"))
                self.opened += state in OPEN
            k = order.seen[item] = order.seen.get(item, 0) + 1
            known = row.line in order.numbers if row.line is not None else k <= order.there.get(item, 0)
            if (known or order.state == "cancelled") and order.differs(row.state):
                self.otherwise.append(row.reference)
            if known:
                self.known += 1
                continue
            if row.state == "cancelled" and order.state in LIVE:  # nothing of this line was sold
                order.seen[item] -= 1
                self.skipped += 1
                continue
            n = row.line if row.line is not None else order.last + 1
            order.note(n, item)
            if not order.fresh and {order.state, row.state} == {"open", "shipped"}:
                order.state = "partly_shipped"
                self.begun.add(order.id)
            history = row.state != "open" or order.state not in OPEN
            lines.append((workshop, order.id, n, item, row.units, row.price, history))


def _states(batch: Sequence[OrderRow]) -> dict[str, set[str]]:
    """The states of each order's lines; nothing where all lines are alike, as they mostly are."""
    found: dict[str, set[str]] = {}
    if len({row.state for row in batch}) > 1:
        for row in batch:
            found.setdefault(row.reference, set()).add(row.state)
    return found


def _state(states: set[str]) -> str:
    """The state of an order whose lines have these: of which a part is open, or none; lines that are cancelled were not sold."""
    if "open" in states:
        return "partly_shipped" if "shipped" in states else "open"
    return "shipped" if "shipped" in states else "cancelled"


def _there(scope: Scope, batch: Sequence[OrderRow]) -> dict[str, _Known]:
    """The orders of these references that are in the books."""
    connection, workshop = scope.connection, scope.workshop.id
    rows = imports.known(connection, workshop, {row.reference for row in batch})
    orders = {row.id: _Known(row.id, row.state, fresh=False) for row in rows.values()}
    for line in imports.lines_of(connection, workshop, list(orders)):
        orders[line.order_id].note(line.n, line.item_id)
    return {reference: orders[row.id] for reference, row in rows.items()}
