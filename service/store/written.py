"""JSON as the tables keep it."""

from typing import Any

from pydantic_core import to_json


def written(value: Any) -> str:
    """Values as JSON text: dates and times as ISO 8601, decimals as text."""
    return to_json(value).decode()
