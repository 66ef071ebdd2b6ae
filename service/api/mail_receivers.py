"""Mail receivers over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.telling import mail_receivers, receivers
from service.api import deps
from service.api.docs import doc
from service.shapes.telling import MailReceiverIn, MailReceiverOut, MailReceiverPatch, OneDispatchOut, Plain

router = APIRouter(prefix="/v1/mail-receivers", tags=["Telling"])
MAKER = {"address": "maker@workshop.example", "what": ["digest", "urgent"]}


def _mails(request: Request) -> bool:
    return deps.door_of(request).settings.mails


@router.post("", **doc("Tell a mail address", request=MailReceiverIn, answer=MailReceiverOut, status=201, example=MAKER))
async def post_mail_receiver(request: Request) -> Response:
    """`digest`: each day at the workshop's `digest_hour` what needs doing; `urgent`: each urgent alert, once."""
    mails = _mails(request)
    return await deps.write(request, "manage", MailReceiverIn, lambda scope, body: mail_receivers.create(scope, body, mails))


@router.get("", **doc("List mail receivers, newest first", answer=MailReceiverOut, many=True))
def get_mail_receivers(request: Request) -> Response:
    """Who is told by mail, and of what."""
    deps.authenticate(request, "manage")
    mails = _mails(request)
    return deps.list_(request, lambda scope, page: mail_receivers.list_(scope, page.after_id(), page.limit, mails))


@router.post("/{code}/test", **doc("Try a mail receiver out", request=Plain, answer=OneDispatchOut, status=201, example={},
                                   problems=("not-found", "conflict")))  # fmt: skip
async def post_test(request: Request, code: str) -> Response:
    """Sends it a mail; `GET /v1/dispatches/{code}` shows what became of it."""
    return await deps.write(request, "manage", Plain, lambda scope, _: receivers.try_out(scope, mail_receivers.KIND, code))


@router.get("/{code}", **doc("Show a mail receiver", answer=MailReceiverOut, problems=("not-found",)))
def get_mail_receiver(request: Request, code: str) -> Response:
    """Its address, and what it is told of."""
    return deps.read(request, lambda scope: mail_receivers.show(scope, code, _mails(request)), needs="manage")


@router.patch("/{code}", **doc("Change a mail receiver", request=MailReceiverPatch, answer=MailReceiverOut,
                               example={"what": ["digest"]}, problems=("not-found",)))  # fmt: skip
async def patch_mail_receiver(request: Request, code: str) -> Response:
    """While it is not `active` it is told nothing new, and what waits for it keeps waiting."""
    mails = _mails(request)
    return await deps.write(
        request, "manage", MailReceiverPatch, lambda scope, body: mail_receivers.edit(scope, code, body, mails), 200,
        shown=lambda scope: mail_receivers.show(scope, code, mails),
    )  # fmt: skip


@router.delete("/{code}", **doc("Remove a mail receiver", status=204, problems=("not-found",)))
async def delete_mail_receiver(request: Request, code: str) -> Response:
    """It is told nothing more; what still waits for it is parked."""
    return await deps.write(request, "manage", None, lambda scope, _: receivers.remove(scope, mail_receivers.KIND, code), 204)
