"""The calendar over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.selling import calendar_marks
from service.api import deps
from service.api.docs import doc
from service.shapes.calendar import MarkIn, MarkOut, MarkPatch

router = APIRouter(prefix="/v1/calendar-marks", tags=["Forecasts"])
CLOSED = {"kind": "closed", "from_on": "2100-12-24", "until_on": "2100-12-31", "note": "between the years"}


@router.post("", **doc("Mark days on the calendar", request=MarkIn, answer=MarkOut, status=201, example=CLOSED))
async def post_mark(request: Request) -> Response:
    """`closed`: nothing is sold, and nothing is learnt of it. `promotion`: what it lifts is no new level, and coming ones lift
    the forecast as past ones did. `market_day`: what markets sell follows their days. Days past and to come."""
    return await deps.write(request, "manage", MarkIn, calendar_marks.create)


@router.get("", **doc("List marks on the calendar, newest first", answer=MarkOut, many=True))
def get_marks(request: Request) -> Response:
    """As they were told."""
    return deps.list_(request, lambda scope, page: calendar_marks.list_(scope, page.after_id(), page.limit))


@router.get("/{mark}", **doc("Show a mark on the calendar", answer=MarkOut, problems=("not-found",)))
def get_mark(request: Request, mark: str) -> Response:
    """Its days, and what it concerns."""
    return deps.read(request, lambda scope: calendar_marks.show(scope, mark), sentence=True)


@router.patch("/{mark}", **doc("Change a mark on the calendar", request=MarkPatch, answer=MarkOut, example={"note": "moved"}))
async def patch_mark(request: Request, mark: str) -> Response:
    """Its days, and what it concerns; only what is sent changes."""
    return await deps.write(
        request, "manage", MarkPatch, lambda scope, body: calendar_marks.edit(scope, mark, body), 200,
        shown=lambda scope: calendar_marks.show(scope, mark),
    )  # fmt: skip


@router.delete("/{mark}", **doc("Take a mark off the calendar", status=204, problems=("not-found",)))
async def delete_mark(request: Request, mark: str) -> Response:
    """The days are like others again."""
    return await deps.write(request, "manage", None, lambda scope, _: calendar_marks.remove(scope, mark), 204)
