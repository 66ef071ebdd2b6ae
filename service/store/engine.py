"""Engines, and how transactions begin. SQLite: WAL, every commit on the disk; PostgreSQL: psycopg."""

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.pool import QueuePool

from service.store.prepared import say

PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "foreign_keys=ON",
    "recursive_triggers=ON",  # else INSERT OR REPLACE would slip past the append-only triggers
    "busy_timeout=10000",
    "cache_size=-16000",
)
POOL_TIMEOUT_SECONDS = 5


def make_engine(url: str, threads: int = 8) -> Engine:
    """An engine with one pooled connection a thread; a SQLite file's folder is made."""
    return _sqlite(url, threads) if url.startswith("sqlite") else _postgresql(url, threads)


def sqlite_path(url: str) -> Path:
    """The file of a SQLite address."""
    database = make_url(url).database
    assert database, "SQLite in memory is not served: each thread would see its own"
    return Path(database)


def _postgresql(url: str, threads: int) -> Engine:
    address = make_url(url).set(drivername="postgresql+psycopg")
    return create_engine(
        address,
        pool_size=threads,
        max_overflow=0,
        pool_timeout=POOL_TIMEOUT_SECONDS,
        pool_pre_ping=True,
        hide_parameters=True,
        connect_args={"options": "-c lock_timeout=5s -c statement_timeout=30s", "connect_timeout": 5},
    )


def _sqlite(url: str, threads: int) -> Engine:
    sqlite_path(url).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(
        url,
        poolclass=QueuePool,
        pool_size=threads,
        max_overflow=0,
        pool_timeout=POOL_TIMEOUT_SECONDS,
        hide_parameters=True,
        connect_args={"isolation_level": None, "check_same_thread": False, "cached_statements": 512},
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _: Any) -> None:
        for pragma in PRAGMAS:
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        mode = connection.get_execution_options().get("begin", "DEFERRED")
        say(connection, f"BEGIN {mode}")

    return engine


def writing(engine: Engine) -> Engine:
    """The engine whose transactions write."""
    if engine.dialect.name == "sqlite":
        return engine.execution_options(begin="IMMEDIATE")
    return engine.execution_options(isolation_level="READ COMMITTED")


def reading(engine: Engine) -> Engine:
    """The engine whose transactions see one snapshot and change nothing."""
    if engine.dialect.name == "sqlite":
        return engine
    return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
