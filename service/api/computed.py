"""Answers that are computed: read in one snapshot, computed in the child process without a connection, then said."""

from collections.abc import Callable
from typing import Any, Protocol

from fastapi import Request, Response
from pydantic import BaseModel
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service.actions.compute import CHILD
from service.actions.once import Kept, dumps, fingerprint, once, replayed
from service.actions.scope import Scope
from service.api import deps
from service.api.accept import etag, has, wants_text
from service.api.bodies import key_of, parsed
from service.api.callers import Caller


class Planned(Protocol):
    """A question whose answer is kept."""

    @property
    def tasks(self) -> list[tuple[Any, ...]]:
        """The child's tasks."""

    def keep(self, scope: Scope, computed: list[Any]) -> dict[str, Any]:
        """Keep the answer made of theirs, in the act's transaction."""


class Question(Protocol):
    """What the books hold of a question: the child's tasks, and the answer made of theirs."""

    @property
    def tasks(self) -> list[tuple[Any, ...]]:
        """The child's tasks."""

    def answer(self, computed: list[Any]) -> dict[str, Any]:
        """The answer."""


def answer(request: Request, caller: Caller, ask: Callable[[Scope], Question], tagged: bool = True) -> Response:
    """One computed answer; a strong ETag, 304 when the caller has it."""
    door = deps.door_of(request)
    question = door.reader.read(lambda connection: ask(door.scope(connection, caller)))
    said = question.answer([CHILD.run(*task) for task in question.tasks])
    if wants_text(request):
        return Response(said["sentence"] + "\n", 200, media_type=deps.TEXT)
    body = dumps(said)
    if not tagged:
        return Response(body, 200, media_type="application/json")
    tag = etag(body)
    if has(request, tag):
        return Response(None, 304, {"ETag": tag})
    return Response(body, 200, {"ETag": tag}, "application/json")


async def kept(request: Request, needs: str, shape: type[BaseModel], ask: Callable[[Scope, Any], Planned]) -> Response:
    """A computed answer that is kept: read in one snapshot, computed without a connection, then written; 201."""
    door, caller = deps.door_of(request), await deps.admit(request, needs)
    body = shape.model_validate(await parsed(request, False))
    key = key_of(request)
    print_ = fingerprint(request.method, request.url.path, body)

    def compute() -> tuple[Kept | Planned, list[Any]]:
        def look(connection: Connection) -> Kept | Planned:
            scope = door.scope(connection, caller)
            return replayed(scope, key, print_) or ask(scope, body)

        found = door.reader.read(look)
        return found, [] if isinstance(found, Kept) else [CHILD.run(*task) for task in found.tasks]

    found, computed = await run_in_threadpool(compute)
    if isinstance(found, Kept):
        return deps.respond(request, found)

    def work(connection: Connection) -> Kept:
        return once(door.scope(connection, caller), key, print_, 201, lambda scope: found.keep(scope, computed))

    return deps.respond(request, await door.writer.write(work))
