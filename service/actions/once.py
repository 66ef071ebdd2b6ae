"""Idempotency round an act: the first answer to a key is kept in the act's own transaction."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from pydantic import BaseModel

from service.actions.scope import Scope
from service.errors import KeyReused
from service.store import access
from service.store.written import written

SECRETS = ("token", "secret", "secret_address")  # a replayed creation leaves the secret out


@dataclass(frozen=True, slots=True)
class Kept:
    """An answer's status and body; `replayed` when it is the first answer again."""

    status: int
    body: str
    replayed: bool = False


def dumps(answer: Any) -> str:
    """An answer as JSON text; dates and times as ISO 8601."""
    return written(answer)


def _written_alike(value: Any) -> Any:
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")  # 12.50, "12,5" and 12.5 are one number
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def fingerprint(method: str, path: str, body: BaseModel | None) -> str:
    """What makes two requests the same: method, path and parsed body (a form and the same JSON are equal)."""
    given = body.model_dump(exclude_unset=True) if body is not None else None
    text = json.dumps([method, path, given], sort_keys=True, default=_written_alike, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def replayed(scope: Scope, key: str | None, print_: str) -> Kept | None:
    """The first answer to a key, where there is one; KeyReused when the key was for another request."""
    kept = None if key is None else access.kept_answer(scope.connection, scope.workshop.id, key)
    if kept is None:
        return None
    assert kept.status, "an unfinished claim is seen by no one but its own transaction"
    if kept.fingerprint != print_:
        raise KeyReused("this Idempotency-Key was used for another request: use a new one")
    return Kept(kept.status, kept.answer, replayed=True)


def once(scope: Scope, key: str | None, print_: str, status: int, act: Callable[[Scope], dict[str, Any]]) -> Kept:
    """Run the act, or give the first answer again; KeyReused when the key was for another request."""
    if key is None:
        return Kept(status, dumps(act(scope)))
    kept = replayed(scope, key, print_)
    if kept is None and not access.claim_key(scope.connection, scope.workshop.id, key, print_, scope.now):
        kept = replayed(scope, key, print_)
    if kept is not None:
        return kept
    answer = act(scope)
    text = dumps(answer)
    safe = text
    if any(name in answer for name in SECRETS):
        safe = dumps({name: value for name, value in answer.items() if name not in SECRETS})
    access.keep_answer(scope.connection, scope.workshop.id, key, print_, status, safe, scope.now)
    return Kept(status, text, replayed=False)
