"""Reversals over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import reversals
from service.api import deps
from service.api.docs import doc
from service.shapes.papers import ReversalIn, ReversalOut

router = APIRouter(prefix="/v1/reversals", tags=["Reversals"])
EXAMPLE = {"document": "D-0001", "reason": "booked twice"}


@router.post(
    "",
    **doc(
        "Record a reversal",
        request=ReversalIn,
        answer=ReversalOut,
        status=201,
        example=EXAMPLE,
        problems=("already-reversed", "still-in-use"),
    ),
)
async def post_reversal(request: Request) -> Response:
    """Takes a receipt, count, disposal or run out whole, once."""
    return await deps.write(request, "record", ReversalIn, reversals.record)


@router.get("", **doc("List reversals, newest first", answer=ReversalOut, many=True))
def get_reversals(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: reversals.list_(scope, page.after_id(), page.limit))


@router.get("/{reversal}", **doc("Show a reversal", answer=ReversalOut, problems=("not-found",)))
def get_reversal(request: Request, reversal: str) -> Response:
    """As known now."""
    return deps.read(request, lambda scope: reversals.show(scope, reversal), sentence=True)
