"""What needs doing, found in the facts of a day.

Dates of a forecast move a little every day. So that no alert flaps, one that is open closes only when its day has moved
`SLACK` days beyond the one that opened it.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import quote

from service.core.alerts.facts import Act, Cause, Demand, Facts, Item, Purchase, Severity, Stock
from service.core.said import day, listed
from service.core.units import quantity_out, said

SLACK = 3  # days
SHARE_UNUSED = 20  # one part in so many of a lot, below which what may expire is not worth telling
PRESSING = 7  # days
AHEAD = 2  # days before it must be begun that an order is spoken of
WAYS = 5  # of using a lot up that are kept
Key = tuple[str, str]

KINDS = (
    "order-now",
    "runs-out-before-delivery",
    "expires-soon",
    "will-expire-unused",
    "expired-on-the-shelf",
    "re-test-due",
    "count-wanted",
    "customer-order-at-risk",
    "batch-ready",
    "purchase-order-late",
)


def causes(facts: Facts, open_now: Collection[Key] = ()) -> list[Cause]:
    """All that needs doing; `open_now` are the alerts that are open, which take a little more to close than to open."""
    seen = _Seen(facts, frozenset(open_now))
    found: list[Cause] = []
    for item in facts.items:
        found += seen.item(item)
    for stock in facts.stocks:
        found += seen.stock(stock)
    for demand in facts.demands:
        found += seen.demand(demand)
    for purchase in facts.purchases:
        found += seen.purchase(purchase)
    return found


def _iso(when: date | None) -> str | None:
    return None if when is None else when.isoformat()


@dataclass(frozen=True, slots=True)
class _Seen:
    """The facts with what is open."""

    facts: Facts
    open_now: frozenset[Key]

    def _slack(self, kind: str, subject: str) -> timedelta:
        """A few days more for what is open."""
        return timedelta(days=SLACK if (kind, subject) in self.open_now else 0)

    def _until(self, kind: str, subject: str, days: int = 0) -> date:
        """The last day that counts as near."""
        return self.facts.today + timedelta(days=days) + self._slack(kind, subject)

    def _day(self, when: date) -> str:
        return day(when, self.facts.today)

    def item(self, item: Item) -> Iterator[Cause]:
        """Order now or runs out before delivery, whichever says more where both are so; count wanted.

        With nothing on order the answer to both is an order; a delivery that comes too late is the more pressing of the two.
        """
        order_by, out = self._order_by_reached(item), self._out_too_soon(item)
        if out is not None and (order_by is None or item.expected_on is not None):
            yield self._too_late(item, *out, order_by)
        elif order_by is not None:
            yield self._order_now(item, order_by, None if out is None else out[1])
        if item.unbooked:
            what = said(abs(item.unbooked), item.unit)
            were = "was used that is" if what == "1 piece" else "were used that are"
            sentence = f"{what} of {item.name} {were} in no lot: count what is there."
            unit = "pieces" if item.unit == "piece" else "grams"
            body = {"product" if item.product else "material": item.code}
            count = Act(f"Count {item.name}", "POST", "/v1/counts", body, {"counted": f"how many {unit} are on the shelf"})
            amount = {"unbooked": quantity_out(abs(item.unbooked), item.unit)}
            yield Cause("count-wanted", item.code, Severity.WARNING, None, sentence, amount, count)

    def _order_by_reached(self, item: Item) -> date | None:
        """The order-by day, where it has come."""
        due = item.order_by is not None and item.order_by <= self._until("order-now", item.code)
        stands = not item.product or item.on_hand > 0 or ("order-now", item.code) in self.open_now
        return item.order_by if due and stands else None

    def _out_too_soon(self, item: Item) -> tuple[date, date] | None:
        """When a material may run out and when more of it comes, where that is soon and the wrong way round."""
        if item.runs_out is None or item.arrives is None or item.product:
            return None
        near = self._until("runs-out-before-delivery", item.code, self.facts.warn_days)
        arrives = item.arrives + self._slack("runs-out-before-delivery", item.code)
        return (item.runs_out, item.arrives) if item.runs_out < arrives and item.runs_out <= near else None

    def _plan(self, item: Item) -> Act:
        if item.product:
            wants = {"wants": [{"product": item.code, "units": max(1, item.make)}], "use_finished": False}
            return Act(f"See whether {max(1, item.make)} of {item.name} can be made", "POST", "/v1/checks", wants)
        return Act(f"Plan an order of {item.name}", "POST", "/v1/purchase-plans", {"materials": [item.code]})

    def _when(self, order_by: date) -> str:
        """Since when, or by when, an order is due."""
        today = self.facts.today
        return "today" if order_by == today else f"{'since' if order_by < today else 'by'} {self._day(order_by)}"

    def _ends(self, item: Item, runs_out: date) -> str:
        """That it may run out, or have run out; what is on the shelf has not run out before today."""
        today = self.facts.today
        if runs_out > today:
            return f"may run out on {self._day(runs_out)}"
        return "may run out today" if runs_out == today and item.on_hand else "may have run out"

    def _order_now(self, item: Item, order_by: date, arrives: date | None) -> Cause:
        """The order-by day has come; what was due by an earlier day is due since then. `arrives`: when more would come, where
        even that is too late."""
        today, what, out = self.facts.today, item.name, ""
        when = self._when(order_by if arrives is None else min(order_by, today))
        if item.runs_out is not None and item.runs_out <= today:
            when, out = "at once", f": it {self._ends(item, item.runs_out)}"
        elif item.runs_out is not None:
            out = f"; it {self._ends(item, item.runs_out)}"
        if item.on_order:
            what, out = f"More {what}", "; what is on order may not last until it comes"
        elif arrives is not None:
            out += f", and what is ordered today would come on {self._day(arrives)}"
        sentence = f"{what} is {'to be made' if item.product else 'to be ordered'} {when}{out}."
        severity = Severity.URGENT if order_by <= today or arrives is not None else Severity.WARNING
        facts = {
            "order_by": _iso(order_by), "runs_out": _iso(item.runs_out), "arrives": _iso(arrives),
            "on_hand": quantity_out(item.on_hand, item.unit), "on_order": quantity_out(item.on_order, item.unit),
        }  # fmt: skip
        return Cause("order-now", item.code, severity, order_by, sentence, facts, self._plan(item))

    def _too_late(self, item: Item, runs_out: date, arrives: date, order_by: date | None) -> Cause:
        """What is ordered, or could be ordered today, comes after it may have run out. `order_by`: where more is due, too."""
        today, comes = self.facts.today, self._day(arrives)
        ends = self._ends(item, runs_out)
        act = Act(f"See what {item.name} is needed for", "GET", f"/v1/cover/{item.code}")
        if item.expected_on is None:
            coming, act = f"what is ordered today would come on {comes}", self._plan(item)
        elif item.expected_on < today:
            coming = f"the next delivery was expected on {self._day(item.expected_on)}, and may now come on {comes}"
        else:
            coming = f"the next delivery is expected on {comes}"
        if order_by is not None:
            coming, act = f"{coming}; more is to be ordered {self._when(order_by)}", self._plan(item)
        facts = {
            "runs_out": _iso(runs_out), "arrives": _iso(arrives), "expected_on": _iso(item.expected_on),
            "order_by": _iso(order_by), "on_order": quantity_out(item.on_order, item.unit),
        }  # fmt: skip
        sentence = f"{item.name} {ends}; {coming}."
        return Cause("runs-out-before-delivery", item.code, Severity.URGENT, runs_out, sentence, facts, act)

    def stock(self, stock: Stock) -> Iterator[Cause]:
        """A lot's expiry, what of it may be left by then, its re-test, and the end of its rest."""
        if stock.on_hand <= 0:
            return
        today, what = self.facts.today, f"{said(stock.on_hand, stock.unit)} of {stock.name} (lot {stock.code})"
        on_hand = quantity_out(stock.on_hand, stock.unit)
        facts: dict[str, Any] = {"lot": stock.code, "item": stock.item, "on_hand": on_hand}
        if stock.last_day is not None and stock.last_day < today:
            sentence = f"{what} expired on the shelf on {self._day(stock.last_day)}: was it used, or is it to go?"
            body = {"lot": stock.code, "quantity": on_hand, "reason": "expired"}
            away = Act("Dispose of what is left of it", "POST", "/v1/disposals", body)
            more = {**facts, "last_usable_day": _iso(stock.last_day)}
            yield Cause("expired-on-the-shelf", stock.code, Severity.WARNING, stock.last_day, sentence, more, away)
            return
        if stock.last_day is not None and stock.usable:
            yield from self._expiry(stock, what, {**facts, "last_usable_day": _iso(stock.last_day)})
        if stock.retest_on is not None and stock.retest_on <= today:
            sentence = f"{what} is due for its re-test since {self._day(stock.retest_on)}, and is not drawn until it is done."
            asks = {"retest_on": "the day of the next re-test; nothing, if there is to be none"}
            test = Act("Record the re-test", "PATCH", f"/v1/lots/{stock.code}", {"retest_on": None}, asks)
            more = {**facts, "retest_on": _iso(stock.retest_on)}
            yield Cause("re-test-due", stock.code, Severity.WARNING, stock.retest_on, sentence, more, test)
        if stock.ready_on is not None and stock.batch is not None and 0 <= (today - stock.ready_on).days < PRESSING:
            yield self._ready(stock, stock.ready_on, stock.batch, facts)

    def _ready(self, stock: Stock, ready_on: date, batch: str, facts: dict[str, Any]) -> Cause:
        """The rest of a batch is over; one in quarantine waits for somebody to look at it."""
        since = "today" if ready_on == self.facts.today else f"since {self._day(ready_on)}"
        sentence = f"Batch {batch} of {stock.name} is ready {since}: {said(stock.on_hand, stock.unit)}."
        act = Act("Look at the batch", "GET", f"/v1/runs/{batch}")
        if stock.waits:
            sentence = f"{sentence.rstrip('.')}, in quarantine until it is released."
            act = Act("Release it", "PATCH", f"/v1/lots/{stock.code}", {"status": "released"})
        more = {**facts, "ready_on": _iso(ready_on), "batch": batch}
        return Cause("batch-ready", stock.code, Severity.NOTICE, ready_on, sentence, more, act)

    def _expiry(self, stock: Stock, what: str, facts: dict[str, Any]) -> Iterator[Cause]:
        """Expires soon, or will expire unused: the second says more, and is told alone."""
        assert stock.last_day is not None
        days = (stock.last_day - self.facts.today).days
        least = stock.on_hand // (SHARE_UNUSED * (2 if ("will-expire-unused", stock.code) in self.open_now else 1))
        severity = Severity.WARNING if days <= PRESSING else Severity.NOTICE
        if stock.unused > least:
            yield self._unused(stock, stock.last_day, severity, what, facts)
        elif days <= self.facts.warn_days:
            sentence = f"{what} expires soon: its last usable day is {self._day(stock.last_day)}."
            act = Act("Look at the lot", "GET", f"/v1/lots/{stock.code}")
            yield Cause("expires-soon", stock.code, severity, stock.last_day, sentence, facts, act)

    def _unused(self, stock: Stock, last: date, severity: Severity, what: str, facts: dict[str, Any]) -> Cause:
        """What the forecast leaves of a lot, and what could be made of it."""
        unsold = "unsold" if stock.product else "unused"
        left = said(stock.unused, stock.unit)
        much = f"All {what}" if stock.unused >= stock.on_hand else f"{left} of {what}"
        sentence = f"{much} may still be {unsold} when it expires after {self._day(last)}."
        look = "how it could be sold" if stock.product else f"what {stock.name} could be used for"
        act = Act(f"Look at {look}", "GET", f"/v1/lots/{stock.code}")
        if stock.use_up:
            best = stock.use_up[0]
            sentence += f" {_use_up(stock)}"
            body = {"product": best.product, "units": best.units, "status": "planned", "planned_on": _iso(self.facts.today)}
            act = Act(f"Plan {best.units} x {best.name}", "POST", "/v1/runs", body)
        ways = [
            {"product": one.product, "name": one.name, "units": one.units, "uses": quantity_out(one.uses, stock.unit),
             "missing": [{"name": name, "quantity": quantity_out(some, unit), "unit": unit} for name, some, unit in one.missing]}
            for one in stock.use_up[:WAYS]
        ]  # fmt: skip
        more = {**facts, "unused": quantity_out(stock.unused, stock.unit), "use_up": ways}
        return Cause("will-expire-unused", stock.code, severity, last, sentence, more, act)

    def demand(self, demand: Demand) -> Iterator[Cause]:
        """A customer's order that may not go out in time, or that must be begun now to do so."""
        today, leave = self.facts.today, demand.leave_on or demand.due_on
        spare = None if demand.ready_on is None else (leave - demand.ready_on).days
        ahead = AHEAD + self._slack("customer-order-at-risk", demand.code).days
        soon = demand.to_make and spare is not None and spare <= ahead
        lacking = bool(demand.short) and (spare is None or spare <= PRESSING - AHEAD + ahead)
        if not (lacking or soon or leave < today or (spare is not None and spare < 0)):
            return
        near = leave <= today + timedelta(days=PRESSING) or (spare is not None and spare <= 0)
        severity = Severity.URGENT if near else Severity.WARNING
        facts = {
            "due_on": _iso(demand.due_on), "leave_on": _iso(leave), "ready_on": _iso(demand.ready_on),
            "short": [name for name, _, _ in demand.short],
        }  # fmt: skip
        act = Act("See what it needs", "POST", "/v1/checks", {"order": demand.code})
        if not demand.short and not demand.to_make and demand.ready_on == today:
            act = Act("Record its shipment, if it has left", "POST", f"/v1/orders/{quote(demand.code, safe='')}/shipments")
        sentence = self._at_risk(demand, leave, spare)
        yield Cause("customer-order-at-risk", demand.code, severity, demand.due_on, sentence, facts, act)

    def _at_risk(self, demand: Demand, leave: date, spare: int | None) -> str:
        today = self.facts.today
        verb = "was due" if demand.due_on < today else "is due"
        whose = f" for {demand.customer}" if demand.customer else ""
        order = f"Order {demand.code}{whose} {verb} on {self._day(demand.due_on)}"
        missing = listed([f"{said(quantity, unit)} of {name}" for name, quantity, unit in demand.short])
        if not missing and demand.ready_on == today and not demand.to_make:
            return f"{order} and has not been shipped."
        if not missing and spare is not None and spare >= 0:
            begin = "today" if spare == 0 else f"by {self._day(today + timedelta(days=spare))}"
            return f"{order}: to go out in time it must be made {begin}."
        several = len(demand.short) > 1 or any(unit == "piece" and some > 1 for _, some, unit in demand.short)
        why = f"{missing} {'are' if several else 'is'} missing" if missing else "it is not ready"
        ready = f"; it could be ready on {self._day(demand.ready_on)}" if demand.ready_on else ""
        return f"{order} and is at risk: {why}{ready}."

    def purchase(self, purchase: Purchase) -> Iterator[Cause]:
        """A delivery that should have come."""
        days = (self.facts.today - purchase.expected_on).days
        if days <= 0:
            return
        expected = self._day(purchase.expected_on)
        sentence = f"Purchase order {purchase.code} from {purchase.supplier} was expected on {expected}: has it come?"
        book = Act("Book the delivery, if it has come", "POST", f"/v1/purchase-orders/{purchase.code}/deliveries")
        severity = Severity.URGENT if days > PRESSING else Severity.WARNING
        facts = {"expected_on": _iso(purchase.expected_on), "supplier": purchase.supplier}
        yield Cause("purchase-order-late", purchase.code, severity, purchase.expected_on, sentence, facts, book)


def _use_up(stock: Stock) -> str:
    """What could be made of it, the best in words."""
    best = stock.use_up[0]
    also = listed([f"{said(quantity, unit)} of {name}" for name, quantity, unit in best.missing])
    needs = f", for which {also} would be needed" if also else ""
    return f"{best.units} x {best.name} would use {said(best.uses, stock.unit)} of it{needs}."
