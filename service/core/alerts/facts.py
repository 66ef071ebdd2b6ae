"""What alerts are made from, and what they are."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import IntEnum
from typing import Any


class Severity(IntEnum):
    """How pressing: the smaller the number, the sooner it is told."""

    URGENT = 1
    WARNING = 2
    NOTICE = 3


@dataclass(frozen=True, slots=True)
class Item:
    """A material or product today. `order_by` comes from the cover forecast, and so does `runs_out`, the day to which what is
    there lasts at the service level; `arrives` is the day on which more is likely to come, of what is on order (`on_order` in
    all, the next of it `expected_on`), else if it were ordered today. Of a product that is made to stock, `order_by` is the
    day by which to make it, `make` how many, and `on_hand` what there is."""

    code: str
    name: str
    unit: str
    order_by: date | None = None
    runs_out: date | None = None
    arrives: date | None = None
    on_order: int = 0
    expected_on: date | None = None
    unbooked: int = 0
    product: bool = False
    make: int = 0
    on_hand: int = 0


@dataclass(frozen=True, slots=True)
class UseUp:
    """A product that would use a lot up: units, what they take of it, and what else is missing (name, quantity, unit)."""

    product: str
    name: str
    units: int
    uses: int
    missing: tuple[tuple[str, int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Stock:
    """A lot with something in it. `last_day` is its last usable day, `unused` what is expected to expire of it."""

    code: str
    item: str
    name: str
    unit: str
    on_hand: int
    last_day: date | None = None
    retest_on: date | None = None
    ready_on: date | None = None
    unused: int = 0
    batch: str | None = None
    usable: bool = True  # released: what is in quarantine or rejected is nobody's plan
    use_up: tuple[UseUp, ...] = ()
    product: bool = False
    waits: bool = False  # in quarantine: for its release


@dataclass(frozen=True, slots=True)
class Demand:
    """A customer's open order: `short` names what is missing of it (name, quantity, unit), `ready_on` when it could go out,
    `leave_on` when it must (its due date less the transit), `to_make` whether some of it is still to be made."""

    code: str
    customer: str | None
    due_on: date
    short: tuple[tuple[str, int, str], ...] = ()
    ready_on: date | None = None
    leave_on: date | None = None
    to_make: bool = False


@dataclass(frozen=True, slots=True)
class Purchase:
    """A placed purchase order that has not come in full."""

    code: str
    supplier: str
    expected_on: date


@dataclass(frozen=True, slots=True)
class Facts:
    """The workshop on a day."""

    today: date
    items: tuple[Item, ...] = ()
    stocks: tuple[Stock, ...] = ()
    demands: tuple[Demand, ...] = ()
    purchases: tuple[Purchase, ...] = ()
    warn_days: int = 30


@dataclass(frozen=True, slots=True)
class Act:
    """What would help, and the request that does it; `asks` names the fields of the body that a person must fill in, each
    with what to say there. Bodies hold what JSON can hold, so that a cause that was kept equals the same one found again."""

    says: str
    method: str
    path: str
    body: Mapping[str, Any] = field(default_factory=dict)
    asks: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that needs doing: its kind and whom it concerns name it, day and severity say how soon. `facts` hold what JSON
    can hold."""

    kind: str
    subject: str
    severity: Severity
    day: date | None
    sentence: str
    facts: Mapping[str, Any]
    act: Act

    @property
    def key(self) -> tuple[str, str]:
        """One alert at a time has it."""
        return self.kind, self.subject


@dataclass(frozen=True, slots=True)
class Alert:
    """A cause that was told. `acknowledged_at` holds the severity at which somebody said "seen"."""

    cause: Cause
    opened_on: date
    updated_on: date
    closed_on: date | None = None
    acknowledged_at: Severity | None = None
    put_off_until: date | None = None

    def speaks(self, today: date) -> bool:
        """Whether it is to be told: open, not acknowledged at this severity, not put off."""
        if self.closed_on is not None or (self.put_off_until is not None and today < self.put_off_until):
            return False
        return self.acknowledged_at is None or self.cause.severity < self.acknowledged_at
