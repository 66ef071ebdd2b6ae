"""Answers that are computed: read in one snapshot, computed in the child process without a connection, then said."""

from collections.abc import Callable
from typing import Any, Protocol

from fastapi import Request, Response

from service.actions.compute import CHILD
from service.actions.once import dumps
from service.actions.scope import Scope
from service.api import deps
from service.api.accept import etag, has, wants_text
from service.api.callers import Caller


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
