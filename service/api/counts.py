"""Counts over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import counts
from service.api import deps
from service.api.docs import doc
from service.shapes.papers import CountIn, CountOut

router = APIRouter(prefix="/v1/counts", tags=["Counts"])
EXAMPLE = {"material": "beeswax", "counted": 1840}


@router.post("", **doc("Record a count", request=CountIn, answer=CountOut, status=201, example=EXAMPLE, problems=("conflict",)))
async def post_count(request: Request) -> Response:
    """What is really on the shelf; the difference is posted."""
    return await deps.write(request, "record", CountIn, counts.record)


@router.get("", **doc("List counts, newest first", answer=CountOut, many=True))
def get_counts(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: counts.list_(scope, page.after_id(), page.limit))


@router.get("/{count}", **doc("Show a count", answer=CountOut, problems=("not-found",)))
def get_count(request: Request, count: str) -> Response:
    """As known now."""
    return deps.read(request, lambda scope: counts.show(scope, count), sentence=True)
