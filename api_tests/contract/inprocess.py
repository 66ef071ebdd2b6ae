"""The application in this process on a database of its own, asked without a socket; its lifespan is entered by hand."""

import asyncio
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import httpx
from fastapi import FastAPI
from sqlalchemy import Engine, make_url, text

from service.actions import access
from service.app import create_app
from service.settings import Settings
from service.store.engine import make_engine, writing
from service.store.migrate import migrate
from service.store.writer import run_once

BASE = "http://in-process"


class Bridge(httpx.BaseTransport):
    """httpx's ASGI transport, which is asynchronous, for a plain client: requests run on one loop in a thread."""

    def __init__(self, app: FastAPI, loop: asyncio.AbstractEventLoop) -> None:
        self.loop = loop
        self.inner = httpx.ASGITransport(app=app, raise_app_exceptions=False)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        return asyncio.run_coroutine_threadsafe(self._answer(request), self.loop).result(60)

    async def _answer(self, request: httpx.Request) -> httpx.Response:
        inner = httpx.Request(request.method, request.url, headers=request.headers, content=request.read())
        answer = await self.inner.handle_async_request(inner)
        body = b"".join([part async for part in answer.stream])  # type: ignore[union-attr]
        return httpx.Response(answer.status_code, headers=answer.headers, content=body)


class House:
    """A running application, its engine, and clients for its workshops."""

    def __init__(self, app: FastAPI, engine: Engine, loop: asyncio.AbstractEventLoop) -> None:
        self.app, self.engine, self.loop = app, engine, loop

    def client(self, token: str | None) -> httpx.Client:
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        return httpx.Client(transport=Bridge(self.app, self.loop), base_url=BASE, headers=headers, timeout=60)

    def new_workshop(self, name: str = "Test workshop") -> str:
        """A new workshop's owner token."""

        def work(connection: Any) -> str:
            now = datetime.now(UTC)
            made = access.add_workshop(connection, name, now)
            return access.add_token(connection, made.id, made.code, "owner", ["manage"], now)[1]

        return run_once(writing(self.engine), work)

    def forget(self) -> None:
        """The next request asks the database who its token is."""
        self.app.state.door.forget()


def new_database(url: str, name: str) -> str:
    """On PostgreSQL a new database beside the one of `url`; a SQLite address is new already."""
    if url.startswith("sqlite"):
        return url
    admin = make_engine(url, 1)
    with admin.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        name = f"{name}_{secrets.token_hex(4)}"  # a new one each time; the server goes with the tests
        connection.execute(text(f"CREATE DATABASE {name}"))
    admin.dispose()
    return make_url(url).set(database=name).render_as_string(hide_password=False)


@contextmanager
def running(
    url: str, prepare: Callable[[Engine], None] = lambda _: None, clock: Callable[[], datetime] | None = None, watch: int = 0
) -> Iterator[House]:
    """The application on a migrated database; `prepare` may listen to the engine before anything is served."""
    settings = Settings(database_url=url, seed="none", failed_tokens_per_minute=100_000, watch_seconds=watch)
    engine = make_engine(url, settings.database_threads)
    migrate(engine)
    prepare(engine)
    app = create_app(settings, clock, engine)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    lifespan = app.router.lifespan_context(app)
    asyncio.run_coroutine_threadsafe(lifespan.__aenter__(), loop).result(20)
    try:
        yield House(app, engine, loop)
    finally:
        asyncio.run_coroutine_threadsafe(lifespan.__aexit__(None, None, None), loop).result(20)
        asyncio.run_coroutine_threadsafe(loop.shutdown_default_executor(), loop).result(20)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5)
        loop.close()


def openapi() -> dict[str, Any]:
    """The OpenAPI page, without a database."""
    app = create_app(Settings(database_url="postgresql://nobody@127.0.0.1:1/none"))
    return app.openapi()
