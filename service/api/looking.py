"""Answers that follow a look: the alerts are brought to what the books say before they are read."""

from collections.abc import Callable
from typing import Any

from fastapi import Request, Response

from service.actions.once import dumps
from service.actions.scope import Scope
from service.actions.telling.look import look
from service.api import deps
from service.api.accept import etag, has, wants_text


def looked(request: Request) -> None:
    """Look at the caller's books now."""
    door = deps.door_of(request)
    caller = deps.authenticate(request, "read")
    look(door.reader, door.waiting, lambda connection: door.scope(connection, caller))


def paged(request: Request, act: Callable[[Scope], tuple[dict[str, Any], Any]]) -> Response:
    """An answer whose `items` come in pages, with a Link to the next; a strong ETag, or its sentence."""
    door = deps.door_of(request)
    caller = deps.authenticate(request, "read")
    answer, more = door.reader.read(lambda connection: act(door.scope(connection, caller)))
    if wants_text(request):
        return Response(answer["sentence"] + "\n", 200, media_type=deps.TEXT)
    body = dumps(answer)
    tag = etag(body)
    if has(request, tag):
        return Response(None, 304, {"ETag": tag})
    return Response(body, 200, {"ETag": tag} | deps.next_page(request, more), "application/json")
