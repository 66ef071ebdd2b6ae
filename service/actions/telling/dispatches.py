"""What became of each message at each receiver, and having it tried again."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row

from service.actions.paging import onward
from service.actions.papers import local
from service.actions.scope import Scope
from service.errors import Conflict, NotFound
from service.store import outbox, receivers


def list_(
    scope: Scope, state: str | None, asked: Sequence[tuple[str, str | None]], after: int | None, limit: int
) -> tuple[list[dict[str, Any]], int | None]:
    """Dispatches, newest first, and where the next page starts; `asked` names receivers by kind."""
    rows = outbox.page(scope.connection, scope.workshop.id, state, asked, after, limit + 1)
    return [_shown(scope, row) for row in rows[:limit]], onward(rows, limit)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A dispatch with what is sent."""
    row = _of_code(scope, code)
    return _shown(scope, row) | {"body": json.loads(row.body)}


def retry(scope: Scope, code: str) -> dict[str, Any]:
    """Have a parked or waiting dispatch tried at once, and as often as a new one."""
    row = _of_code(scope, code)
    if row.state == "sent":
        raise Conflict(f"dispatch {code} has arrived", state=row.state)
    if row.removed_at is not None:
        raise Conflict(f"the receiver of {code} was removed", receiver=row.receiver)
    if not row.active:
        raise Conflict(f"the receiver of {code} is switched off: set `active` to true", receiver=row.receiver)
    outbox.again(scope.connection, scope.workshop.id, row.id, scope.now)
    receivers.change(scope.connection, scope.workshop.id, row.receiver_id, {"quiet_until": None})
    return show(scope, code)


def _of_code(scope: Scope, code: str) -> Row[Any]:
    row = outbox.by_code(scope.connection, scope.workshop.id, code)
    if row is None:
        raise NotFound(f"there is no dispatch '{code}'")
    return row


def _shown(scope: Scope, row: Row[Any]) -> dict[str, Any]:
    return {
        "code": row.code,
        "message": row.message,
        "event": row.event,
        "webhook": row.receiver if row.kind == "webhook" else None,
        "mail_receiver": row.receiver if row.kind == "mail" else None,
        "state": row.state,
        "created_at": local(scope, row.created_at),
        "attempts": row.attempts,
        "last_try_at": local(scope, row.tried_at),
        "last_status": row.status,
        "last_error": row.error,
        "next_try_at": local(scope, row.due_at) if row.state == "waiting" else None,
        "sent_at": local(scope, row.sent_at),
    }
