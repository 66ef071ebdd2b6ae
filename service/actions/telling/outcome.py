"""What became of one try to send."""

from dataclasses import dataclass

LIMIT = 15.0  # seconds a receiver may take in all; the specification of webhooks recommends 15 to 30


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether it arrived; otherwise why not, in how many seconds the receiver wants it again, and whether it never does."""

    arrived: bool
    status: int | None = None
    error: str | None = None
    after: float | None = None
    gone: bool = False
