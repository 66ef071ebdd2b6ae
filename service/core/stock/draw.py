"""Law 6: which lots a quantity is drawn from on a day. First expired, first out, or the lots that were named.

Source of the order: ISO 22716:2007, 6.6.7 (oldest released stock first), tightened to the last usable day.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Protocol

FOREVER = date(9999, 12, 31)
NEVER = (date.max, date.min)
A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Shelf:
    """A lot as a draw sees it; `quantity` is what it holds, in the item's smallest unit."""

    id: int
    code: str
    received_on: date
    use_by: date  # last usable day, FOREVER when it has none
    quantity: int
    status: str = "released"
    retest_on: date | None = None
    ready_on: date | None = None
    production: bool = True
    opens_for: int | None = None  # days from its first draw, while it is closed and has an opened life


@dataclass(frozen=True, slots=True)
class Take:
    """A quantity taken from one lot; `chosen` is `named` or `assumed`."""

    lot_id: int
    quantity: int
    chosen: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a draw took, in order, and what it lacked."""

    takes: tuple[Take, ...]
    short: int


def last_usable_day(expires_on: date | None, opened_on: date | None, opened_life_days: int | None) -> date:
    """The earlier of the expiry and the end of the opened life, both inclusive; FOREVER when there is neither."""
    days = [expires_on or FOREVER]
    if opened_on is not None and opened_life_days is not None:
        days.append(opened_on + timedelta(days=opened_life_days))
    return min(days)


class Seen(Protocol):
    """What says whether a lot may be drawn."""

    @property
    def received_on(self) -> date:
        """The day it came."""

    @property
    def use_by(self) -> date:
        """Its last usable day."""

    @property
    def status(self) -> str:
        """Released or not."""

    @property
    def retest_on(self) -> date | None:
        """When its test is due."""

    @property
    def ready_on(self) -> date | None:
        """When it has rested."""

    @property
    def production(self) -> bool:
        """Whether production draws from where it is."""


def state(lot: Seen, day: date) -> str:
    """The one part of on hand a lot counts in: rejected, quarantined, expired, resting, set apart or usable."""
    if lot.status in ("rejected", "quarantined"):
        return lot.status
    if lot.use_by < day or (lot.retest_on is not None and lot.retest_on <= day):
        return "expired"
    if lot.ready_on is not None and lot.ready_on > day:
        return "resting"
    return "usable" if lot.production else "set_apart"


def window(lot: Seen) -> tuple[date, date]:
    """The first and the last day on which a lot may be drawn, wherever it is; NEVER when there is none."""
    if lot.status in ("rejected", "quarantined"):
        return NEVER
    first = lot.received_on if lot.ready_on is None else max(lot.received_on, lot.ready_on)
    return first, lot.use_by if lot.retest_on is None else min(lot.use_by, lot.retest_on - A_DAY)


def drawable(lot: Seen, day: date) -> bool:
    """Whether production may draw this lot by itself on that day."""
    first, last = window(lot)
    return lot.production and first <= day <= last


def offered(lots: Iterable[Shelf], least: date | None) -> list[Shelf]:
    """The lots as a draw sees them: for production as they are (`least` None); what is sold comes from any place, and only
    from lots whose last usable day is not before `least`."""
    if least is None:
        return list(lots)
    return [replace(lot, production=True) for lot in lots if lot.use_by >= least]


def first_out(lot: Shelf) -> tuple[date, date, str]:
    """The order of law 6: last usable day, then receipt date, then code."""
    return lot.use_by, lot.received_on, lot.code


def draw(
    lots: Iterable[Shelf],
    quantity: int,
    day: date,
    named: Sequence[tuple[int, int | None]] = (),
    without: Collection[int] = (),
) -> Drawn:
    """Take `quantity` on `day`: named lots first, in their order, then first expired, first out.

    `named` pairs a lot's id with a quantity or None (as much as is still needed); `without` are lots
    never drawn unnamed (the run's own).
    """
    lots = list(lots)
    left = {lot.id: max(0, lot.quantity) for lot in lots}
    takes: list[Take] = []
    wanted = quantity
    for lot_id, most in named:
        taken = min(left.get(lot_id, 0), wanted if most is None else min(most, wanted))
        takes.append(Take(lot_id, taken, "named"))
        left[lot_id] = left.get(lot_id, 0) - taken
        wanted -= taken
    opened = {take.lot_id for take in takes if take.quantity}
    now = [taken_from(lot, 0, day) if lot.id in opened else lot for lot in lots if lot.id not in without]
    for lot in sorted((lot for lot in now if drawable(lot, day)), key=first_out):
        if not wanted:
            break
        taken = min(left[lot.id], wanted)
        if taken:
            takes.append(Take(lot.id, taken, "assumed"))
            wanted -= taken
    return Drawn(tuple(takes), wanted)


def taken_from(lot: Shelf, quantity: int, day: date) -> Shelf:
    """A lot once this was taken of it: the first draw opens it."""
    use_by = lot.use_by if lot.opens_for is None else min(lot.use_by, day + timedelta(days=lot.opens_for))
    return replace(lot, quantity=lot.quantity - quantity, use_by=use_by, opens_for=None)


def take_all_states(lots: Iterable[Shelf], quantity: int, by_day: date) -> Drawn:
    """Take from any lot received by `by_day`, unusable ones too, in law 6's order (what a count shows)."""
    takes: list[Take] = []
    for lot in sorted((one for one in lots if one.received_on <= by_day), key=first_out):
        taken = min(max(0, lot.quantity), quantity)
        if taken:
            takes.append(Take(lot.id, taken, "assumed"))
            quantity -= taken
    return Drawn(tuple(takes), quantity)


def newest_usable(lots: Sequence[Shelf], day: date) -> Shelf | None:
    """Where a count's gain falls: the newest usable lot, else the newest, else None."""
    there = [lot for lot in lots if lot.received_on <= day]
    usable = [lot for lot in there if state(lot, day) in ("usable", "set_apart")]
    return max(usable or there, key=lambda lot: (lot.received_on, lot.code), default=None)


def why_not(lot: Shelf, day: date) -> str:
    """Why a lot is not drawn on a day, in one word."""
    if lot.received_on > day:
        return "not there yet"
    now = state(lot, day)
    if now == "usable":
        return ""
    if now == "expired" and lot.use_by >= day:
        return "re-test due"
    return now.replace("_", " ")


def shelf_of(row: Mapping[str, object] | object) -> Shelf:
    """A lot's row (any object with the columns' names) as a draw sees it."""
    return Shelf(
        id=row.id,  # type: ignore[union-attr]
        code=row.code,  # type: ignore[union-attr]
        received_on=row.received_on,  # type: ignore[union-attr]
        use_by=row.use_by,  # type: ignore[union-attr]
        quantity=row.on_hand,  # type: ignore[union-attr]
        status=row.status,  # type: ignore[union-attr]
        retest_on=row.retest_on,  # type: ignore[union-attr]
        ready_on=row.ready_on,  # type: ignore[union-attr]
        production=not row.set_apart,  # type: ignore[union-attr]
        opens_for=row.opened_life_days if row.opened_on is None else None,  # type: ignore[union-attr]
    )
