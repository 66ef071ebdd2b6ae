"""Places over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import places
from service.api import deps
from service.api.docs import doc
from service.shapes.lots import PlaceOut, PlacePatch

router = APIRouter(prefix="/v1/places", tags=["Lots"])


@router.get("", **doc("List places with what lies there", answer=PlaceOut, many=True))
def get_places(request: Request) -> Response:
    """By name; a place comes into being with the first lot that is put there."""
    return deps.list_(request, lambda scope, page: places.list_(scope, page.after, page.limit))


@router.get("/{place:path}", **doc("Show a place", answer=PlaceOut, problems=("not-found",)))
def get_place(request: Request, place: str) -> Response:
    """What lies there, and whether production draws from it."""
    return deps.read(request, lambda scope: places.show(scope, place))


@router.patch("/{place:path}", **doc("Change a place", request=PlacePatch, answer=PlaceOut, example={"production": False}))
async def patch_place(request: Request, place: str) -> Response:
    """Production never draws by itself from a place that is not for production."""
    return await deps.write(
        request, "manage", PlacePatch, lambda scope, body: places.edit(scope, deps.label(place, "place"), body), 200,
        shown=lambda scope: places.show(scope, place),
    )  # fmt: skip
