"""Every refusal the service can give, one tree.

Refusal
├── Invalid 422              a value is wrong: shape, range, sum, unit
│   └── KeyReused 422        an idempotency key that was used for another request
├── NotFound 404             a code that is not there
├── Conflict 409             what is there says no
│   ├── CodeTaken            the code belongs to something else
│   ├── FormulaLoop          a formula would contain itself
│   ├── NotEnoughStock       a strict run that the books cannot cover
│   ├── AlreadyReversed      a document is reversed once
│   ├── StillNamed           something recorded later stands on it
│   └── LotNotThereYet       a lot named on a day before it came
├── Unauthorized 401, Forbidden 403, PreconditionFailed 412, TooLarge 413, UnsupportedType 415
├── TooManyFailures 429      too many unknown tokens from one address
└── Busy 503                 try again
    └── CommitLost 503       the answer to COMMIT was lost: repeat with the same key
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class FieldError:
    """One wrong field: where it is (`pointer` in the body or `parameter`), what was given, what is allowed."""

    detail: str
    pointer: str | None = None
    parameter: str | None = None
    given: Any = None
    allowed: str | None = None


class Refusal(Exception):
    """A typed 'no' with a sentence a person can read; `facts` join the problem's body."""

    status = 400
    type = "refused"
    title = "The request was refused"

    def __init__(self, detail: str, *, errors: Sequence[FieldError] = (), **facts: Any) -> None:
        super().__init__(detail)
        self.detail = detail
        self.errors = tuple(errors)
        self.facts = facts


class Invalid(Refusal):
    """A value is wrong."""

    status, type, title = 422, "invalid-value", "A value is not allowed"

    @classmethod
    def field(cls, pointer: str, detail: str, given: Any = None, allowed: str | None = None) -> "Invalid":
        """One wrong field of the body."""
        where = pointer.removeprefix("#/").replace("/", ".")
        said = f"{where}: {detail}"
        return cls(said, errors=[FieldError(detail, pointer=pointer, given=given, allowed=allowed)])


class KeyReused(Invalid):
    """The idempotency key belongs to another request."""

    type, title = "idempotency-key-reused", "This idempotency key was used for another request"


class NotFound(Refusal):
    """Nothing of that code is in this workshop."""

    status, type, title = 404, "not-found", "There is nothing of that name here"


class Conflict(Refusal):
    """What is there says no."""

    status, type, title = 409, "conflict", "This conflicts with what the books hold"


class CodeTaken(Conflict):
    """The code belongs to something else."""

    type, title = "code-taken", "This code is taken"


class FormulaLoop(Conflict):
    """A formula or set would contain itself."""

    type, title = "formula-loop", "A formula cannot contain itself"


class NotEnoughStock(Conflict):
    """The books hold less than was asked for."""

    type, title = "not-enough-stock", "There is not enough stock"


class AlreadyReversed(Conflict):
    """A document is reversed once."""

    type, title = "already-reversed", "This document is reversed already"


class StillNamed(Conflict):
    """Something recorded later stands on what is to be taken back."""

    type, title = "still-in-use", "Something recorded later stands on this"


class LotNotThereYet(Conflict):
    """A lot was named on a day before it came."""

    type, title = "lot-not-there-yet", "The lot was not there on that day"


class Unauthorized(Refusal):
    """No token, or one that is unknown, expired or revoked."""

    status, type, title = 401, "token-needed", "A valid token is needed"


class Forbidden(Refusal):
    """The token lacks the scope."""

    status, type, title = 403, "scope-missing", "This token may not do that"


class PreconditionFailed(Refusal):
    """If-Match does not fit."""

    status, type, title = 412, "changed-meanwhile", "It was changed meanwhile"


class TooLarge(Refusal):
    """The body is larger than allowed."""

    status, type, title = 413, "body-too-large", "The body is too large"


class UnsupportedType(Refusal):
    """The body's media type is not taken."""

    status, type, title = 415, "unsupported-type", "This media type is not taken"


class TooManyFailures(Refusal):
    """Too many unknown tokens from one address."""

    status, type, title = 429, "too-many-failed-tokens", "Too many failed tokens"


class Busy(Refusal):
    """The queue is full or the database is away; `retry_after` in seconds."""

    status, type, title = 503, "busy", "Busy: try again"

    def __init__(self, detail: str, *, retry_after: int = 1, **facts: Any) -> None:
        super().__init__(detail, **facts)
        self.retry_after = retry_after


class CommitLost(Busy):
    """The connection was lost at COMMIT: whether it was kept is not known."""

    type, title = "commit-lost", "Repeat the request with the same idempotency key"


ALL: tuple[type[Refusal], ...] = (
    Invalid, KeyReused, NotFound, Conflict, CodeTaken, FormulaLoop, NotEnoughStock, AlreadyReversed, StillNamed,
    LotNotThereYet, Unauthorized, Forbidden, PreconditionFailed, TooLarge, UnsupportedType, TooManyFailures, Busy,
    CommitLost,
)  # fmt: skip
