"""Webhooks over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.telling import receivers, webhooks
from service.api import deps
from service.api.docs import doc
from service.shapes.telling import OneDispatchOut, Plain, WebhookIn, WebhookOut, WebhookPatch

router = APIRouter(prefix="/v1/webhooks", tags=["Telling"])
HOOK = {"url": "https://receiver.example/stillroom", "events": ["alert.opened", "alert.closed"], "name": "Bench display"}


def _private(request: Request) -> bool:
    return deps.door_of(request).settings.webhook_private


@router.post("", **doc("Tell an address of events", request=WebhookIn, answer=WebhookOut, status=201, example=HOOK))
async def post_webhook(request: Request) -> Response:
    """By signed requests (Standard Webhooks) of `{"type": "alert.opened", "timestamp": ..., "data": {...}}`.

    `webhook-id` stays the same when one is repeated, so that you can drop repeats. Anything but 2xx is tried again, for more than
    a day; redirects are not followed. `secret` is shown in this answer only; it is kept readable in the database, because
    messages are signed with it.
    """
    private = _private(request)
    return await deps.write(request, "manage", WebhookIn, lambda scope, body: webhooks.create(scope, body, private))


@router.get("", **doc("List webhooks, newest first", answer=WebhookOut, many=True))
def get_webhooks(request: Request) -> Response:
    """Without their secrets."""
    deps.authenticate(request, "manage")
    return deps.list_(request, lambda scope, page: webhooks.list_(scope, page.after_id(), page.limit))


@router.post("/{code}/secret", **doc("Replace a webhook's secret", request=Plain, answer=WebhookOut, status=201, example={},
                                     problems=("not-found",)))  # fmt: skip
async def post_secret(request: Request, code: str) -> Response:
    """For a day messages carry the signatures of the old and of the new one; `secret` is shown in this answer only."""
    return await deps.write(request, "manage", Plain, lambda scope, _: webhooks.replace_secret(scope, code))


@router.post("/{code}/test", **doc("Try a webhook out", request=Plain, answer=OneDispatchOut, status=201, example={},
                                   problems=("not-found", "conflict")))  # fmt: skip
async def post_test(request: Request, code: str) -> Response:
    """Sends it a message of the event `test`; `GET /v1/dispatches/{code}` shows what became of it."""
    return await deps.write(request, "manage", Plain, lambda scope, _: receivers.try_out(scope, webhooks.KIND, code))


@router.get("/{code}", **doc("Show a webhook", answer=WebhookOut, problems=("not-found",)))
def get_webhook(request: Request, code: str) -> Response:
    """Without its secret."""
    return deps.read(request, lambda scope: webhooks.show(scope, code), needs="manage")


@router.patch("/{code}", **doc("Change a webhook", request=WebhookPatch, answer=WebhookOut, example={"active": True},
                               problems=("not-found",)))  # fmt: skip
async def patch_webhook(request: Request, code: str) -> Response:
    """While it is not `active` it is told nothing new, and what waits for it keeps waiting."""
    private = _private(request)
    return await deps.write(
        request, "manage", WebhookPatch, lambda scope, body: webhooks.edit(scope, code, body, private), 200,
        shown=lambda scope: webhooks.show(scope, code),
    )  # fmt: skip


@router.delete("/{code}", **doc("Remove a webhook", status=204, problems=("not-found",)))
async def delete_webhook(request: Request, code: str) -> Response:
    """It is told nothing more; what still waits for it is parked."""
    return await deps.write(request, "manage", None, lambda scope, _: receivers.remove(scope, webhooks.KIND, code), 204)
