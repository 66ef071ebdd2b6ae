"""Splits over HTTP; they are recorded under the lot they divide."""

from fastapi import APIRouter, Request, Response

from service.actions import splits
from service.api import deps
from service.api.docs import doc
from service.shapes.lots import SplitIn, SplitOut

router = APIRouter(prefix="/v1", tags=["Lots"])
BOX = {"quantity": 500, "place": "market box"}


@router.post("/lots/{code}/splits", **doc("Split a lot", request=SplitIn, answer=SplitOut, status=201, example=BOX,
                                          problems=("not-enough-stock", "lot-not-there-yet")))  # fmt: skip
async def post_split(request: Request, code: str) -> Response:
    """Decanting, one opened tub of five, part held in quarantine, a box for the market: a lot of its own."""
    return await deps.write(request, "record", SplitIn, lambda scope, body: splits.record(scope, code, body))


@router.get("/splits", **doc("List splits, newest first", answer=SplitOut, many=True))
def get_splits(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: splits.list_(scope, page.after_id(), page.limit))


@router.get("/splits/{split}", **doc("Show a split", answer=SplitOut, problems=("not-found",)))
def get_split(request: Request, split: str) -> Response:
    """As known now."""
    return deps.read(request, lambda scope: splits.show(scope, split), sentence=True)
