"""Imports over HTTP: the file is looked at and added in pieces, so that others are served meanwhile."""

import asyncio
import hashlib
import json
import time
from collections.abc import Callable, Iterator
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from service.actions.once import Kept, dumps, fingerprint, once, replayed
from service.actions.scope import Scope
from service.actions.selling import imports
from service.actions.selling.import_batch import Added
from service.api import deps
from service.api.bodies import key_of, parsed
from service.api.callers import Caller, today
from service.api.docs import doc
from service.errors import FieldError, Invalid
from service.shapes.imports import OrderImportIn, OrderImportOut

router = APIRouter(prefix="/v1/imports", tags=["Imports"])
SHOP = {"csv": "Order;Date;Sku;Quantity;Price\nS-1001;03.11.2026;heather-balm-60;2;12,50\n"}
JSON = ("mapping", "products")
WORDS = {"true": True, "1": True, "false": False, "0": False}
FLAGS = ("skip_unknown", "skip_problems", "dry_run")
SLICE, PAUSE_SECONDS, SIZE = 60, 0.0002, 400  # lines between pauses, in which requests are answered; lines in a transaction


@router.post("/orders", **doc("Import orders from a CSV file", request=OrderImportIn, answer=OrderImportOut, status=201,
                              file="csv", example=SHOP))  # fmt: skip
async def post_orders(request: Request) -> Response:
    """Send JSON; or the file itself as `text/csv`, with the other fields in the query; or as `multipart/form-data` with a
    part `file`. `mapping` and `products` are then JSON. Columns are found by their headers, and the answer states which.
    What is there already (the same reference and line) stays as it is. Nothing is kept of a file with problems or unknown
    products unless they are skipped; a `dry_run` lists them all."""
    door, caller = deps.door_of(request), await deps.admit(request, "manage")
    body, source = await _taken(request)
    key = key_of(request)
    held = imports.held_to(body, hashlib.sha256(source if isinstance(source, bytes) else source.encode()).hexdigest())
    print_ = fingerprint(request.method, request.url.path, held) if key else ""
    if key and (kept := await run_in_threadpool(_read, door, caller, lambda scope: replayed(scope, key, print_))):
        return deps.respond(request, kept)
    loop = asyncio.get_running_loop()

    def act(one: Callable[[Scope], Added]) -> Added:
        if body.dry_run:
            return _read(door, caller, one)  # type: ignore[no-any-return]
        write = door.writer.write(lambda connection: one(door.scope(connection, caller)))
        return asyncio.run_coroutine_threadsafe(write, loop).result()

    zone = ZoneInfo(caller.workshop.time_zone)

    def work() -> imports.Import:
        made = imports.look(imports.lines_of(source), body, zone, today(caller, door.clock()), gently)
        _read(door, caller, lambda scope: imports.match(scope, made))
        imports.run(made, act, size=SIZE, gently=gently)
        return made

    answer = imports.answer(await run_in_threadpool(work))
    if body.dry_run or key is None:
        return deps.respond(request, Kept(200 if body.dry_run else 201, dumps(answer)))
    return deps.respond(
        request, await door.writer.write(lambda c: once(door.scope(c, caller), key, print_, 201, lambda _: answer))
    )


def gently(lines: Iterator[str]) -> Iterator[str]:
    """The lines with short pauses, so that the thread never keeps the others from their work."""
    for number, line in enumerate(lines):
        if number % SLICE == 0:
            time.sleep(PAUSE_SECONDS)
        yield line


def _read(door: deps.Door, caller: Caller, act: Callable[[Scope], Any]) -> Any:
    return door.reader.read(lambda connection: act(door.scope(connection, caller)))


async def _taken(request: Request) -> tuple[OrderImportIn, str | bytes]:
    """The request's fields, and the file."""
    kind = request.headers.get("content-type", "application/json").partition(";")[0].strip().lower()
    if kind == "text/csv":
        given = _fields(dict(request.query_params))
        return OrderImportIn.model_validate({**given, "csv": "-"}), await request.body()
    if kind == "multipart/form-data":
        return await _uploaded(request)
    body = OrderImportIn.model_validate(await parsed(request, False))
    return body, body.csv


async def _uploaded(request: Request) -> tuple[OrderImportIn, bytes]:
    try:
        form = await request.form()
    except (HTTPException, ValueError):
        raise Invalid("the form cannot be read", errors=[FieldError("is no form", pointer="#")]) from None
    file = form.get("file")
    if not isinstance(file, UploadFile):
        raise Invalid.field("#/file", "is missing", None, "a CSV file")
    given = _fields({name: value for name, value in form.items() if isinstance(value, str)})
    return OrderImportIn.model_validate({**given, "csv": "-"}), await file.read()


def _fields(given: dict[str, str]) -> dict[str, Any]:
    """Fields told as text: two are JSON, three are flags."""
    found: dict[str, Any] = {}
    for name, value in given.items():
        if name in JSON:
            try:
                found[name] = json.loads(value)
            except (ValueError, RecursionError):
                raise Invalid.field(f"#/{name}", "is not JSON", value[:80], 'an object like {"units": "Qty"}') from None
        else:
            found[name] = WORDS.get(value.lower(), value) if name in FLAGS else value
    return found
