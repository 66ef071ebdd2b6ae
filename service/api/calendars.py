"""The calendar feed over HTTP, and the addresses it is read by."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions.telling import calendar
from service.api import deps
from service.api.accept import etag, has
from service.api.docs import ALWAYS, doc, refusals
from service.shapes.telling import CalendarFeedIn, CalendarFeedOut

router = APIRouter(prefix="/v1", tags=["Telling"])
PHONE = {"name": "Calendar of the phone"}
HAVE_IT = {"description": "What you have is what there is."}


class Calendar(Response):
    """RFC 5545."""

    media_type = "text/calendar"


@router.post("/calendar-feeds", **doc("Make an address of the calendar", request=CalendarFeedIn, answer=CalendarFeedOut,
                                      status=201, example=PHONE))  # fmt: skip
async def post_calendar_feed(request: Request) -> Response:
    """For a calendar's "subscribe": `secret_address` is shown in this answer only, and lets read the calendar, no more."""
    base = deps.door_of(request).settings.public_url or str(request.base_url).rstrip("/")
    return await deps.write(request, "manage", CalendarFeedIn, lambda scope, body: calendar.create(scope, body, base))


@router.get("/calendar-feeds", **doc("List the addresses of the calendar", answer=CalendarFeedOut, many=True))
def get_calendar_feeds(request: Request) -> Response:
    """Standing ones with their last use, without the addresses themselves."""
    deps.authenticate(request, "manage")
    return deps.list_(request, lambda scope, page: calendar.list_(scope, page.after, page.limit))


@router.delete("/calendar-feeds/{code}", **doc("Revoke an address of the calendar", status=204, problems=("not-found",)))
async def delete_calendar_feed(request: Request, code: str) -> Response:
    """It stops working at once."""
    answer = await deps.write(request, "manage", None, lambda scope, _: calendar.revoke(scope, code), 204)
    deps.door_of(request).forget()
    return answer


@router.get(
    "/calendar.ics", summary="Read the calendar", response_class=Calendar,
    responses={200: {"description": "As asked."}, 304: HAVE_IT, **refusals(*ALWAYS, "invalid-value")},
)  # fmt: skip
def get_calendar(request: Request, token: Annotated[str, Query(max_length=400)] = "") -> Response:
    """Days to order, last usable days, due orders, batches that become ready, deliveries expected. No other token is needed.

    What is overdue (an order to place, to ship or to receive) stands on today.
    """
    body = deps.read_by_address(request, token, calendar.SCOPE, calendar.text)
    tag = etag(body)
    headers = {"ETag": tag, "Cache-Control": "private"}
    if has(request, tag):
        return Response(None, 304, headers)
    return Calendar(body, 200, headers)
