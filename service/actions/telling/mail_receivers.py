"""Mail receivers: addresses that get the digest, urgent alerts, or both."""

from typing import Any

from sqlalchemy import Row

from service.actions.papers import local
from service.actions.scope import Scope
from service.actions.telling import receivers
from service.shapes.telling import MailReceiverIn, MailReceiverPatch

KIND = "mail"
UNSENT = "No mail is sent from here until STILLROOM_SMTP_URL and STILLROOM_MAIL_FROM are set."
COLUMNS = {"address": "address", "what": "wants", "name": "name", "active": "active"}


def create(scope: Scope, body: MailReceiverIn, mails: bool) -> dict[str, Any]:
    """A new mail receiver; `mails` is whether this service sends any."""
    return _shown(scope, receivers.add(scope, KIND, body.name or body.address[:120], body.address, body.what), mails)


def show(scope: Scope, code: str, mails: bool) -> dict[str, Any]:
    """A mail receiver."""
    return _shown(scope, receivers.of_code(scope, KIND, code), mails)


def list_(scope: Scope, after: int | None, limit: int, mails: bool) -> tuple[list[dict[str, Any]], int | None]:
    """Standing mail receivers, newest first."""
    rows, more = receivers.page(scope, KIND, after, limit)
    return [_shown(scope, row, mails) for row in rows], more


def edit(scope: Scope, code: str, patch: MailReceiverPatch, mails: bool) -> dict[str, Any]:
    """Change what was sent."""
    return _shown(scope, receivers.edit(scope, KIND, code, patch, COLUMNS), mails)


def _shown(scope: Scope, row: Row[Any], mails: bool) -> dict[str, Any]:
    return {
        "code": row.code,
        "name": row.name,
        "address": row.address,
        "what": row.wants.split(),
        "active": row.active,
        "created_at": local(scope, row.created_at),
        "warnings": [] if mails else [{"type": "no-mail-server", "sentence": UNSENT}],
    }
