"""Who asks: bearer tokens, believed for two seconds; failures counted by address; last use kept in memory."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from service.actions import access
from service.actions.scope import Actor, WorkshopFacts
from service.errors import Forbidden, TooManyFailures, Unauthorized
from service.settings import Settings

BELIEVED_SECONDS = 2.0
NOTED_EVERY_SECONDS = 60.0
WINDOW_SECONDS = 60.0
MOST = 10_000  # callers, and addresses with failures, kept in memory


@dataclass(frozen=True, slots=True)
class Caller:
    """Whose books, and which token."""

    workshop: WorkshopFacts
    actor: Actor
    expires_on: date | None


@dataclass(slots=True)
class Callers:
    """Every caller known just now."""

    settings: Settings
    read: Callable[[Callable[[Connection], Any]], Any]  # of the store, in one snapshot
    clock: Callable[[], datetime]
    believed: dict[str, tuple[Caller, float]] = field(default_factory=dict)
    failures: dict[str, list[float]] = field(default_factory=dict)
    uses: dict[tuple[int, int], datetime] = field(default_factory=dict)
    noted: dict[tuple[int, int], float] = field(default_factory=dict)

    def forget(self) -> None:
        """Ask the database again for every caller (a token was revoked or the workshop changed)."""
        self.believed.clear()

    def known(self, token: str) -> Caller | None:
        """The caller, if the token was looked up in the last two seconds."""
        found = self.believed.get(access.hashed(token))
        return found[0] if found is not None and found[1] > time.monotonic() else None

    def look_up(self, token: str, address: str) -> Caller:
        """The caller as the database knows it; Unauthorized, or TooManyFailures for this address."""
        found = self.read(lambda connection: access.authenticate(connection, token))
        if found is None:
            self.believed.pop(access.hashed(token), None)
            self._count_failure(address)
            raise Unauthorized("this token is not known")
        row, workshop, actor = found
        caller = Caller(workshop, actor, row.expires_on)
        if len(self.believed) >= MOST:
            self.believed.clear()
        self.believed[access.hashed(token)] = (caller, time.monotonic() + BELIEVED_SECONDS)
        return caller

    def _count_failure(self, address: str) -> None:
        now = time.monotonic()
        recent = [at for at in self.failures.get(address, []) if at > now - WINDOW_SECONDS]
        if len(recent) >= self.settings.failed_tokens_per_minute:
            raise TooManyFailures("too many failed tokens from this address: wait a minute", retry_after=60)
        if len(self.failures) >= MOST:
            self.failures.clear()
        self.failures[address] = [*recent, now]

    def admit(self, caller: Caller, needs: str) -> None:
        """Unauthorized when the token has expired, Forbidden without the scope; notes the use."""
        now = self.clock()
        if caller.expires_on is not None and caller.expires_on < today(caller, now):
            raise Unauthorized("this token has expired")
        if needs not in caller.actor.scopes:
            raise Forbidden(f"this needs a token with the scope '{needs}'", needs=needs)
        self.uses[(caller.workshop.id, caller.actor.token_id)] = now

    def due_notes(self) -> dict[tuple[int, int], datetime]:
        """Last uses (by workshop and token) not written in the last minute, to be written now."""
        now = time.monotonic()
        due = [one for one in list(self.uses) if now - self.noted.get(one, -NOTED_EVERY_SECONDS) >= NOTED_EVERY_SECONDS]
        taken = {one: self.uses.pop(one) for one in sorted(due)}
        self.noted.update(dict.fromkeys(taken, now))
        return taken


def today(caller: Caller, now: datetime) -> date:
    """The workshop's date."""
    return now.astimezone(ZoneInfo(caller.workshop.time_zone)).date()
