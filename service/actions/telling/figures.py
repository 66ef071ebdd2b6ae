"""What the forecast said at the last look."""

import json
from datetime import date
from typing import Any

from service.actions.scope import Scope
from service.store import watches

EMPTY: dict[str, Any] = {"day": None, "items": {}, "unused": {}}


def kept(text: str | None) -> dict[str, Any]:
    """The figures that a look kept, or none."""
    found: dict[str, Any] = EMPTY if text is None else json.loads(text)
    return found


def figures(scope: Scope) -> dict[str, dict[str, date | None]]:
    """By item: by when to order or make it, and when it runs out at the service level, as the last look saw it."""
    row = watches.of(scope.connection, scope.workshop.id)
    found = kept(None if row is None else row.figures)["items"]
    return {code: {name: _day(mine[name]) for name in ("order_by", "runs_out")} for code, mine in found.items()}


def day(scope: Scope) -> date | None:
    """The day of the forecast that the alerts follow from."""
    row = watches.of(scope.connection, scope.workshop.id)
    return _day(kept(None if row is None else row.figures)["day"])


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
