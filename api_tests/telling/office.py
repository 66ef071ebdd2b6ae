"""An office that tells: the application in this process, its rounds made by hand, and real receivers on this machine."""

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from zoneinfo import ZoneInfo

import httpx
from contract.inprocess import House
from sqlalchemy import Connection, Engine

from service.actions import access
from service.actions.scope import Actor, Scope
from service.actions.telling import sending
from service.app import create_app
from service.settings import Settings
from service.store import ids
from service.store.engine import make_engine, writing
from service.store.migrate import migrate
from service.store.writer import Reader, run_once, run_with_retries

SETTINGS = Settings(seed="none", webhook_private=True, public_url="https://stock.example.org")
MORNING = datetime(2026, 3, 10, 6, 30, tzinfo=UTC)


class Plain:
    """A writer for threads: each work in a transaction of its own."""

    def __init__(self, engine: Engine) -> None:
        self.engine = writing(engine)

    def write(self, work: Callable[[Connection], Any]) -> Any:
        return run_with_retries(self.engine, work)


class Office:
    """One engine's database with the application over it; `now` is its clock, the real one while it is None."""

    def __init__(self, engine: Engine, house: House, settings: Settings) -> None:
        self.engine, self.house, self.settings = engine, house, settings
        self.now: datetime | None = None
        self.reader, self.writer = Reader(engine), Plain(engine)

    def clock(self) -> datetime:
        return self.now or datetime.now(UTC)

    def round(self, **changed: Any) -> int:
        """One worker's round, with settings changed."""
        return sending.round(self.reader, self.writer, replace(self.settings, **changed), self.clock())


class Maker:
    """A workshop of the office: what its owner asks, and what happens in it."""

    def __init__(self, office: Office, client: httpx.Client, workshop: int) -> None:
        self.office, self.client, self.workshop = office, client, workshop

    def ask(self, method: str, path: str, expect: int, body: Any = None, **more: Any) -> Any:
        answer = self.client.request(method, f"/v1/{path}", json=body, **more)
        assert answer.status_code == expect, answer.text
        return answer.json() if answer.content else None

    def post(self, path: str, expect: int = 201, **body: Any) -> Any:
        return self.ask("POST", path, expect, body)

    def patch(self, path: str, expect: int = 200, **body: Any) -> Any:
        return self.ask("PATCH", path, expect, body)

    def get(self, path: str, expect: int = 200) -> Any:
        return self.ask("GET", path, expect)

    def dispatches(self, query: str = "") -> list[dict[str, Any]]:
        """Oldest first."""
        found: list[dict[str, Any]] = self.get(f"dispatches?limit=200{query}")["items"]
        return found[::-1]

    def webhook(self, url: str, **more: Any) -> dict[str, Any]:
        made: dict[str, Any] = self.post("webhooks", url=url, **more)
        return made

    def act(self, work: Callable[[Scope], Any]) -> Any:
        """Something happens, in one transaction."""

        def inside(connection: Connection) -> Any:
            facts = access.facts(access.access.workshop(connection, self.workshop))
            now = self.office.clock()
            today = now.astimezone(ZoneInfo(facts.time_zone)).date()
            return work(Scope(connection, facts, Actor(0, "maker", "maker", frozenset()), now, today, ids.new_id))

        return run_once(writing(self.office.engine), inside)


@contextmanager
def opened(url: str) -> Iterator[Office]:
    """An office over a new database; nothing happens in the background."""
    settings = replace(SETTINGS, database_url=url)
    engine = make_engine(url, settings.database_threads)
    migrate(engine)
    made: list[Office] = []
    app = create_app(settings, clock=lambda: made[0].clock(), engine=engine)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    made.append(Office(engine, House(app, engine, loop), settings))
    writer = app.state.door.writer
    writer.start()
    try:
        yield made[0]
    finally:
        writer.close()
        asyncio.run_coroutine_threadsafe(loop.shutdown_default_executor(), loop).result(20)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5)
        loop.close()
        engine.dispose()


@dataclass
class Got:
    """A request that came."""

    path: str
    headers: dict[str, str]  # names in lower case
    body: str
    at: float = field(default_factory=time.monotonic)


Reply = Callable[[Got, BaseHTTPRequestHandler], None]


def status(code: int, **headers: str) -> Reply:
    """A plain answer."""

    def reply(_: Got, handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(code)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", "2")
        handler.end_headers()
        handler.wfile.write(b"ok")

    return reply


def raw(*parts: bytes, pause: float = 0.0) -> Reply:
    """Bytes as they are, with pauses between them; then the end."""

    def reply(_: Got, handler: BaseHTTPRequestHandler) -> None:
        for part in parts:
            handler.wfile.write(part)
            time.sleep(pause)

    return reply


class Listener:
    """A real HTTP server that keeps what came and answers what it is told to."""

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        self.got: list[Got] = []
        self.reply: Reply = status(204)
        self.arrived = threading.Event()
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                got = Got(self.path, {name.lower(): value for name, value in self.headers.items()}, body.decode())
                listener.got.append(got)
                listener.arrived.set()
                with suppress(OSError):  # the sender did not wait
                    listener.reply(got, self)
                self.close_connection = True

            do_GET = do_POST

            def log_message(self, *_: Any) -> None:
                pass

        class Quiet(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                pass

        self.server = Quiet((host, port), Handler)
        self.port = int(self.server.server_address[1])
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def url(self, path: str = "/hook") -> str:
        return f"http://127.0.0.1:{self.port}{path}"

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


def later(moment: datetime, **by: float) -> datetime:
    return moment + timedelta(**by)
