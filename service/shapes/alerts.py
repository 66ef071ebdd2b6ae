"""Alerts: what needs doing, and what was said about it."""

from typing import Any, Literal

from service.shapes.base import Answered, Asked, Day

Kind = Literal[
    "order-now", "runs-out-before-delivery", "expires-soon", "will-expire-unused", "expired-on-the-shelf", "re-test-due",
    "count-wanted", "customer-order-at-risk", "batch-ready", "purchase-order-late",
]  # fmt: skip
SeverityName = Literal["urgent", "warning", "notice"]


class AcknowledgementIn(Asked):
    """Seen: it is not told again until it becomes more pressing."""


class PostponementIn(Asked):
    """Not to be told until a day, unless it becomes more pressing."""

    until: Day


class AskOut(Answered):
    """A field of a suggested request that a person fills in."""

    field: str
    says: str


class ActOut(Answered):
    """What would help, and the request that does it, once `asks` are filled in."""

    says: str
    method: str
    path: str
    body: dict[str, Any] | None
    asks: list[AskOut]


class AlertOut(Answered):
    """Something that needs doing, or needed it; `speaks`: whether it is told today."""

    alert: str
    kind: Kind
    subject: str
    severity: SeverityName
    day: str | None
    sentence: str
    facts: dict[str, Any]
    act: ActOut
    state: Literal["open", "closed"]
    speaks: bool
    opened_at: str
    updated_at: str
    closed_at: str | None
    acknowledged: SeverityName | None
    acknowledged_at: str | None
    acknowledged_by: str | None
    put_off_until: str | None
    put_off_by: str | None


class StepOut(Answered):
    """What happened to an alert, and what it said then."""

    step: Literal["opened", "updated", "acknowledged", "put_off", "closed"]
    at: str
    by: str | None
    severity: SeverityName
    sentence: str
    until: str | None


class OneAlertOut(AlertOut):
    """An alert with all that became of it, oldest first."""

    history: list[StepOut]


class AlertsOut(Answered):
    """Alerts as of a day; `sentence` is what needs doing today, a line each, most urgent first. The forecast that dates of
    run-outs, orders and unused lots follow from is of `forecast_as_of` (null: there was none yet)."""

    as_of: str
    forecast_as_of: str | None
    sentence: str
    items: list[AlertOut]
