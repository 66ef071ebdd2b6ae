"""What the service says to its database, caught at the driver, so that it can be said again without the service."""

import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import uvicorn
from sqlalchemy import Engine, event

from service.app import create_app
from service.settings import Settings
from service.store.engine import PRAGMAS, make_engine

COMMIT, ROLLBACK = "COMMIT", "ROLLBACK"
Said = tuple[str, Any, bool]  # the statement, its values, whether it goes for many rows


@dataclass(slots=True)
class Tape:
    """The writing transactions of a service that were kept, in the order of their ends."""

    kept: list[list[Said]] = field(default_factory=list)
    open: dict[int, list[Said]] = field(default_factory=dict)  # by thread: a writer has one transaction at a time

    def note(self, sql: str, values: Any = (), many: bool = False) -> None:
        if not threading.current_thread().name.startswith("writer-"):
            return
        mine = self.open.setdefault(threading.get_ident(), [])
        if sql != ROLLBACK:
            mine.append((sql, values, many))
        if sql in (COMMIT, ROLLBACK):
            del self.open[threading.get_ident()]
        if sql == COMMIT:
            self.kept.append(mine)

    def transactions(self, holding: str = "INSERT INTO run ") -> list[list[Said]]:
        """The transactions that say this (notes of tokens' last uses are no part of a run)."""
        return [one for one in self.kept if any(holding in said[0] for said in one)]


def tape_sqlite(engine: Engine, tape: Tape) -> None:
    """Every statement that reaches sqlite3, however it is sent."""

    class Cursor(sqlite3.Cursor):
        def execute(self, sql: str, values: Any = (), /) -> Any:
            tape.note(sql, values)
            return super().execute(sql, values)

        def executemany(self, sql: str, rows: Iterable[Any], /) -> Any:
            rows = list(rows)
            tape.note(sql, rows, True)
            return super().executemany(sql, rows)

    class Connection(sqlite3.Connection):
        def cursor(self, factory: Any = Cursor) -> Any:
            return super().cursor(factory)

        def execute(self, sql: str, values: Any = (), /) -> Any:
            return self.cursor().execute(sql, values)

        def executemany(self, sql: str, rows: Iterable[Any], /) -> Any:
            return self.cursor().executemany(sql, rows)

        def commit(self) -> None:
            tape.note(COMMIT)
            super().commit()

        def rollback(self) -> None:
            tape.note(ROLLBACK)
            super().rollback()

    @event.listens_for(engine, "do_connect")
    def _connect(dialect: Any, record: Any, arguments: Any, options: dict[str, Any]) -> None:
        options["factory"] = Connection


def say(connection: sqlite3.Connection, transaction: list[Said]) -> None:
    """One transaction again, in bare sqlite3; everything it asks for is fetched."""
    execute, executemany = connection.execute, connection.executemany
    for sql, values, many in transaction:
        if many:
            executemany(sql, values)
        else:
            execute(sql, values).fetchall()


def bare(path: str) -> sqlite3.Connection:
    """A connection with the service's own pragmas and no service."""
    connection = sqlite3.connect(path, isolation_level=None, cached_statements=512)
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}").close()
    return connection


@contextmanager
def inside(
    settings: Settings, listen: Callable[[Engine], None] | None = None, change: Callable[[Any], None] | None = None
) -> Iterator[int]:
    """The service in a thread of this process: its port."""
    engine = make_engine(settings.database_url, settings.database_threads)
    if listen is not None:
        listen(engine)
    app = create_app(settings, engine=engine)
    if change is not None:
        change(app)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(64)
        server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False, lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            assert thread.is_alive(), "the service did not start"
            time.sleep(0.01)
        try:
            yield int(listening.getsockname()[1])
        finally:
            server.should_exit = True
            thread.join(20)
            engine.dispose()
