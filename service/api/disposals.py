"""Disposals over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import disposals
from service.api import deps
from service.api.docs import doc
from service.shapes.papers import DisposalIn, DisposalOut

router = APIRouter(prefix="/v1/disposals", tags=["Disposals"])
EXAMPLE = {"lot": "L-0001", "quantity": 20, "reason": "spoiled"}


@router.post(
    "",
    **doc(
        "Record a disposal",
        request=DisposalIn,
        answer=DisposalOut,
        status=201,
        example=EXAMPLE,
        problems=("not-enough-stock", "lot-not-there-yet"),
    ),
)
async def post_disposal(request: Request) -> Response:
    """What left the shelf without being made or sold."""
    return await deps.write(request, "record", DisposalIn, disposals.record)


@router.get("", **doc("List disposals, newest first", answer=DisposalOut, many=True))
def get_disposals(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: disposals.list_(scope, page.after_id(), page.limit))


@router.get("/{disposal}", **doc("Show a disposal", answer=DisposalOut, problems=("not-found",)))
def get_disposal(request: Request, disposal: str) -> Response:
    """As known now."""
    return deps.read(request, lambda scope: disposals.show(scope, disposal), sentence=True)
