"""Lists are read one row further than they show, which says whether there is a next page."""

from collections.abc import Sequence
from typing import Any


def onward(rows: Sequence[Any], limit: int, place: str = "id") -> Any:
    """Where the next page begins: after the last row that is shown; None when there are no more."""
    return getattr(rows[limit - 1], place) if len(rows) > limit else None
