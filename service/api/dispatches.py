"""Dispatches over HTTP: what became of what was told."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions.telling import dispatches
from service.api import deps
from service.api.docs import doc
from service.shapes.base import Key
from service.shapes.telling import DispatchOut, OneDispatchOut, Plain, State

router = APIRouter(prefix="/v1/dispatches", tags=["Telling"])


@router.get("", **doc("List dispatches, newest first", answer=DispatchOut, many=True))
def get_dispatches(
    request: Request, state: State | None = None, webhook: Annotated[Key | None, Query()] = None,
    mail_receiver: Annotated[Key | None, Query()] = None,
) -> Response:  # fmt: skip
    """One for each message and receiver; `state=parked` are those that were given up after more than a day of tries.

    What arrived or is parked is deleted ninety days after it was told.
    """
    deps.authenticate(request, "manage")
    asked = (("webhook", webhook), ("mail", mail_receiver))
    return deps.list_(request, lambda scope, page: dispatches.list_(scope, state, asked, page.after_id(), page.limit))


@router.get("/{code}", **doc("Show a dispatch", answer=OneDispatchOut, problems=("not-found",)))
def get_dispatch(request: Request, code: str) -> Response:
    """With what is sent, the tries so far, why the last one failed and when the next one is."""
    return deps.read(request, lambda scope: dispatches.show(scope, code), needs="manage")


@router.post("/{code}/retry", **doc("Try a dispatch again now", request=Plain, answer=OneDispatchOut, example={},
                                    problems=("not-found", "conflict")))  # fmt: skip
async def post_retry(request: Request, code: str) -> Response:
    """A parked one, or one that waits: it is tried at once, and then as often as a new one."""
    return await deps.write(request, "manage", Plain, lambda scope, _: dispatches.retry(scope, code), 200)
