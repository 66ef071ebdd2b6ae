"""What needs doing today: causes found in the facts, and alerts that open once, update in place and close by themselves.

Dates of a forecast move a little every day. So that no alert flaps, one that is open closes only when its day has moved
`SLACK` days beyond the one that opened it.
"""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from service.core.alerts.facts import Act, Alert, Cause, Demand, Facts, Item, Purchase, Severity, Stock
from service.core.said import day, listed
from service.core.units import quantity_out, said

SLACK = 3  # days
SHARE_UNUSED = 20  # one part in so many of a lot, below which what may expire is not worth telling
PRESSING = 7  # days
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


@dataclass(frozen=True, slots=True)
class Changes:
    """What became of the alerts: all of them now (open ones by urgency, then those just closed), and what changed."""

    alerts: tuple[Alert, ...]
    opened: tuple[Alert, ...]
    updated: tuple[Alert, ...]
    closed: tuple[Alert, ...]


def step(old: Iterable[Alert], facts: Facts) -> Changes:
    """The alerts of today from those of before and the facts of today; the same twice changes nothing."""
    open_before = {alert.cause.key: alert for alert in old if alert.closed_on is None}
    present = {cause.key: cause for cause in causes(facts, open_before.keys())}
    opened, updated, kept = [], [], []
    for key, cause in present.items():
        before = open_before.get(key)
        if before is None:
            opened.append(Alert(cause, facts.today, facts.today))
        elif before.cause != cause:
            updated.append(_updated(before, cause, facts.today))
        else:
            kept.append(before)
    gone = [alert for key, alert in open_before.items() if key not in present]
    closed = [replace(alert, closed_on=facts.today, updated_on=facts.today) for alert in gone]
    return Changes((*by_urgency([*opened, *updated, *kept]), *closed), tuple(opened), tuple(updated), tuple(closed))


def _updated(before: Alert, cause: Cause, today: date) -> Alert:
    """The same alert with new facts; what has become more pressing is told again, put off or not."""
    worse = cause.severity < before.cause.severity
    return replace(before, cause=cause, updated_on=today, put_off_until=None if worse else before.put_off_until)


def by_urgency(alerts: Iterable[Alert]) -> list[Alert]:
    """Most urgent first: by severity, then by day, then by kind and name."""
    return sorted(
        alerts, key=lambda one: (one.cause.severity, one.cause.day or date.max, KINDS.index(one.cause.kind), one.cause.subject)
    )


def spoken(alerts: Iterable[Alert], today: date) -> str:
    """What needs doing today, one sentence a line, most urgent first."""
    lines = [alert.cause.sentence for alert in by_urgency(alerts) if alert.speaks(today)]
    return "\n".join(lines) if lines else "Nothing needs doing today."


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


@dataclass(frozen=True, slots=True)
class _Seen:
    """The facts with what is open."""

    facts: Facts
    open_now: frozenset[Key]

    def _until(self, kind: str, subject: str, days: int = 0) -> date:
        """The last day that counts as near: a few days more for what is open."""
        return self.facts.today + timedelta(days=days + (SLACK if (kind, subject) in self.open_now else 0))

    def _day(self, when: date) -> str:
        return day(when, self.facts.today)

    def item(self, item: Item) -> Iterator[Cause]:
        """Order now, runs out before delivery, count wanted."""
        plan = Act(f"Plan an order of {item.name}", "POST", "/v1/purchase-plans", {"materials": [item.code]})
        if item.product:
            plan = Act(f"See whether {item.name} can be made", "POST", "/v1/checks", {"product": item.code})
        if item.order_by is not None and not item.on_order and item.order_by <= self._until("order-now", item.code):
            yield self._order_now(item, item.order_by, plan)
        if item.runs_out is not None and item.arrives is not None:
            near = self._until("runs-out-before-delivery", item.code, self.facts.warn_days)
            slack = timedelta(days=SLACK if ("runs-out-before-delivery", item.code) in self.open_now else 0)
            if item.runs_out < item.arrives + slack and item.runs_out <= near:
                sentence = (
                    f"{item.name} may run out on {self._day(item.runs_out)}; "
                    f"the next delivery is expected on {self._day(item.arrives)}."
                )
                facts = {"runs_out": item.runs_out, "arrives": item.arrives, "on_order": item.on_order}
                yield Cause("runs-out-before-delivery", item.code, Severity.URGENT, item.runs_out, sentence, facts, plan)
        if item.unbooked:
            what = said(abs(item.unbooked), item.unit)
            sentence = f"{what} of {item.name} were used that are in no lot: count what is there."
            count = Act(f"Count {item.name}", "POST", "/v1/counts", {"product" if item.product else "item": item.code})
            amount = {"unbooked": quantity_out(abs(item.unbooked), item.unit)}
            yield Cause("count-wanted", item.code, Severity.WARNING, None, sentence, amount, count)

    def _order_now(self, item: Item, order_by: date, plan: Act) -> Cause:
        """The order-by day has come; what was due by an earlier day is due since then."""
        when = f"since {self._day(order_by)}" if order_by < self.facts.today else f"by {self._day(order_by)}"
        when = "today" if order_by == self.facts.today else when
        out = f"; it may run out on {self._day(item.runs_out)}" if item.runs_out else ""
        verb = "is to be made" if item.product else "is to be ordered"
        severity = Severity.URGENT if order_by <= self.facts.today else Severity.WARNING
        facts = {"order_by": order_by, "runs_out": item.runs_out}
        return Cause("order-now", item.code, severity, order_by, f"{item.name} {verb} {when}{out}.", facts, plan)

    def stock(self, stock: Stock) -> Iterator[Cause]:
        """A lot's expiry, what of it may be left by then, its re-test, and the end of its rest."""
        if stock.on_hand <= 0:
            return
        today, what = self.facts.today, f"{said(stock.on_hand, stock.unit)} of {stock.name} (lot {stock.code})"
        facts = {"lot": stock.code, "item": stock.item, "on_hand": quantity_out(stock.on_hand, stock.unit)}
        away = Act("Dispose of it", "POST", "/v1/disposals", {"lot": stock.code, "reason": "expired"})
        if stock.last_day is not None and stock.last_day < today:
            sentence = f"{what} expired on the shelf on {self._day(stock.last_day)}: was it used, or is it to go?"
            more = {**facts, "last_usable_day": stock.last_day}
            yield Cause("expired-on-the-shelf", stock.code, Severity.WARNING, stock.last_day, sentence, more, away)
            return
        if stock.last_day is not None and stock.usable:
            yield from self._expiry(stock, what, {**facts, "last_usable_day": stock.last_day})
        if stock.retest_on is not None and stock.retest_on <= today:
            sentence = f"{what} is due for its re-test since {self._day(stock.retest_on)}, and is not drawn until it is done."
            test = Act("Record the re-test", "PATCH", f"/v1/lots/{stock.code}", {"retest_on": None})
            more = {**facts, "retest_on": stock.retest_on}
            yield Cause("re-test-due", stock.code, Severity.WARNING, stock.retest_on, sentence, more, test)
        if stock.ready_on is not None and stock.batch is not None and 0 <= (today - stock.ready_on).days < PRESSING:
            since = "today" if stock.ready_on == today else f"since {self._day(stock.ready_on)}"
            sentence = f"Batch {stock.batch} of {stock.name} is ready {since}: {said(stock.on_hand, stock.unit)}."
            look = Act("Look at the batch", "GET", f"/v1/runs/{stock.batch}")
            more = {**facts, "ready_on": stock.ready_on}
            yield Cause("batch-ready", stock.code, Severity.NOTICE, stock.ready_on, sentence, more, look)

    def _expiry(self, stock: Stock, what: str, facts: dict[str, object]) -> Iterator[Cause]:
        """Expires soon, or will expire unused: the second says more, and is told alone."""
        assert stock.last_day is not None
        days = (stock.last_day - self.facts.today).days
        least = stock.on_hand // (SHARE_UNUSED * (2 if ("will-expire-unused", stock.code) in self.open_now else 1))
        severity = Severity.WARNING if days <= PRESSING else Severity.NOTICE
        if stock.unused > least:
            unused, on = said(stock.unused, stock.unit), self._day(stock.last_day)
            sentence = f"{unused} of {what} may still be unused when it expires after {on}."
            act = Act(f"Look at what {stock.name} could be used for", "GET", f"/v1/lots/{stock.code}")
            if stock.use_up:
                best = stock.use_up[0]
                sentence += f" {_use_up(stock)}"
                act = Act(f"Make {best.units} x {best.name}", "POST", "/v1/runs", {"product": best.product, "units": best.units})
            ways = [
                {"product": one.product, "units": one.units, "missing": [name for name, _, _ in one.missing]}
                for one in stock.use_up
            ]
            more = {**facts, "unused": quantity_out(stock.unused, stock.unit), "use_up": ways}
            yield Cause("will-expire-unused", stock.code, severity, stock.last_day, sentence, more, act)
        elif days <= self.facts.warn_days:
            sentence = f"{what} expires soon: its last usable day is {self._day(stock.last_day)}."
            act = Act("Look at the lot", "GET", f"/v1/lots/{stock.code}")
            yield Cause("expires-soon", stock.code, severity, stock.last_day, sentence, facts, act)

    def demand(self, demand: Demand) -> Iterator[Cause]:
        """A customer's order that may not go out in time."""
        late = demand.ready_on is not None and demand.ready_on > demand.due_on
        if not (demand.short or late or demand.due_on < self.facts.today):
            return
        missing = listed([f"{said(quantity, unit)} of {name}" for name, quantity, unit in demand.short])
        why = f"{missing} {'is' if len(demand.short) == 1 else 'are'} missing" if demand.short else "it is not ready"
        ready = f"; it could be ready on {self._day(demand.ready_on)}" if demand.ready_on else ""
        near = demand.due_on <= self.facts.today + timedelta(days=PRESSING)
        verb = "was due" if demand.due_on < self.facts.today else "is due"
        sentence = f"Order {demand.code} for {demand.customer} {verb} on {self._day(demand.due_on)} and is at risk: {why}{ready}."
        check = Act("See what it needs", "POST", "/v1/checks", {"order": demand.code})
        facts = {"due_on": demand.due_on, "ready_on": demand.ready_on, "short": [name for name, _, _ in demand.short]}
        severity = Severity.URGENT if near else Severity.WARNING
        yield Cause("customer-order-at-risk", demand.code, severity, demand.due_on, sentence, facts, check)

    def purchase(self, purchase: Purchase) -> Iterator[Cause]:
        """A delivery that should have come."""
        days = (self.facts.today - purchase.expected_on).days
        if days <= 0:
            return
        expected = self._day(purchase.expected_on)
        sentence = f"Purchase order {purchase.code} from {purchase.supplier} was expected on {expected}: has it come?"
        look = Act("Book the delivery, or ask the supplier", "GET", f"/v1/purchase-orders/{purchase.code}")
        severity = Severity.URGENT if days > PRESSING else Severity.WARNING
        facts = {"expected_on": purchase.expected_on}
        yield Cause("purchase-order-late", purchase.code, severity, purchase.expected_on, sentence, facts, look)


def _use_up(stock: Stock) -> str:
    """What could be made of it, the best in words."""
    best = stock.use_up[0]
    also = listed([f"{said(quantity, unit)} of {name}" for name, quantity, unit in best.missing])
    needs = f", for which {also} would be needed" if also else ""
    return f"{best.units} x {best.name} would use {said(best.uses, stock.unit)} of it{needs}."
