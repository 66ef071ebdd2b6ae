"""Tokens and the workshop over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import access
from service.api import deps
from service.api.docs import doc
from service.shapes.access import TokenIn, TokenOut, WorkshopOut, WorkshopPatch

router = APIRouter(prefix="/v1")
PHONE = {"name": "phone at the bench", "scopes": ["record"]}


@router.get("/workshop", **doc("Show the workshop", answer=WorkshopOut, tag="Workshop"))
def get_workshop(request: Request) -> Response:
    """Name, zone, currency, first day of the week, days of warning before expiry."""
    return deps.read(request, access.show_workshop)


@router.patch("/workshop", **doc("Change the workshop", request=WorkshopPatch, answer=WorkshopOut,
                                 example={"expiry_warning_days": 45}, tag="Workshop"))  # fmt: skip
async def patch_workshop(request: Request) -> Response:
    """Only what is sent changes; the currency is fixed once money exists."""
    answer = await deps.write(request, "manage", WorkshopPatch, access.edit_workshop, 200, shown=access.show_workshop)
    deps.door_of(request).forget()
    return answer


@router.post("/tokens", **doc("Make a token", request=TokenIn, answer=TokenOut, status=201, example=PHONE, tag="Tokens"))
async def post_token(request: Request) -> Response:
    """`token` is shown in this answer only."""
    return await deps.write(request, "manage", TokenIn, access.create_token)


@router.get("/tokens", **doc("List tokens", answer=TokenOut, many=True, tag="Tokens"))
def get_tokens(request: Request) -> Response:
    """Standing tokens, with their last use."""
    return deps.list_(request, lambda scope, page: access.list_tokens(scope, page.after, page.limit))


@router.delete("/tokens/{code}", **doc("Revoke a token", status=204, tag="Tokens"))
async def delete_token(request: Request, code: str) -> Response:
    """It stops working at once."""
    answer = await deps.write(request, "manage", None, lambda scope, _: access.revoke_token(scope, code), 204)
    deps.door_of(request).forget()
    return answer
