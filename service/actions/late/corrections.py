"""The corrections that one paper causes: collected by the paper they correct, then written with their movements."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.scope import Scope
from service.core.stock.movements import Balance, Entries, Movement
from service.store import ledger, lots
from service.store import papers as paper_store
from service.store.ledger import Paper


@dataclass(slots=True)
class Corrections:
    """What follows from `cause`: its own movements, and corrections of other papers. `write` posts them."""

    scope: Scope
    cause: Paper
    of: int  # the paper that the cause's own movements belong to (what it reverses or corrects, else itself)
    balances: dict[int, Balance] = field(default_factory=dict)
    entries: dict[int, list[Movement]] = field(default_factory=lambda: defaultdict(list))  # by origin
    money: dict[tuple[int, int, int], int] = field(default_factory=lambda: defaultdict(int))  # without grams, by line and lot
    dates: dict[int, tuple[date, datetime | None]] = field(default_factory=dict)
    _papers: dict[int, Paper] = field(default_factory=dict)
    _written: dict[int, int] = field(default_factory=lambda: defaultdict(int))

    def balance(self, row: Row[Any]) -> Balance:
        """The running figures of a lot."""
        return self.balances.setdefault(row.id, papers.balance(row))

    def change(self, origin: int, line: int, lot: Balance, quantity: int, cost: int | None) -> None:
        """Enter a change of a lot under the paper it belongs to."""
        lot.on_hand += quantity
        if cost is not None:
            lot.worth = (lot.worth or 0) + cost
        if cost and not quantity:
            self.money[(origin, line, lot.lot_id)] += cost
        lot.touched = True
        self.entries[origin].append(Movement(line, lot.lot_id, quantity, cost))

    def adopt(self, origin: int, paper: Paper) -> None:
        """Let a posted correction that states lines anew carry the movements of the paper it corrects."""
        self._papers[origin] = paper

    def carry_over(self, out: Paper, line: int, lot: int, quantity: int, cost: int | None) -> None:
        """Take what a lot came with out on its old day, and put it in with the cause: nothing changes on the shelf."""
        back = [Movement(line, lot, -quantity, None if cost is None else -cost)]
        again = [Movement(line, lot, quantity, cost)]
        moves = [(out.id, self._written[out.id], back), (self.cause.id, self._written[self.cause.id], again)]
        ledger.enter_all(self.scope.connection, self.scope.workshop.id, moves)
        self._written[self.cause.id] += 1
        self._written[out.id] += 1

    def continue_at(self, document: int, n: int) -> None:
        """A paper has this many movements already."""
        self._written[document] = n

    def enter_now(self, entries: Entries) -> None:
        """Write movements of the cause worked out elsewhere, and their lots' figures."""
        ledger.enter_all(
            self.scope.connection, self.scope.workshop.id, [(self.cause.id, self._written[self.cause.id], entries.movements)]
        )
        ledger.settle(self.scope.connection, self.scope.workshop.id, entries.balances.values())
        self._written[self.cause.id] += len(entries.movements)

    @property
    def codes(self) -> dict[int, str]:
        """The corrections' codes, by the paper they correct."""
        return {origin: paper.code for origin, paper in self._papers.items()}

    def write(self) -> None:
        """Write what was entered since the last time, and the lots' figures."""
        connection, workshop = self.scope.connection, self.scope.workshop.id
        wanted = sorted(origin for origin, moves in self.entries.items() if moves)
        missing = [origin for origin in wanted if origin != self.of and origin not in self._papers]
        self._make_papers(missing)
        moves = []
        for origin in wanted:
            document = self.cause.id if origin == self.of else self._papers[origin].id
            moves.append((document, self._written[document], self.entries[origin]))
            self._written[document] += len(self.entries[origin])
        ledger.enter_all(connection, workshop, moves)
        ledger.settle(connection, workshop, [lot for lot in self.balances.values() if lot.touched])
        self.entries.clear()
        for lot in self.balances.values():
            lot.before, lot.touched = lot.on_hand, False

    def _make_papers(self, origins: list[int]) -> None:
        if not origins:
            return
        scope = self.scope
        known = paper_store.by_ids(scope.connection, scope.workshop.id, origins)
        codes = papers.codes_for(scope, papers.SERIES["correction"], len(origins))
        for origin, code in zip(origins, codes, strict=True):
            row = known[origin]
            when = self.dates.get(origin, (row.happened_on, row.happened_at))
            self._papers[origin] = papers.new_paper(
                scope, "correction", when, code=code, corrects_id=origin, caused_by_id=self.cause.id, states=False
            )
        ledger.add_papers(scope.connection, scope.workshop.id, [self._papers[origin] for origin in origins])

    def rows(self, ids: set[int]) -> dict[int, Row[Any]]:
        """Lots' rows as the database has them."""
        return lots.by_ids(self.scope.connection, self.scope.workshop.id, ids)
