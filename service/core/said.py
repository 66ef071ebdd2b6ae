"""Days and lists as they stand in a sentence."""

from collections.abc import Sequence
from datetime import date

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def day(when: date, today: date) -> str:
    """`3 March`, with the year where it is another one; no locale is asked."""
    year = "" if when.year == today.year else f" {when.year}"
    return f"{when.day} {MONTHS[when.month - 1]}{year}"


def listed(parts: Sequence[str]) -> str:
    """`a, b and c`."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""
