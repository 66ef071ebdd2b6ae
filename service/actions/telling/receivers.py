"""What webhooks and mail receivers have in common."""

import secrets
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel
from sqlalchemy import Row

from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.telling import dispatches, outbox
from service.errors import Conflict, Invalid, NotFound
from service.store import receivers

SAID = {"webhook": "webhook", "mail": "mail receiver"}


def add(scope: Scope, kind: str, name: str, address: str, wants: Sequence[str], **more: Any) -> Row[Any]:
    """A new receiver."""
    code = f"{kind[0]}-{secrets.token_hex(4)}"
    values = {
        "id": scope.new_id(), "code": code, "kind": kind, "name": name, "address": address, "wants": _words(wants),
        "active": True, "secrets": "[]", "quiet_until": None, "created_at": scope.now, "removed_at": None,
    }  # fmt: skip
    receivers.add(scope.connection, scope.workshop.id, values | more)
    return of_code(scope, kind, code)


def of_code(scope: Scope, kind: str, code: str, lock: bool = False) -> Row[Any]:
    """A standing receiver; 404 otherwise."""
    row = receivers.by_code(scope.connection, scope.workshop.id, kind, code, lock)
    if row is None:
        raise NotFound(f"there is no {SAID[kind]} '{code}'")
    return row


def page(scope: Scope, kind: str, after: int | None, limit: int) -> tuple[list[Row[Any]], int | None]:
    """Standing receivers, newest first, and where the next page starts."""
    rows = receivers.page(scope.connection, scope.workshop.id, kind, after, limit + 1)
    return rows[:limit], onward(rows, limit)


def edit(scope: Scope, kind: str, code: str, patch: BaseModel, columns: dict[str, str]) -> Row[Any]:
    """Change what was sent; `columns` says where each field is kept."""
    row = of_code(scope, kind, code, lock=True)
    values = {}
    for name in patch.model_fields_set:
        value = getattr(patch, name)
        if value is None:
            raise Invalid.field(f"#/{name}", "must not be null")
        values[columns[name]] = _words(value) if isinstance(value, list) else value
    if values.keys() & {"address", "active"}:
        values["quiet_until"] = None  # what the receiver asked for as it was
    if values:
        receivers.change(scope.connection, scope.workshop.id, row.id, values)
    return of_code(scope, kind, code)


def remove(scope: Scope, kind: str, code: str) -> dict[str, Any]:
    """Tell it nothing more."""
    row = of_code(scope, kind, code, lock=True)
    receivers.remove(scope.connection, scope.workshop.id, row.id, scope.now)
    return {}


def try_out(scope: Scope, kind: str, code: str) -> dict[str, Any]:
    """Send it a message, so that a person sees whether it arrives."""
    row = of_code(scope, kind, code)
    if not row.active:
        raise Conflict(f"{SAID[kind]} {code} is switched off: set `active` to true", receiver=code)
    return dispatches.show(scope, outbox.try_out(scope, row.id))


def _words(wants: Sequence[str]) -> str:
    return " ".join(dict.fromkeys(wants))
