"""Webhooks: addresses that are told by signed requests (Standard Webhooks)."""

import json
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions.papers import local
from service.actions.scope import Scope
from service.actions.telling import receivers
from service.core.alerts import webhooks
from service.errors import Invalid
from service.shapes.telling import WebhookIn, WebhookPatch
from service.store import receivers as store

KIND = "webhook"
BOTH_SIGN = timedelta(days=1)  # the old secret beside the new one
MOST_SECRETS = 5  # that sign at once
COLUMNS = {"url": "address", "events": "wants", "name": "name", "active": "active"}
Secrets = list[tuple[str, str | None]]  # each with the time until which it signs; the newest has none


def create(scope: Scope, body: WebhookIn, private: bool) -> dict[str, Any]:
    """A new webhook; its secret is shown this once."""
    _must_be_fit(body.url, private)
    secret = webhooks.new_secret()
    row = receivers.add(scope, KIND, body.name or body.url[:120], body.url, body.events, secrets=json.dumps([(secret, None)]))
    return _shown(scope, row) | {"secret": secret}


def _must_be_fit(url: str, private: bool) -> None:
    fault = webhooks.fault_of(url, private)
    if fault is not None:
        allowed = "an http or https address" if private else "an https address in the open internet"
        raise Invalid.field("#/url", fault, url[:100], allowed)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A webhook, without its secret."""
    return _shown(scope, receivers.of_code(scope, KIND, code))


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Standing webhooks, newest first."""
    rows, more = receivers.page(scope, KIND, after, limit)
    return [_shown(scope, row) for row in rows], more


def edit(scope: Scope, code: str, patch: WebhookPatch, private: bool) -> dict[str, Any]:
    """Change what was sent."""
    if patch.url is not None:
        _must_be_fit(patch.url, private)
    return _shown(scope, receivers.edit(scope, KIND, code, patch, COLUMNS))


def replace_secret(scope: Scope, code: str) -> dict[str, Any]:
    """A new secret, shown this once; for a day messages are signed with the old one too."""
    row = receivers.of_code(scope, KIND, code, lock=True)
    until = (scope.now + BOTH_SIGN).isoformat()
    older = [(secret, end or until) for secret, end in _standing(row.secrets, scope.now)]
    secret = webhooks.new_secret()
    kept = [*older[1 - MOST_SECRETS :], (secret, None)]
    store.change(scope.connection, scope.workshop.id, row.id, {"secrets": json.dumps(kept)})
    return _shown(scope, receivers.of_code(scope, KIND, code)) | {"secret": secret}


def _standing(kept: str, now: datetime) -> Secrets:
    return [(secret, end) for secret, end in json.loads(kept) if end is None or datetime.fromisoformat(end) > now]


def signing(kept: str, now: datetime) -> list[str]:
    """The secrets that sign now, the newest first."""
    return [secret for secret, _ in reversed(_standing(kept, now))]


def _shown(scope: Scope, row: Row[Any]) -> dict[str, Any]:
    ends = [datetime.fromisoformat(end) for _, end in _standing(row.secrets, scope.now) if end is not None]
    return {
        "code": row.code,
        "name": row.name,
        "url": row.address,
        "events": row.wants.split(),
        "active": row.active,
        "quiet_until": local(scope, row.quiet_until if row.quiet_until and row.quiet_until > scope.now else None),
        "old_secret_until": local(scope, max(ends, default=None)),
        "created_at": local(scope, row.created_at),
        "secret": None,
    }
