"""What every act gets: the connection of its one transaction, whose books, who asks, and when."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection


@dataclass(frozen=True, slots=True)
class WorkshopFacts:
    """The workshop as an act needs it."""

    id: int
    code: str
    name: str
    time_zone: str
    currency: str
    week_start: str
    expiry_warning_days: int


@dataclass(frozen=True, slots=True)
class Actor:
    """The token that asks."""

    token_id: int
    code: str
    name: str
    scopes: frozenset[str]


@dataclass(frozen=True, slots=True)
class Scope:
    """One act's surroundings; `today` is the workshop's date, `now` an aware UTC time."""

    connection: Connection
    workshop: WorkshopFacts
    actor: Actor
    now: datetime
    today: date
    new_id: Callable[[], int]

    @property
    def zone(self) -> ZoneInfo:
        """The workshop's time zone."""
        return ZoneInfo(self.workshop.time_zone)
