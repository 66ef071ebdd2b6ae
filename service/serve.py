"""The start: bind the port, lock, migrate, seed, print what a new user needs, serve, drain."""

import fcntl
import os
import signal
import socket
import sys
from contextlib import suppress
from datetime import UTC, datetime
from typing import IO
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from service.actions import access
from service.actions.compute import CHILD
from service.actions.scope import Actor, Scope, WorkshopFacts
from service.actions.telling.rounds import Rounds
from service.errors import Refusal
from service.settings import Settings
from service.store import ids
from service.store.access import alone
from service.store.engine import make_engine, sqlite_path, writing
from service.store.migrate import NewerDatabase, migrate
from service.store.writer import Reader, SyncWriter, run_once

DRAIN_SECONDS = 6  # then open requests are cut; the writer has 2 more to finish what it has


class CannotStart(Exception):
    """One clear line for the terminal."""


def bind(settings: Settings) -> socket.socket:
    """Take the port before anything is promised."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    taken = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)  # asyncio sets TCP_NODELAY only on these
    taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        taken.bind((settings.host, settings.port))
        taken.listen(512)
    except OSError as error:
        taken.close()
        said = error.strerror or str(error)
        raise CannotStart(f"port {settings.port} on {settings.host} cannot be used: {said}") from None
    return taken


def lock(settings: Settings) -> IO[str] | None:
    """One serving process a SQLite file: the lock is held until the process ends."""
    if not settings.sqlite:
        return None
    path = sqlite_path(settings.database_url)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        held = path.with_name(path.name + ".lock").open("a")
    except OSError as error:
        raise CannotStart(f"cannot write in the folder {path.parent}: {error.strerror}") from None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        held.close()
        raise CannotStart(f"another process is serving {path}: a SQLite database has one at a time") from None
    held.truncate(0)
    held.write(str(os.getpid()))
    held.flush()
    return held


def served(settings: Settings) -> bool:
    """Whether a process is serving this SQLite file just now; PostgreSQL needs no such care."""
    if not settings.sqlite:
        return False
    path = sqlite_path(settings.database_url)
    path = path.with_name(path.name + ".lock")
    if not path.exists():
        return False
    with path.open("a") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def open_database(settings: Settings) -> Engine:
    """The engine of a migrated database."""
    try:
        engine = make_engine(settings.database_url, settings.database_threads)
        if migrate(engine):
            _draw_older_books_again(engine)
    except NewerDatabase as error:
        raise CannotStart(str(error)) from None
    except ModuleNotFoundError as error:
        raise CannotStart(f"{error}: install with the extra 'postgres'") from None
    except OSError as error:
        raise CannotStart(f"the database's folder cannot be used: {error.strerror}") from None
    except DBAPIError as error:
        said = (str(error.orig).splitlines() or ["no reason given"])[0]
        raise CannotStart(f"the database cannot be opened: {said}") from None
    return engine


def _draw_older_books_again(engine: Engine) -> None:
    """After an upgrade: the items that an older version drew, workshop by workshop."""
    from service.actions.late import older

    def work(connection: Connection) -> None:
        for workshop in access.list_workshops(connection):
            older.draw_again(owner_scope(connection, workshop, "upgrade"))

    run_once(writing(engine), work)


def owner_scope(connection: Connection, workshop: WorkshopFacts, name: str = "owner") -> Scope:
    """A scope for the command line and the start: the owner's, now."""
    now = datetime.now(UTC)
    actor = Actor(0, name, name, frozenset(("read", "record", "manage")))
    today = now.astimezone(ZoneInfo(workshop.time_zone)).date()
    return Scope(connection, workshop, actor, now, today, ids.new_id)


def first_workshop(engine: Engine, settings: Settings) -> list[str]:
    """In a database without a workshop make the first, its tokens (and the demo); answers what to print."""

    def work(connection: Connection) -> list[str]:
        alone(connection)
        if not access.no_workshop(connection):
            return []
        now = datetime.now(UTC)
        name = "Demo workshop" if settings.seed == "demo" else "My workshop"
        workshop = access.add_workshop(connection, name, now)
        if settings.owner_token:
            access.add_given_token(connection, workshop.id, settings.owner_token, now)
            said = ["Owner's token: as given in STILLROOM_OWNER_TOKEN"]
        else:
            _, owner = access.add_token(connection, workshop.id, workshop.code, "owner", ["manage"], now)
            said = [f"Owner's token (shown this once): {owner}"]
        _, phone = access.add_token(connection, workshop.id, workshop.code, "phone", ["record"], now)
        said.append(f"Phone's token (records and reads; shown this once): {phone}")
        if settings.seed == "demo":
            from service.actions import demo

            demo.load(owner_scope(connection, workshop))
        return said

    return run_once(writing(engine), work)


def report(engine: Engine, settings: Settings) -> list[str]:
    """The answers of the main job on the demo data, from the check a caller gets."""
    if settings.seed != "demo":
        return []
    from service.actions import demo

    def work(connection: Connection) -> list[str]:
        return demo.report(owner_scope(connection, access.first_workshop(connection)))

    try:
        return Reader(engine).read(work)
    except Refusal:  # the demo's things were changed since: there is nothing to show of them
        return []


def banner(settings: Settings, port: int, said: list[str], shown: list[str]) -> None:
    """What a new user reads on the terminal."""
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(settings.host, settings.host)
    host = f"[{host}]" if ":" in host and not host.startswith("[") else host
    address = f"http://{host}:{port}"
    lines = ["", f"Stillroom is at {address}/", f"Every request, to try out: {address}/docs", *said]
    lines.append("A lost token is replaced with: python -m service token add NAME --scope manage")
    if shown:
        lines += ["", *shown]
    print("\n".join([*lines, "", "Ctrl-C stops it.", ""]), flush=True)


def serve(settings: Settings) -> int:
    """Serve until told to stop; the exit status."""
    with bind(settings) as listening:
        held = lock(settings)
        engine = open_database(settings)
        said = first_workshop(engine, settings)
        import uvicorn

        from service.app import create_app

        config = uvicorn.Config(
            create_app(settings, engine=engine),
            log_config=None,
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=DRAIN_SECONDS,
            timeout_keep_alive=30,
            server_header=False,
        )
        server = uvicorn.Server(config)
        banner(settings, listening.getsockname()[1], said, report(engine, settings))
        for name in (signal.SIGTERM, signal.SIGINT):  # uvicorn drains, then raises the signal again: no more
            signal.signal(name, lambda *_: None)
        with suppress(KeyboardInterrupt):
            server.run(sockets=[listening])
    print("Stopped.", file=sys.stderr, flush=True)
    if held is not None:
        held.close()
    return 0 if server.started else 1


def work(settings: Settings) -> int:
    """Watch and deliver beside the processes that serve, until told to stop; the exit status."""
    if settings.sqlite:
        raise CannotStart("the process that serves a SQLite file watches it too: `worker` is for PostgreSQL")
    if not settings.watch_seconds:
        raise CannotStart("STILLROOM_WATCH_SECONDS is 0, which turns the watch off")
    engine = open_database(settings)
    rounds = Rounds(Reader(engine), SyncWriter(engine), settings, lambda: datetime.now(UTC))

    def stop(*_: object) -> None:
        rounds.stop()
        CHILD.interrupt()

    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, stop)
    print(f"Watching every workshop every {settings.watch_seconds} s. Ctrl-C stops it.", flush=True)
    rounds.run()
    CHILD.close()
    engine.dispose()
    return 0
