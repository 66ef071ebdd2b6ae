"""What needs doing today, as the digest tells it."""

from typing import Any

from service.actions.scope import Scope


def today(scope: Scope) -> list[dict[str, Any]]:
    """The alerts that speak today, most urgent first."""
    return []


def text(alerts: list[dict[str, Any]]) -> str:
    """One sentence a line."""
    return "\n".join(alert["sentence"] for alert in alerts) or "Nothing needs doing today."
