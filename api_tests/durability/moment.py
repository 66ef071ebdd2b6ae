"""The moment of a kill: the process is stopped, the database is asked whether a transaction is open, then it is killed."""

import os
import signal
import sqlite3
import time

from conftest import Server
from sqlalchemy import text

from service.store.engine import make_engine, sqlite_path

SETTLE_SECONDS = 0.05  # what PostgreSQL was asked before the stop is done by then, or waits for a lock
OPEN = """
    SELECT count(*) FROM pg_stat_activity
    WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_xid IS NOT NULL
    AND (state LIKE 'idle in transaction%' OR wait_event_type = 'Lock')
"""


def kill(server: Server) -> bool:
    """Kill it where it stands; whether that met an open transaction that had begun to write."""
    assert server.process is not None
    os.kill(server.process.pid, signal.SIGSTOP)
    os.waitpid(server.process.pid, os.WUNTRACED)  # all its threads stand still
    try:
        return _open(server.url)
    finally:
        server.process.kill()
        server.process.wait(15)


def _open(url: str) -> bool:
    """A stopped process cannot end its transaction, so what is seen here is what the kill meets."""
    if url.startswith("sqlite"):
        return _held(str(sqlite_path(url)))
    time.sleep(SETTLE_SECONDS)
    engine = make_engine(url, 2)
    try:
        with engine.connect() as connection:
            return bool(connection.execute(text(OPEN)).scalar())
    finally:
        engine.dispose()


def _held(file: str) -> bool:
    """Whether another process holds the one write lock of a SQLite file."""
    connection = sqlite3.connect(file, timeout=0, isolation_level=None)
    try:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
        return False
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
            raise
        return True
    finally:
        connection.close()
