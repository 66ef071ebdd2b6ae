"""When stock runs out and by when to order it, as the calendar shows it."""

from datetime import date

from service.actions.scope import Scope


def figures(scope: Scope) -> dict[str, dict[str, date | None]]:
    """Of each material, by code: `order_by` and `runs_out`."""
    return {}
