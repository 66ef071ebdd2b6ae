"""Which part of a list a caller asks for, and where the next one begins."""

import base64
import re
from dataclasses import dataclass
from typing import NoReturn

from fastapi import Request

from service.errors import FieldError, Invalid


@dataclass(frozen=True, slots=True)
class Page:
    """Which part of a list."""

    limit: int
    after: str | None

    def after_id(self) -> int | None:
        """The position as a number; Invalid when it is none of ours."""
        if self.after is None:
            return None
        if not re.fullmatch("[0-9]{1,18}", self.after):
            _bad_after()
        return int(self.after)


def page_of(request: Request) -> Page:
    """Which part of a list is asked for."""
    return Page(_limit(request), _after(request))


def _limit(request: Request) -> int:
    text = request.query_params.get("limit", "50")
    if not re.fullmatch("[0-9]{1,3}", text) or not 1 <= int(text) <= 200:
        raise Invalid(
            "limit: must be a whole number from 1 to 200",
            errors=[FieldError("is out of range", parameter="limit", given=text[:40], allowed="1 to 200")],
        )
    return int(text)


def _after(request: Request) -> str | None:
    text = request.query_params.get("after")
    if text is None:
        return None
    try:
        raw = base64.b64decode(text.encode("ascii") + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
        place = raw.decode("ascii")
    except ValueError:
        _bad_after()
    if not place.isprintable() or not place:
        _bad_after()
    return place


def _bad_after() -> NoReturn:
    raise Invalid(
        "after: is not a place in this list; take it from the Link of the page before",
        errors=[FieldError("is not a place in this list", parameter="after")],
    )
