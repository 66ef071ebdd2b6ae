"""The writer on a toy table of its own, on both engines: what is answered is kept, what is refused is not."""

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event, text

from service.errors import Busy, CommitLost, Conflict
from service.store.engine import make_engine
from service.store.writer import Reader, Writer

LATE = " REFERENCES toy_parent (id) DEFERRABLE INITIALLY DEFERRED"


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    sqlite = request.param == "sqlite"
    url = f"sqlite:///{tmp_path}/toy.db" if sqlite else request.getfixturevalue("postgresql")
    made = make_engine(url, 4)
    with made.begin() as connection:
        for table in ("toy_child", "toy", "toy_parent"):
            connection.execute(text(f"DROP TABLE IF EXISTS {table}"))
        connection.execute(text("CREATE TABLE toy_parent (id INTEGER PRIMARY KEY)"))
        connection.execute(text("CREATE TABLE toy (n INTEGER PRIMARY KEY)"))
        connection.execute(text(f"CREATE TABLE toy_child (n INTEGER PRIMARY KEY, parent INTEGER{LATE})"))
    yield made
    made.dispose()


@pytest.fixture
def writer(engine: Engine) -> Iterator[Writer]:
    made = Writer(engine, 2, 10)
    made.start()
    yield made
    made.close()


def put(number: int) -> Any:
    def work(connection: Connection) -> int:
        connection.execute(text("INSERT INTO toy VALUES (:n)"), {"n": number})
        return number

    return work


def refuse(number: int) -> Any:
    def work(connection: Connection) -> int:
        put(number)(connection)
        raise Conflict("no")

    return work


def orphan(connection: Connection) -> str:
    """Every statement succeeds; COMMIT itself fails."""
    connection.execute(text("INSERT INTO toy_child VALUES (1, 99)"))
    return "kept"


def kept(engine: Engine) -> list[int]:
    return Reader(engine).read(lambda connection: list(connection.scalars(text("SELECT n FROM toy ORDER BY n"))))


async def together(writer: Writer, *works: Any) -> list[Any]:
    """All of them wait behind one that is let go last (on SQLite: then they are one group)."""
    gate = threading.Event()
    first = asyncio.create_task(writer.write(lambda _: gate.wait(5)))
    await asyncio.sleep(0.05)
    waiting = [asyncio.create_task(writer.write(work)) for work in works]
    await asyncio.sleep(0.05)
    gate.set()
    await first
    return await asyncio.gather(*waiting, return_exceptions=True)


def test_what_is_answered_is_kept_and_what_is_refused_is_not(engine: Engine, writer: Writer) -> None:
    answers = asyncio.run(together(writer, put(1), refuse(2), put(3)))
    assert answers[0] == 1
    assert answers[2] == 3
    assert isinstance(answers[1], Conflict)
    assert kept(engine) == [1, 3]


def test_a_refused_work_alone_changes_nothing(engine: Engine, writer: Writer) -> None:
    with pytest.raises(Conflict):
        asyncio.run(writer.write(refuse(1)))
    assert kept(engine) == []


def test_a_commit_that_fails_answers_no_one(engine: Engine, writer: Writer) -> None:
    answers = asyncio.run(together(writer, put(1), orphan))
    assert isinstance(answers[1], Exception)
    if engine.dialect.name == "sqlite":  # one group: no one of it is told that it was kept
        assert all(isinstance(answer, CommitLost) for answer in answers)
        assert kept(engine) == []
    assert asyncio.run(writer.write(put(7))) == 7  # and the next goes through


def test_sqlite_groups_what_waits_in_one_commit(engine: Engine, writer: Writer) -> None:
    commits: list[int] = []
    event.listen(writer.engine, "commit", lambda _: commits.append(1))
    assert asyncio.run(together(writer, *(put(n) for n in range(5)))) == [0, 1, 2, 3, 4]
    assert len(commits) == (2 if engine.dialect.name == "sqlite" else 6)


def test_a_caller_who_leaves_before_its_turn_writes_nothing_and_stops_no_one(engine: Engine, writer: Writer) -> None:
    async def leaving() -> None:
        gate = threading.Event()
        blocked = [asyncio.create_task(writer.write(lambda _: gate.wait(5))) for _ in range(2)]
        await asyncio.sleep(0.05)
        gone = asyncio.create_task(writer.write(put(1)))
        await asyncio.sleep(0.05)
        gone.cancel()
        await asyncio.gather(gone, return_exceptions=True)
        gate.set()
        await asyncio.gather(*blocked)
        assert await writer.write(put(2)) == 2

    asyncio.run(leaving())
    assert kept(engine) == [2]


def test_too_many_waiting_are_told_at_once(engine: Engine, writer: Writer) -> None:
    answers = asyncio.run(together(writer, *(put(n) for n in range(12))))
    busy = [answer for answer in answers if isinstance(answer, Busy)]
    assert len(busy) == 3
    assert busy[0].retry_after == 1
    assert len(kept(engine)) == 9


def test_after_closing_no_write_is_taken(engine: Engine, writer: Writer) -> None:
    writer.close()
    with pytest.raises(Busy):
        asyncio.run(writer.write(put(1)))
    assert kept(engine) == []


def only_postgresql(engine: Engine) -> None:
    if engine.dialect.name != "postgresql":
        pytest.skip("a server that can fail by itself")


@pytest.mark.parametrize("state", ["40001", "40P01", "55P03"])
def test_postgresql_begins_again_where_the_database_asks_for_it(engine: Engine, writer: Writer, state: str) -> None:
    only_postgresql(engine)
    tries: list[int] = []

    def work(connection: Connection) -> int:
        put(1)(connection)
        tries.append(1)
        if len(tries) < 3:
            connection.execute(text(f"DO $$ BEGIN RAISE EXCEPTION 'again' USING ERRCODE = '{state}'; END $$"))
        return len(tries)

    assert asyncio.run(writer.write(work)) == 3
    assert kept(engine) == [1]


def test_a_connection_lost_before_commit_is_busy(engine: Engine, writer: Writer) -> None:
    only_postgresql(engine)

    def work(connection: Connection) -> None:
        put(1)(connection)
        connection.execute(text("SELECT pg_terminate_backend(pg_backend_pid())"))

    with pytest.raises(Busy) as told:
        asyncio.run(writer.write(work))
    assert not isinstance(told.value, CommitLost)
    assert kept(engine) == []


def test_a_connection_lost_at_commit_is_never_guessed(engine: Engine, writer: Writer) -> None:
    only_postgresql(engine)
    with engine.begin() as connection:
        connection.execute(
            text(
                "CREATE OR REPLACE FUNCTION toy_end() RETURNS trigger LANGUAGE plpgsql AS "
                "$$ BEGIN PERFORM pg_terminate_backend(pg_backend_pid()); RETURN NULL; END $$"
            )
        )
        connection.execute(
            text(
                "CREATE CONSTRAINT TRIGGER toy_end AFTER INSERT ON toy DEFERRABLE INITIALLY DEFERRED "
                "FOR EACH ROW EXECUTE FUNCTION toy_end()"
            )
        )
    with pytest.raises(CommitLost, match="same Idempotency-Key"):
        asyncio.run(writer.write(put(1)))


def test_a_read_keeps_nothing(engine: Engine) -> None:
    if engine.dialect.name == "sqlite":
        Reader(engine).read(put(1))
    else:
        with pytest.raises(Exception, match="read-only"):
            Reader(engine).read(put(1))
    assert kept(engine) == []


def test_sqlite_keeps_every_commit_on_the_disk(engine: Engine) -> None:
    if engine.dialect.name != "sqlite":
        pytest.skip("pragmas")
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 10_000}
    with engine.connect() as connection:
        assert {name: connection.scalar(text(f"PRAGMA {name}")) for name in wanted} == wanted
