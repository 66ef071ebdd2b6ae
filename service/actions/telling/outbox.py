"""Telling: a message is written in the transaction of what happened: nothing is lost, and nothing told that was not kept."""

import base64
import secrets
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Row

from service.actions.once import dumps
from service.actions.scope import Scope
from service.store import outbox, receivers

EVENTS = ("alert.opened", "alert.updated", "alert.closed", "digest")
TEST = "test"


def tell(scope: Scope, event: str, body: Mapping[str, Any]) -> None:
    """Leave a message for every standing receiver that wants the event; it is sent once this act is kept.

    `event` is one of `EVENTS`. Of an alert, `body` has its code as `alert`, its `severity`, its `sentence` and whether it
    `speaks`: who wants urgent ones by mail is told of each once, when it opens as urgent or becomes so.
    """
    about = body.get("alert") if event.startswith("alert.") else None
    wanting = [row for row in receivers.told(scope.connection, scope.workshop.id) if _wants(row, event, body)]
    if about is not None and any(row.kind == "mail" for row in wanting):
        knows = outbox.told_about(scope.connection, scope.workshop.id, about)
        wanting = [row for row in wanting if row.kind != "mail" or row.id not in knows]
    _leave(scope, event, about, body, [row.id for row in wanting])


def _wants(receiver: Row[Any], event: str, body: Mapping[str, Any]) -> bool:
    wants = receiver.wants.split()
    if receiver.kind == "webhook" or event == "digest":
        return event in wants
    tells = event in ("alert.opened", "alert.updated") and body.get("severity") == "urgent" and body.get("speaks", True)
    return "urgent" in wants and bool(tells)


def try_out(scope: Scope, receiver: int) -> str:
    """Leave a message for one receiver, so that a person sees whether it arrives; answers the dispatch's code."""
    sentence = f"This is a test from {scope.workshop.name}: what needs doing will be told here."
    return _leave(scope, TEST, None, {"sentence": sentence}, [receiver])[0]


def _leave(scope: Scope, event: str, about: str | None, body: Mapping[str, Any], to: list[int]) -> list[str]:
    if not to:
        return []
    told = {"type": event, "timestamp": scope.now.isoformat(), "data": {"workshop": scope.workshop.name, **body}}
    message = {
        "id": scope.new_id(), "code": f"msg_{base64.b32encode(secrets.token_bytes(15)).decode().lower()}", "event": event,
        "about": about, "body": dumps(told), "created_at": scope.now,
    }  # fmt: skip
    codes = [f"dl-{secrets.token_hex(6)}" for _ in to]
    rows = [{"id": scope.new_id(), "code": code, "receiver_id": receiver} for code, receiver in zip(codes, to, strict=True)]
    outbox.add(scope.connection, scope.workshop.id, message, rows)
    return codes
