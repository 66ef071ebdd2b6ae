"""The watch: every workshop looked at once an interval, by any number of processes.

A workshop is claimed in the database before it is looked at. A claim runs out by itself, so that another process takes over
what a killed one had; one that ran out too soon only lets a workshop be looked at twice, which changes nothing more.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Row

from service.actions import access
from service.actions.scope import Actor, Scope, WorkshopFacts
from service.actions.telling.look import look
from service.actions.telling.old_messages import delete_old
from service.errors import Refusal
from service.store import ids, watches
from service.store.writer import Reader, SyncWriter

log = logging.getLogger("stillroom")
WATCHER = Actor(0, "watch", "watch", frozenset(("read",)))
CLAIM_SECONDS = 90.0  # longer than a look may take: the child process is ended after a minute
LEAST_CLAIM_SECONDS = 5.0


@dataclass(slots=True)
class Watch:
    """One process's part of the watch; `name` says whose its claims are."""

    reader: Reader
    writer: SyncWriter
    clock: Callable[[], datetime]
    seconds: int
    name: str
    stopped: threading.Event = field(default_factory=threading.Event)
    due: dict[int, datetime] = field(default_factory=dict)  # when to ask for a workshop again

    def round(self) -> int:
        """Look at every workshop that is due and that nobody else has; how many were looked at."""
        looked = 0
        for workshop in self.reader.read(access.list_workshops):
            now = self.clock()
            if self.stopped.is_set():
                break
            if self.due.get(workshop.id, now) > now or not self._claimed(workshop, now):
                continue
            self._look(workshop)
            looked += 1
        return looked

    def _claimed(self, workshop: WorkshopFacts, now: datetime) -> bool:
        """Whether the workshop is ours to be looked at now; else notes when to ask again."""

        def read(connection: Connection) -> Row[tuple[object, ...]] | None:
            return watches.of(connection, workshop.id)

        row = self.reader.read(read)
        if row is not None:
            free_at: datetime = max(row.next_at, row.claimed_until or row.next_at)
            if free_at > now:
                self.due[workshop.id] = free_at
                return False
        until = now + timedelta(seconds=min(CLAIM_SECONDS, max(LEAST_CLAIM_SECONDS, self.seconds)))
        return self.writer.write(lambda connection: watches.claim(connection, workshop.id, self.name, now, until))

    def _look(self, workshop: WorkshopFacts) -> None:
        """Look, clear old messages away, and give the workshop back with the time of the next look; a failure is kept and ends
        nothing."""
        try:
            error = look(self.reader, self.writer, lambda connection: self._scope(connection, workshop))
            delete_old(self.reader, self.writer, workshop.id, self.clock())
        except Refusal as refused:
            error = refused.detail
        except Exception as failed:  # a fault in one workshop's books must not end the watch of the others
            error = f"{type(failed).__name__}: {failed}"
            log.exception("a workshop could not be looked at", extra={"facts": {"workshop": workshop.code}})
        next_at = self.clock() + timedelta(seconds=self.seconds)
        self.due[workshop.id] = next_at
        self.writer.write(lambda connection: watches.release(connection, workshop.id, self.name, next_at, error))

    def _scope(self, connection: Connection, workshop: WorkshopFacts) -> Scope:
        now = self.clock()
        today = now.astimezone(ZoneInfo(workshop.time_zone)).date()
        return Scope(connection, workshop, WATCHER, now, today, ids.new_id)
