"""Deliveries over HTTP: what became of what was told."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions.telling import deliveries
from service.api import deps
from service.api.docs import doc
from service.shapes.base import Key
from service.shapes.telling import DeliveryOut, OneDeliveryOut, Plain, State

router = APIRouter(prefix="/v1/deliveries", tags=["Telling"])


@router.get("", **doc("List deliveries, newest first", answer=DeliveryOut, many=True))
def get_deliveries(
    request: Request, state: State | None = None, webhook: Annotated[Key | None, Query()] = None,
    mail_receiver: Annotated[Key | None, Query()] = None,
) -> Response:  # fmt: skip
    """One for each message and receiver; `state=parked` are those that were given up after more than a day of tries."""
    deps.authenticate(request, "manage")
    asked = (("webhook", webhook), ("mail", mail_receiver))
    return deps.list_(request, lambda scope, page: deliveries.list_(scope, state, asked, page.after_id(), page.limit))


@router.get("/{code}", **doc("Show a delivery", answer=OneDeliveryOut, problems=("not-found",)))
def get_delivery(request: Request, code: str) -> Response:
    """With what is sent, the tries so far, why the last one failed and when the next one is."""
    return deps.read(request, lambda scope: deliveries.show(scope, code), needs="manage")


@router.post("/{code}/retry", **doc("Try a delivery again now", request=Plain, answer=OneDeliveryOut, example={},
                                    problems=("not-found", "conflict")))  # fmt: skip
async def post_retry(request: Request, code: str) -> Response:
    """A parked one, or one that waits: it is tried at once, and then as often as a new one."""
    return await deps.write(request, "manage", Plain, lambda scope, _: deliveries.retry(scope, code), 200)
