"""Alerts over HTTP: what needs doing."""

from typing import Literal

from fastapi import APIRouter, Request, Response

from service.actions.telling import alerts
from service.api import deps
from service.api.docs import doc
from service.api.looking import looked, paged
from service.api.pages import page_of
from service.shapes.alerts import AcknowledgementIn, AlertOut, AlertsOut, Kind, OneAlertOut, PostponementIn

router = APIRouter(prefix="/v1/alerts", tags=["Alerts"])


@router.get("", **doc("What needs doing?", answer=AlertsOut, problems=("invalid-value",), paged=True))
def get_alerts(request: Request, state: Literal["open", "closed", "all"] = "open", kind: Kind | None = None) -> Response:
    """As the books are now: open alerts, most urgent first; closed ones, or all, newest first. As `text/plain`: what needs
    doing today (of that kind), one sentence a line, without what was acknowledged or put off."""
    looked(request)
    page = page_of(request)
    return paged(request, lambda scope: alerts.list_(scope, state, kind, page.after_id(), page.limit))


@router.get("/{code}", **doc("Show an alert", answer=OneAlertOut, problems=("not-found",)))
def get_alert(request: Request, code: str) -> Response:
    """As the books are now, with what became of it since it opened."""
    looked(request)
    return deps.read(request, lambda scope: alerts.show(scope, code), sentence=True)


@router.post(
    "/{code}/acknowledgement", **doc("Say that an alert was seen", request=AcknowledgementIn, answer=AlertOut, example={})
)
async def post_acknowledgement(request: Request, code: str) -> Response:
    """It is not told again until it becomes more pressing, and closes by itself when its cause is gone."""
    return await deps.write(request, "record", AcknowledgementIn, lambda scope, body: alerts.acknowledge(scope, code, body), 200)


@router.post("/{code}/postponement", **doc("Put an alert off", request=PostponementIn, answer=AlertOut,
                                           example={"until": "2100-01-01"}))  # fmt: skip
async def post_postponement(request: Request, code: str) -> Response:
    """It is not told until that day, unless it becomes more pressing."""
    return await deps.write(request, "record", PostponementIn, lambda scope, body: alerts.postpone(scope, code, body), 200)
