"""Lots over HTTP."""

from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from service.actions import lots
from service.api import deps
from service.api.docs import doc
from service.shapes.lots import LotEdited, LotPatch
from service.shapes.materials import LotOut

router = APIRouter(prefix="/v1/lots", tags=["Lots"])
RELEASE = {"status": "released", "status_reason": "certificate checked"}


@router.get("", **doc("List lots", answer=LotOut, many=True))
def get_lots(
    request: Request,
    item: Annotated[str | None, Query(max_length=64)] = None,
    status: Literal["quarantined", "released", "rejected"] | None = None,
    place: Annotated[str | None, Query(max_length=120)] = None,
    expires_before: date | None = None,
    empty: bool = False,
) -> Response:
    """By code; emptied lots only with `empty=true`."""
    return deps.list_(
        request,
        lambda scope, page: lots.list_(
            scope, item=item, status=status, place=place, expires_before=expires_before, empty=empty,
            after=page.after, limit=page.limit,
        ),
    )  # fmt: skip


@router.get("/{code}", **doc("Show a lot", answer=LotOut, problems=("not-found",)))
def get_lot(request: Request, code: str) -> Response:
    """What is left of it, and what that is worth."""
    return deps.read(request, lambda scope: lots.show(scope, code))


@router.patch("/{code}", **doc("Change a lot", request=LotPatch, answer=LotEdited, example=RELEASE))
async def patch_lot(request: Request, code: str) -> Response:
    """Status (keeps who, when and why), dates, place, certificate; each change is kept as a document."""
    return await deps.write(
        request, "record", LotPatch, lambda scope, body: lots.edit(scope, code, body), 200,
        shown=lambda scope: lots.show(scope, code),
    )  # fmt: skip
