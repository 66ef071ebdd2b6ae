"""The calendar feed: days that a phone's calendar shows, and the tokens in the addresses it is read by."""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from service.actions import access
from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.telling import figures, purchases
from service.core import said
from service.core.alerts.calendar_feed import Event, feed
from service.core.stock.draw import FOREVER
from service.core.units import said as amount
from service.errors import NotFound
from service.shapes.telling import CalendarFeedIn
from service.store import access as store
from service.store import items, lots, orders

SCOPE = "calendar"  # all that such a token may
READY_DAYS = 31  # how long a batch that is ready stays in the calendar


def create(scope: Scope, body: CalendarFeedIn, base: str) -> dict[str, Any]:
    """A new feed; its address is shown this once."""
    code, token = access.add_token(
        scope.connection, scope.workshop.id, scope.workshop.code, body.name, [SCOPE], scope.now
    )  # fmt: skip
    return {
        "code": code, "name": body.name, "created_on": scope.today, "last_used_on": None,
        "secret_address": f"{base}/v1/calendar.ics?token={token}",
    }  # fmt: skip


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Standing feeds, without their addresses."""
    rows = store.tokens(scope.connection, scope.workshop.id, after, limit + 1, calendar=True)
    shown = [
        {
            "code": row.code, "name": row.name, "created_on": row.created_at.astimezone(scope.zone).date(),
            "last_used_on": row.last_used_at.astimezone(scope.zone).date() if row.last_used_at else None,
            "secret_address": None,
        }
        for row in rows[:limit]
    ]  # fmt: skip
    return shown, onward(rows, limit, "code")


def revoke(scope: Scope, code: str) -> dict[str, Any]:
    """The address stops working at once."""
    revoked = store.revoke(scope.connection, scope.workshop.id, code, scope.now, calendar=True)
    if revoked is None:
        raise NotFound(f"there is no calendar feed '{code}'")
    return {"revoked": revoked}


def text(scope: Scope) -> str:
    """The workshop's calendar; the same books give the same text all day."""
    return feed(scope.workshop.name, _Days(scope).all())


class _Days:
    """The events of a workshop; the uid of each says what it is about.

    What was to be done by a day that is past, and is not done, stands on today: no phone shows what lies behind it.
    """

    def __init__(self, scope: Scope) -> None:
        self.scope = scope
        self.made = datetime.combine(scope.today, time(), scope.zone)  # DTSTAMP of a published calendar: when it was made

    def all(self) -> Iterator[Event]:
        """All of them."""
        yield from self._to_order()
        yield from self._lots()
        yield from self._orders()
        yield from self._arriving()

    def _event(self, kind: str, code: str, day: date, title: str, text: str = "") -> Event:
        return Event(f"{kind}-{code}@{self.scope.workshop.code}.stillroom", day, title, self.made, text, kind)

    def _to_do(self, kind: str, code: str, day: date, title: str, overdue: str, text: str = "") -> Event:
        """`overdue`: what it is called when its day is past, before that day."""
        if day >= self.scope.today:
            return self._event(kind, code, day, title, text)
        return self._event(kind, code, self.scope.today, f"{overdue} {said.day(day, self.scope.today)}", text)

    def _to_order(self) -> Iterator[Event]:
        found = {code: one for code, one in figures.figures(self.scope).items() if one["order_by"] is not None}
        known = items.by_codes(self.scope.connection, self.scope.workshop.id, found.keys())
        for code, one in found.items():
            order_by, runs_out = one["order_by"], one["runs_out"]
            if order_by is not None and code in known:
                do = f"{'Make' if known[code].kind == 'product' else 'Order'} {known[code].name}"
                yield self._to_do("order-by", code, order_by, do, f"{do}, due since", self._runs_out(runs_out))

    def _runs_out(self, day: date | None) -> str:
        if day is None:
            return ""
        if day <= self.scope.today:
            return "What was there may have run out."
        return f"What is there may run out on {said.day(day, self.scope.today)}."

    def _lots(self) -> Iterator[Event]:
        rows = lots.shown(self.scope.connection, self.scope.workshop.id)
        names = items.by_ids(self.scope.connection, self.scope.workshop.id, {row.item_id for row in rows})
        for row in rows:
            what = f"{amount(row.on_hand, row.unit)} of {names[row.item_id].name}"
            if row.use_by != FOREVER and row.status != "rejected":
                yield self._event("expiry", row.code, row.use_by, f"Last usable day: {what}", f"Lot {row.code}.")
            recent = row.ready_on is not None and (self.scope.today - row.ready_on).days <= READY_DAYS
            if recent and row.made and row.status != "rejected":
                batch = row.document_code if row.document_kind == "run" else row.code
                yield self._event("ready", row.code, row.ready_on, f"Batch {batch} is ready: {what}", f"Lot {row.code}.")

    def _orders(self) -> Iterator[Event]:
        found = [one for one in orders.open_orders(self.scope.connection, self.scope.workshop.id) if one.wants]
        rows = orders.by_ids(self.scope.connection, self.scope.workshop.id, [one.order_id for one in found])
        for one in found:
            if one.due_on is not None:
                whose = f" for {rows[one.order_id].customer}" if rows[one.order_id].customer else ""
                what, leave = f"Order {one.reference}{whose}", self._leave(one.due_on, one.transit_days)
                yield self._to_do("order", one.reference, one.due_on, f"{what} is due", f"{what} was due on", leave)

    def _leave(self, due_on: date, transit_days: int) -> str:
        if not transit_days:
            return ""
        by = due_on - timedelta(days=transit_days)
        return f"It {'must' if by >= self.scope.today else 'was to'} leave by {said.day(by, self.scope.today)}."

    def _arriving(self) -> Iterator[Event]:
        for one in purchases.placed_orders(self.scope):
            what = f"Purchase order {one.code} from {one.supplier}"
            yield self._to_do("purchase-order", one.code, one.expected_on, f"{what} is expected", f"{what} was expected on")
