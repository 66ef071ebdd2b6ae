"""Webhooks, mail receivers, dispatches and calendar feeds."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, WithJsonSchema

from service.settings import is_mail_address
from service.shapes.base import Answered, Asked, Label, Warned

Event = Literal["alert.opened", "alert.updated", "alert.closed", "digest"]
Mailed = Literal["digest", "urgent"]
State = Literal["waiting", "sent", "parked"]
URL_SCHEMA = {"type": "string", "format": "uri", "minLength": 1, "maxLength": 2000}
MAIL_SCHEMA = {"type": "string", "format": "email", "minLength": 3, "maxLength": 254}


def _mail_address(value: str) -> str:
    if not is_mail_address(value):
        raise ValueError("must be one mail address like maker@example.org")
    return value


Url = Annotated[str, Field(min_length=1, max_length=2000), WithJsonSchema(URL_SCHEMA)]  # judged where the settings are known
MailAddress = Annotated[str, AfterValidator(_mail_address), WithJsonSchema(MAIL_SCHEMA)]


class Plain(Asked):
    """Nothing needs to be said."""


class WebhookIn(Asked):
    """An address that is told of events by signed requests."""

    url: Url
    events: list[Event] = Field(["alert.opened", "alert.updated", "alert.closed", "digest"], min_length=1, max_length=4)
    name: Label | None = None


class WebhookPatch(Asked):
    """What may change of a webhook."""

    url: Url | None = None
    events: list[Event] | None = Field(None, min_length=1, max_length=4)
    name: Label | None = None
    active: bool | None = None


class WebhookOut(Answered):
    """A webhook; `secret` is in the answer that made it only, `quiet_until` is what its last Retry-After asked for."""

    code: str
    name: str
    url: str
    events: list[Event]
    active: bool
    quiet_until: str | None
    old_secret_until: str | None
    created_at: str
    secret: str | None = None


class MailReceiverIn(Asked):
    """A mail address that gets the daily digest, urgent alerts, or both."""

    address: MailAddress
    what: list[Mailed] = Field(["digest", "urgent"], min_length=1, max_length=2)
    name: Label | None = None


class MailReceiverPatch(Asked):
    """What may change of a mail receiver."""

    address: MailAddress | None = None
    what: list[Mailed] | None = Field(None, min_length=1, max_length=2)
    name: Label | None = None
    active: bool | None = None


class MailReceiverOut(Answered):
    """A mail receiver."""

    code: str
    name: str
    address: str
    what: list[Mailed]
    active: bool
    created_at: str
    warnings: list[Warned]


class DispatchOut(Answered):
    """One message for one receiver: `message` is the id by which the receiver drops repeats."""

    code: str
    message: str
    event: Literal["alert.opened", "alert.updated", "alert.closed", "digest", "test"]
    webhook: str | None
    mail_receiver: str | None
    state: State
    created_at: str
    attempts: int
    last_try_at: str | None
    last_status: int | None
    last_error: str | None
    next_try_at: str | None
    sent_at: str | None


class OneDispatchOut(DispatchOut):
    """The same with what is sent."""

    body: dict[str, Any]


class CalendarFeedIn(Asked):
    """A calendar feed for a device or a person."""

    name: Label


class CalendarFeedOut(Answered):
    """A calendar feed; its address, which is its secret, is in the answer that made it only."""

    code: str
    name: str
    created_on: str
    last_used_on: str | None
    secret_address: str | None = None
