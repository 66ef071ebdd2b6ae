"""The only door from HTTP to the store: who asks, one body, one act, one answer."""

import base64
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

from fastapi import Request, Response
from pydantic import BaseModel, TypeAdapter, ValidationError
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service.actions.once import Kept, dumps, fingerprint, once
from service.actions.scope import Scope
from service.api.accept import JSON, etag, fits, has, preferred, wants_text
from service.api.bodies import key_of, parsed, refuse_unfit
from service.api.callers import Caller, Callers, today
from service.api.pages import Page, page_of
from service.errors import FieldError, Invalid, PreconditionFailed, Unauthorized
from service.settings import Settings
from service.shapes.base import DayOrTime
from service.store import ids
from service.store.access import used
from service.store.writer import Reader, SyncWriter, Writer

TEXT = "text/plain; charset=utf-8"
MOMENT: TypeAdapter[date | datetime] = TypeAdapter(DayOrTime)
Act = Callable[[Scope, Any], dict[str, Any]]
Show = Callable[[Scope], dict[str, Any]]
Written = Mapping[str, Callable[[dict[str, Any]], str]]  # media type -> how an answer is written in it


class Rehearsed(Exception):
    """The answer of a dry run: raised, so that its transaction keeps nothing."""

    def __init__(self, kept: Kept) -> None:
        super().__init__("rehearsed")
        self.kept = kept


def utc_now() -> datetime:
    """The clock of a real service."""
    return datetime.now(UTC)


@dataclass(slots=True)
class Door:
    """What the routes share: settings, reader, writer, clock, known callers. Lives in `app.state.door`."""

    settings: Settings
    reader: Reader
    writer: Writer
    clock: Callable[[], datetime] = utc_now
    callers: Callers = field(init=False)
    waiting: SyncWriter = field(init=False)  # the writer, for threads

    def __post_init__(self) -> None:
        self.waiting = SyncWriter(self.writer.engine, self.writer)
        self.callers = Callers(self.settings, self.reader.read, self.clock)

    def forget(self) -> None:
        """Ask the database again for every caller (a token was revoked or the workshop changed)."""
        self.callers.forget()

    async def note_uses(self) -> None:
        """Write tokens' last uses beside the requests, so that a GET itself never writes."""
        due = self.callers.due_notes()

        def work(connection: Connection) -> None:
            for (workshop, token), at in due.items():
                used(connection, workshop, token, at)

        if due:
            await self.writer.write(work)

    def scope(self, connection: Connection, caller: Caller) -> Scope:
        """An act's surroundings, now."""
        now = self.clock()
        return Scope(connection, caller.workshop, caller.actor, now, today(caller, now), ids.new_id)


def door_of(request: Request) -> Door:
    """The app's door."""
    door: Door = request.app.state.door
    return door


def _token_of(request: Request) -> str:
    refuse_unfit(request)
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    token = token.strip()
    if scheme.lower() != "bearer" or not token:
        raise Unauthorized("send `Authorization: Bearer <token>`")
    return token


def _address(request: Request) -> str:
    return request.client.host if request.client else "?"


def authenticate(request: Request, needs: str) -> Caller:
    """The caller behind the bearer token; 401, 403 or 429 otherwise. For endpoints in a thread."""
    callers, token = door_of(request).callers, _token_of(request)
    caller = callers.known(token) or callers.look_up(token, _address(request))
    callers.admit(caller, needs)
    request.state.caller = caller
    return caller


async def admit(request: Request, needs: str) -> Caller:
    """The same for endpoints on the event loop: the database is asked in a thread."""
    callers, token = door_of(request).callers, _token_of(request)
    caller = callers.known(token)
    if caller is None:
        caller = await run_in_threadpool(callers.look_up, token, _address(request))
    callers.admit(caller, needs)
    request.state.caller = caller
    return caller


async def write(
    request: Request,
    needs: str,
    shape: type[BaseModel] | None,
    act: Act,
    status: int = 201,
    form: bool = False,
    shown: Show | None = None,
    keyed: bool = True,
) -> Response:
    """One write: authenticate, parse, run the act once in one transaction, answer after COMMIT.

    `shown` gives the thing as GET does, for If-Match and the new ETag; `keyed` is False where keys are ignored.
    """
    door = door_of(request)
    caller = await admit(request, needs)
    body = shape.model_validate(await parsed(request, form)) if shape is not None else None
    key = key_of(request) if keyed and request.method == "POST" else None
    print_ = fingerprint(request.method, request.url.path, body) if key else ""
    match = request.headers.get("if-match")
    tag: list[str] = []

    def work(connection: Connection) -> Kept:
        scope = door.scope(connection, caller)
        if getattr(body, "dry_run", False):
            raise Rehearsed(Kept(200, dumps(act(scope, body))))
        if match is not None and shown is not None and not fits(match, etag(dumps(shown(scope)))):
            raise PreconditionFailed("it was changed since you read it: read it again")
        kept = once(scope, key, print_, status, lambda inner: act(inner, body))
        if shown is not None:
            tag[:] = [etag(dumps(shown(scope)))]
        return kept

    try:
        return respond(request, await door.writer.write(work), tag[-1] if tag else None)
    except Rehearsed as rehearsed:
        return respond(request, rehearsed.kept)


def respond(request: Request, kept: Kept, tag: str | None = None) -> Response:
    """A kept answer as HTTP; one sentence where the caller wants text."""
    headers = {"Idempotent-Replay": "true"} if kept.replayed else {}
    if tag is not None and not kept.replayed:
        headers["ETag"] = tag
    if kept.status == 204:
        return Response(None, 204, headers)
    sentence = json.loads(kept.body).get("sentence") if wants_text(request) else None
    if sentence:
        return Response(sentence + "\n", kept.status, headers, TEXT)
    return Response(kept.body, kept.status, headers, "application/json")


def read(request: Request, act: Show, sentence: bool = False, needs: str = "read", written: Written | None = None) -> Response:
    """One read of one snapshot; a strong ETag (a digest of the answer), 304 when the caller has it.

    `written` makes other media types of the answer where they are preferred.
    """
    door = door_of(request)
    caller = authenticate(request, needs)
    answer = door.reader.read(lambda connection: act(door.scope(connection, caller)))
    kind = preferred(request, (JSON, *written)) if written else JSON
    if written and kind != JSON:
        return Response(written[kind](answer), 200, media_type=f"{kind}; charset=utf-8")
    if sentence and answer.get("sentence") and wants_text(request):
        return Response(answer["sentence"] + "\n", 200, media_type=TEXT)
    body = dumps(answer)
    tag = etag(body)
    if has(request, tag):
        return Response(None, 304, {"ETag": tag})
    return Response(body, 200, {"ETag": tag}, "application/json")


def read_by_address(request: Request, token: str, needs: str, act: Callable[[Scope], str]) -> str:
    """One read whose token stands in the address: for what cannot send headers."""
    door = door_of(request)
    refuse_unfit(request)
    caller = door.callers.known(token) or door.callers.look_up(token, _address(request))
    door.callers.admit(caller, needs)
    request.state.caller = caller
    return door.reader.read(lambda connection: act(door.scope(connection, caller)))


async def ask(request: Request, shape: type[BaseModel], act: Act) -> Response:
    """A question with a body: it changes nothing, so keys are ignored."""
    door = door_of(request)
    caller = await admit(request, "read")
    body = shape.model_validate(await parsed(request, False))

    def work() -> Kept:
        return Kept(200, dumps(door.reader.read(lambda connection: act(door.scope(connection, caller), body))))

    return respond(request, await run_in_threadpool(work))


def list_(request: Request, act: Callable[[Scope, Page], tuple[list[dict[str, Any]], Any]]) -> Response:
    """A page of a list, with a Link to the next one."""
    door = door_of(request)
    caller = authenticate(request, "read")
    page = page_of(request)
    items, more = door.reader.read(lambda connection: act(door.scope(connection, caller), page))
    return Response(dumps({"items": items}), 200, next_page(request, more), "application/json")


def next_page(request: Request, more: Any) -> dict[str, str]:
    """The Link to the next page, which starts after `more` (None: there is none)."""
    if more is None:
        return {}
    place = base64.urlsafe_b64encode(str(more).encode()).decode().rstrip("=")
    return {"Link": f'<{request.url.include_query_params(after=place)}>; rel="next"'}


def label(text: str, parameter: str) -> str:
    """A name in an address as the shapes take it in a body."""
    if not 1 <= len(text) <= 120 or not text.isprintable():
        error = FieldError("is not a name", parameter=parameter, given=text[:40], allowed="1 to 120 printable characters")
        raise Invalid(f"{parameter}: must be 1 to 120 printable characters", errors=[error])
    return text


def day(text: str | None, parameter: str) -> date | None:
    """A day in a query."""
    found = moment(text, parameter)
    if isinstance(found, datetime):
        where = FieldError("must be a date like 2027-01-31", parameter=parameter, given=str(text)[:40])
        raise Invalid(f"{parameter}: must be a date like 2027-01-31", errors=[where])
    return found


def moment(text: str | None, parameter: str) -> date | datetime | None:
    """A day or a time in a query."""
    if text is None:
        return None
    try:
        found: date | datetime = MOMENT.validate_python(text)
    except ValidationError as error:
        said = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
        where = FieldError(said, parameter=parameter, given=text[:40])
        raise Invalid(f"{parameter}: {said}", errors=[where]) from None
    return found
