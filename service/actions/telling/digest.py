"""The daily digest: what needs doing today, told once a day from the workshop's hour on, in the workshop's zone."""

import logging
from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Any, Protocol, TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Row

from service.actions import access
from service.actions.scope import Actor, Scope
from service.actions.telling import alerts
from service.actions.telling.outbox import tell
from service.store import access as store
from service.store import ids
from service.store.writer import Reader

log = logging.getLogger("stillroom.telling")
T = TypeVar("T")
CLERK = Actor(0, "service", "service", frozenset(("read",)))


class Writes(Protocol):
    """Runs one work in one transaction on the caller's thread, kept when it returns."""

    def write(self, work: Callable[[Connection], T]) -> T:
        """The work's answer."""
        ...


def tell_due(reader: Reader, writer: Writes, now: datetime) -> None:
    """Leave the digest of every workshop whose hour has come and whose day has none yet."""
    for workshop in reader.read(lambda connection: [row for row in store.workshops(connection) if is_due(row, now)]):
        try:
            writer.write(partial(tell_one, workshop=workshop, now=now))
        except Exception:  # one workshop's trouble is not another's; it is tried again next time
            log.exception("a digest was not told", extra={"facts": {"workshop": workshop.code}})


def is_due(workshop: Row[Any], now: datetime) -> bool:
    """Whether the hour has come today (an hour that the clock leaps over has come with the next) and nothing was told yet."""
    if workshop.digest_hour is None:
        return False
    there = now.astimezone(ZoneInfo(workshop.time_zone))
    told = workshop.digest_told_on
    return there.hour >= workshop.digest_hour and (told is None or told < there.date())


def tell_one(connection: Connection, workshop: Row[Any], now: datetime) -> None:
    """The day is taken and its digest left in one transaction; a day on which nothing needs doing is silent."""
    facts = access.facts(workshop)
    today = now.astimezone(ZoneInfo(facts.time_zone)).date()
    if not store.take_digest(connection, facts.id, today):
        return
    scope = Scope(connection, facts, CLERK, now, today, ids.new_id)
    found = alerts.today(scope)
    if found:
        tell(scope, "digest", {"day": today, "text": alerts.text(found), "alerts": found})
