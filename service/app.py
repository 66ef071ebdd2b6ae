"""The application: settings in, FastAPI out. Nothing runs at import."""

import asyncio
import gc
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import datetime

import anyio.to_thread
from fastapi import FastAPI
from sqlalchemy import Engine

from service.actions.compute import CHILD
from service.actions.telling.rounds import Rounds
from service.api import (
    access,
    alerts,
    batch_plans,
    calendar_marks,
    calendars,
    checks,
    counts,
    cover,
    customers,
    deliveries,
    dispatches,
    disposals,
    docs,
    documents,
    forecasts,
    formulas,
    health,
    imports,
    lots,
    mail_receivers,
    materials,
    offers,
    orders,
    places,
    problems,
    products,
    purchase_orders,
    purchase_plans,
    receipts,
    reversals,
    runs,
    shipments,
    splits,
    start,
    suppliers,
    webhooks,
)
from service.api.deps import Door, utc_now
from service.api.middleware import Figures, Surround
from service.errors import Refusal
from service.settings import Settings
from service.store.engine import make_engine
from service.store.writer import Reader, Writer

log = logging.getLogger("stillroom")
NOUNS = (
    access, materials, formulas, products, receipts, lots, splits, places, counts, disposals, reversals, documents, checks,
    runs,
    orders, shipments, customers, batch_plans, imports, forecasts, cover,
    suppliers, offers, purchase_orders, purchase_plans, deliveries,
    alerts,
    webhooks, mail_receivers, dispatches, calendars,
    calendar_marks,
)  # fmt: skip
STOP_SECONDS = 2.0  # for a round that is under way
YOUNG_OBJECTS = 20_000  # a run makes some thousands, and nearly none of them lives on or in a circle
NOTE_SECONDS = 1.0  # how often last uses of tokens are looked at; each is written once a minute at most


def create_app(
    settings: Settings | None = None,
    clock: Callable[[], datetime] | None = None,
    engine: Engine | None = None,
) -> FastAPI:
    """The service over one migrated database; `clock` and `engine` are swapped by tests."""
    settings = settings or Settings.from_environment()
    engine = engine or make_engine(settings.database_url, settings.database_threads)
    half = max(1, settings.database_threads // 2)  # connections for writes; the rest serve reads
    door = Door(settings, Reader(engine), Writer(engine, half, settings.queue_limit), clock or utc_now)
    figures = Figures()

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        limiter = anyio.to_thread.current_default_thread_limiter()
        limiter.total_tokens = settings.database_threads - (1 if settings.sqlite else half)
        door.writer.start()
        gc.freeze()  # what was made for the start stays: collections look at the requests' objects alone
        gc.set_threshold(YOUNG_OBJECTS)
        noting = asyncio.create_task(_note_uses(door))
        rounds = Rounds(door.reader, door.waiting, settings, door.clock) if settings.watch_seconds else None
        if rounds is not None:
            rounds.start()
        yield
        if rounds is not None:
            rounds.stop()
            CHILD.interrupt()
            rounds.stop(STOP_SECONDS)
        noting.cancel()
        with suppress(asyncio.CancelledError):
            await noting
        door.writer.close()
        CHILD.close()
        engine.dispose()

    app = FastAPI(title="Stillroom", version="0.1.0", lifespan=lifespan)
    app.state.door, app.state.figures = door, figures
    problems.install(app)
    docs.install(app)
    for module in (start, health, problems, *NOUNS):  # flat: routers in a router are searched twice a request
        app.router.routes.extend(module.router.routes)
    app.add_middleware(Surround, settings=settings, figures=figures)
    return app


async def _note_uses(door: Door) -> None:
    while True:
        await asyncio.sleep(NOTE_SECONDS)
        try:
            await door.note_uses()
        except Refusal:
            pass  # busy: the next use is noted instead
        except Exception:  # a fault must not end the notes for good
            log.exception("a token's last use was not noted")
