"""Writes are values: a queue of works, each one transaction's, answered only after COMMIT.

SQLite: one thread takes what waits, gives each work a savepoint, commits once, then answers.
PostgreSQL: a pool of threads, one transaction a work, begun again on a serialisation failure or deadlock.
"""

import asyncio
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from service.errors import Busy, CommitLost
from service.store.engine import reading, writing

T = TypeVar("T")
Work = Callable[[Connection], Any]
GROUP = 64  # works in one SQLite transaction at most
RETRIES = 3
WAIT_SECONDS = 30.0  # then nobody will take it any more
BEGIN_AGAIN = {"40001", "40P01", "55P03"}  # serialisation failure, deadlock, lock not available
RACED = {"23505"}  # two made the same code at once: the second run sees the first's
LOST = "whether this was kept is not known: repeat it with the same Idempotency-Key"
AWAY = "the database is away or busy"


@dataclass(slots=True)
class _Job:
    work: Work
    answer: "Future[Any]" = field(default_factory=Future)


class Writer:
    """`await write(work)`: the answer exists once its transaction is committed."""

    def __init__(self, engine: Engine, threads: int, limit: int) -> None:
        self.engine = writing(engine)
        self.limit = limit
        self.waiting = 0
        self._sqlite = engine.dialect.name == "sqlite"
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._wanted = 1 if self._sqlite else threads
        self._open = False

    def start(self) -> None:
        """Begin taking works."""
        self._open = True
        run = self._take_groups if self._sqlite else self._take_singly
        self._threads = [threading.Thread(target=run, name=f"writer-{n}", daemon=True) for n in range(self._wanted)]
        for thread in self._threads:
            thread.start()

    def close(self, timeout: float = 2) -> None:
        """Finish what waits, then stop, within `timeout` seconds."""
        self._open = False
        for _ in self._threads:
            self._jobs.put(None)
        until = time.monotonic() + timeout
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))

    async def write(self, work: Callable[[Connection], T]) -> T:
        """Run one transaction's work; Busy when too many wait, CommitLost when COMMIT's answer was lost."""
        if not self._open or self.waiting >= self.limit:
            raise Busy("too many writes are waiting" if self._open else "the service is stopping")
        job = _Job(work)
        self.waiting += 1
        try:
            self._jobs.put(job)
            answer: T = await asyncio.wrap_future(job.answer)
            return answer
        finally:
            self.waiting -= 1

    def wait(self, work: Callable[[Connection], T]) -> T:
        """The same for a thread that may wait; its own turn comes in the same queue."""
        if not self._open:
            raise Busy("the service is stopping")
        job = _Job(work)
        self._jobs.put(job)
        try:
            answer: T = job.answer.result(WAIT_SECONDS)
        except TimeoutError:
            raise Busy(AWAY, retry_after=1) from None
        return answer

    def _take_singly(self) -> None:
        while (job := self._jobs.get()) is not None:
            if job.answer.set_running_or_notify_cancel():  # a caller who left before its turn wrote nothing
                try:
                    job.answer.set_result(run_with_retries(self.engine, job.work))
                except BaseException as error:
                    job.answer.set_exception(error)

    def _take_groups(self) -> None:
        last = False
        while not last:
            waiting = [self._jobs.get()]
            while len(waiting) < GROUP and not self._jobs.empty():
                waiting.append(self._jobs.get())
            last = None in waiting
            jobs = [job for job in waiting if job is not None and job.answer.set_running_or_notify_cancel()]
            if jobs:
                self._group(jobs)

    def _group(self, jobs: list[_Job]) -> None:
        """One transaction for all that waited; one work's refusal leaves the others untouched."""
        answers: list[tuple[Any, Exception | None]] = []
        committing = False
        try:
            with self.engine.connect() as connection, connection.begin() as transaction:
                for job in jobs:
                    answers.append(_in_savepoint(connection, job.work, alone=len(jobs) == 1))
                if all(error is not None for _, error in answers):
                    transaction.rollback()
                committing = True
        except BaseException as error:
            for job in jobs:
                job.answer.set_exception(_failed(error, committing))
            return
        for job, (value, refused) in zip(jobs, answers, strict=True):
            if refused is None:
                job.answer.set_result(value)
            else:
                job.answer.set_exception(refused)


def _in_savepoint(connection: Connection, work: Work, alone: bool) -> tuple[Any, Exception | None]:
    try:
        if alone:  # nothing else is in this transaction: it is rolled back whole
            return work(connection), None
        with connection.begin_nested():
            return work(connection), None
    except Exception as error:
        raw: Any = connection.connection.driver_connection
        if not alone and not raw.in_transaction:  # a full disk ends the whole transaction: no work is kept
            raise
        return None, error


def _failed(error: BaseException, committing: bool) -> BaseException:
    """What the callers of a whole failed group are told."""
    if not isinstance(error, DBAPIError | PoolTimeout):
        return error
    if committing and not _locked(error):
        return CommitLost(LOST)
    return Busy(AWAY, retry_after=1)


def _locked(error: BaseException) -> bool:
    return isinstance(error, OperationalError) and "locked" in str(error.orig)


def run_once(engine: Engine, work: Callable[[Connection], T]) -> T:
    """One work in one transaction on the caller's thread."""
    with engine.connect() as connection, connection.begin():
        return work(connection)


def run_with_retries(engine: Engine, work: Work) -> Any:
    """One work, begun again where the database asks for it."""
    for attempt in range(RETRIES + 1):
        committing = False
        try:
            with engine.connect() as connection, connection.begin():
                answer = work(connection)
                committing = True
            return answer
        except PoolTimeout:
            raise Busy(AWAY, retry_after=1) from None
        except DBAPIError as error:
            state = getattr(error.orig, "sqlstate", None)
            if state in BEGIN_AGAIN | RACED and attempt < RETRIES:
                continue
            if state in BEGIN_AGAIN:
                raise Busy("others are changing the same things", retry_after=1) from error
            if _gone(error, state):
                raise (CommitLost(LOST) if committing else Busy(AWAY, retry_after=2)) from error
            raise
    raise AssertionError("unreachable")


def _gone(error: DBAPIError, state: str | None) -> bool:
    """Whether the connection or the server went away (57P0x: it is shutting down)."""
    lost = error.connection_invalidated or state is None or state.startswith(("08", "57P"))
    return isinstance(error, OperationalError | InterfaceError) and lost


class SyncWriter:
    """`write(work)` for threads: through a running writer's queue, or, in a process without one, in a transaction of its own."""

    def __init__(self, engine: Engine, through: Writer | None = None) -> None:
        self.engine = writing(engine)
        self._through = through

    def write(self, work: Callable[[Connection], T]) -> T:
        """Run one transaction's work and wait for its answer."""
        if self._through is not None:
            return self._through.wait(work)
        answer: T = run_with_retries(self.engine, work)
        return answer


class Reader:
    """`read(work)`: one snapshot, always rolled back."""

    def __init__(self, engine: Engine) -> None:
        self.engine = reading(engine)

    def read(self, work: Callable[[Connection], T]) -> T:
        """Run a read on the caller's thread; Busy when the database is away."""
        try:
            with self.engine.connect() as connection, connection.begin() as transaction:
                answer = work(connection)
                transaction.rollback()
            return answer
        except (OperationalError, InterfaceError, PoolTimeout) as error:
            raise Busy(AWAY, retry_after=2) from error
