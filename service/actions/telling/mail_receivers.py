"""Mail receivers: addresses that get the digest, urgent alerts, or both."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row

from service.actions.papers import local
from service.actions.scope import Scope
from service.actions.telling import receivers
from service.shapes.telling import MailReceiverIn, MailReceiverPatch
from service.store import access

KIND = "mail"
UNSENT = "No mail is sent from here until STILLROOM_SMTP_URL and STILLROOM_MAIL_FROM are set."
UNTOLD = "No digest is told until the workshop has a `digest_hour`: PATCH /v1/workshop sets it."
COLUMNS = {"address": "address", "what": "wants", "name": "name", "active": "active"}


def create(scope: Scope, body: MailReceiverIn, mails: bool) -> dict[str, Any]:
    """A new mail receiver; `mails` is whether this service sends any."""
    return _shown(scope, [receivers.add(scope, KIND, body.name or body.address[:120], body.address, body.what)], mails)[0]


def show(scope: Scope, code: str, mails: bool) -> dict[str, Any]:
    """A mail receiver."""
    return _shown(scope, [receivers.of_code(scope, KIND, code)], mails)[0]


def list_(scope: Scope, after: int | None, limit: int, mails: bool) -> tuple[list[dict[str, Any]], int | None]:
    """Standing mail receivers, newest first."""
    rows, more = receivers.page(scope, KIND, after, limit)
    return _shown(scope, rows, mails), more


def edit(scope: Scope, code: str, patch: MailReceiverPatch, mails: bool) -> dict[str, Any]:
    """Change what was sent."""
    return _shown(scope, [receivers.edit(scope, KIND, code, patch, COLUMNS)], mails)[0]


def _shown(scope: Scope, rows: Sequence[Row[Any]], mails: bool) -> list[dict[str, Any]]:
    unsent = [] if mails else [{"type": "no-mail-server", "sentence": UNSENT}]
    told = access.workshop(scope.connection, scope.workshop.id).digest_hour is not None
    found = []
    for row in rows:
        what = row.wants.split()
        untold = [] if told or "digest" not in what else [{"type": "no-digest-hour", "sentence": UNTOLD}]
        found.append(
            {
                "code": row.code,
                "name": row.name,
                "address": row.address,
                "what": what,
                "active": row.active,
                "created_at": local(scope, row.created_at),
                "warnings": [*unsent, *untold],
            }
        )
    return found
