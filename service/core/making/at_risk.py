"""Which open orders may not go out in time: what each lacks, when it could be ready, when it must leave.

Plans are served before orders, plans by their day and orders by their due date, as claims are (law 14). An order lacks what
its own share lacks and what the runs lack that will serve it.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from service.core.making import check, claims
from service.core.making.claims import Books, Claims, Order
from service.core.making.needs import Want, explode


@dataclass(frozen=True, slots=True)
class Outlook:
    """One order: what it lacks of each item, when it could be ready, when it must leave, and whether something is still to be
    made for which nothing is planned, or the plan's day has passed."""

    order: Order
    short: Mapping[int, int]
    ready_on: date
    leave_on: date
    to_make: bool


def outlooks(books: Books, found: Claims, arrives: Mapping[int, date]) -> list[Outlook]:
    """Every open order with a due date, in turn; `arrives`: when more of an item could be here, if it were ordered today."""
    return _Orders(books, found, arrives).all()


class _Orders:
    """Orders in turn, with what was served before them."""

    def __init__(self, books: Books, found: Claims, arrives: Mapping[int, date]) -> None:
        self.books, self.found, self.arrives = books, found, arrives
        self.plans = {plan.run_id: plan for plan in books.plans}
        self.planned = Counter(claims.by_item(books.plans))
        self.lacking = self._of_plans()

    def all(self) -> list[Outlook]:
        """Each order with a due date."""
        told = []
        total: Counter[int] = Counter()
        before: Counter[int] = Counter()
        for order in sorted(self.books.orders, key=lambda one: one.turn):
            total.update(self.found.to_make[order.order_id])
            lacks = self._lacks(total)
            own = Counter({item: lacks[item] - before[item] for item in lacks if lacks[item] > before[item]})
            before = lacks
            if order.due_on is not None:
                told.append(self._outlook(order, order.due_on, own))
        return told

    def _of_plans(self) -> dict[int, Counter[int]]:
        """What each open plan lacks, served in turn."""
        left: dict[int, int] = {}
        lacking: dict[int, Counter[int]] = {}
        for plan in sorted(self.books.plans, key=lambda one: one.turn):
            mine: Counter[int] = Counter()
            for item, need in plan.needs.items():
                there = left.get(item, self.books.usable(item))
                left[item] = max(0, there - need)
                if need > there and item not in self.books.unstocked:
                    mine[item] = need - there
            lacking[plan.run_id] = mine
        return lacking

    def _lacks(self, total: Mapping[int, int]) -> Counter[int]:
        """What orders lack together, beyond what plans lack."""
        needs = claims.to_be_made(self.books, total, self.found.spare).materials
        lacks: Counter[int] = Counter()
        for item, need in needs.items():
            left = max(0, self.books.usable(item) - self.planned[item])
            if need > left and item not in self.books.unstocked:
                lacks[item] = need - left
        return lacks

    def _outlook(self, order: Order, due_on: date, own: Counter[int]) -> Outlook:
        today = self.books.today
        units = {item: some for item, some in self.found.to_make[order.order_id].items() if some > 0}
        runs = [self.plans[run] for run, some in self.found.planned[order.order_id].items() if some > 0]
        days = [today]
        if units:
            days.append(self._arrived(own) + timedelta(days=self._rest(units)))
        short = Counter(own)
        for plan in runs:
            lacks = self.lacking[plan.run_id]
            begin = max(self._arrived(lacks), plan.planned_on or today)
            days.append(begin + timedelta(days=self._rest(plan.makes)))
            short.update(lacks)
        leave_on = due_on - timedelta(days=order.transit_days)
        overdue = any(plan.planned_on is not None and plan.planned_on < today for plan in runs)
        return Outlook(order, short, max(days), leave_on, bool(units) or overdue)

    def _arrived(self, lacks: Mapping[int, int]) -> date:
        """The first day on which what is lacking could be here."""
        return max((self.arrives.get(item, self.books.today) for item in lacks), default=self.books.today)

    def _rest(self, units: Mapping[int, int]) -> int:
        """Days that what is made rests before it can go out."""
        wants = [Want(item, some) for item, some in sorted(units.items()) if some > 0 and self._known(item)]
        return check.rest_of(self.books.catalogue, explode(self.books.catalogue, wants, {}, {}))

    def _known(self, item: int) -> bool:
        return item in self.books.catalogue.products or item in self.books.catalogue.recipes
