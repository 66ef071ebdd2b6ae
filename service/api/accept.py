"""What the caller takes and already has: media types and entity tags."""

import hashlib
from collections.abc import Sequence

from fastapi import Request

TEXT, HTML, JSON = "text/plain", "text/html", "application/json"


def wants_text(request: Request) -> bool:
    """Whether the caller prefers `text/plain`; JSON where both are equally welcome."""
    return preferred(request, (JSON, TEXT)) == TEXT


def preferred(request: Request, kinds: Sequence[str]) -> str:
    """Which of these media types is most welcome; the first of those that are equally so."""
    accept = request.headers.get("accept")
    if accept is None or "text/" not in accept:
        return kinds[0]
    found = dict.fromkeys(kinds, (-1, 0.0))  # how closely it was named, how welcome it is
    for part in accept.lower().split(","):
        named, *more = (piece.strip() for piece in part.split(";"))
        weight = next((_weight(piece[2:]) for piece in more if piece.startswith("q=")), 1.0)
        for kind in kinds:
            names = ("*/*", kind.split("/")[0] + "/*", kind)
            if named in names:
                found[kind] = max(found[kind], (names.index(named), weight))
    return max(kinds, key=lambda kind: found[kind][1])


def _weight(text: str) -> float:
    try:
        return min(1.0, max(0.0, float(text)))
    except ValueError:
        return 0.0


def etag(body: str) -> str:
    """A strong tag: a digest of the answer."""
    return f'"{hashlib.sha256(body.encode("utf-8", "replace")).hexdigest()[:32]}"'


def has(request: Request, tag: str) -> bool:
    """Whether If-None-Match says that the caller has this answer."""
    known = request.headers.get("if-none-match")
    if known is None:
        return False
    return known.strip() == "*" or tag in [one.strip().removeprefix("W/") for one in known.split(",")]


def fits(match: str, tag: str) -> bool:
    """Whether an If-Match names this answer (strong comparison)."""
    return match.strip() == "*" or tag in [one.strip() for one in match.split(",")]
