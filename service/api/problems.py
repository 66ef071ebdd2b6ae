"""Errors as answers: RFC 9457 problem details, or the sentence alone for `text/plain`."""

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import date, datetime
from decimal import Decimal
from html import escape
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.routing import Match

from service import errors
from service.api import deps
from service.api.accept import wants_text
from service.errors import Busy, FieldError, Invalid, NotFound, Refusal
from service.shapes.base import FORMS

router = APIRouter()


class MethodNotAllowed(Refusal):
    """This address does not take that method; `Allow` names those it takes."""

    status, type, title = 405, "method-not-allowed", "This method is not taken here"


class Unexpected(Refusal):
    """A fault of the service's own, written down with the request's id; nothing was changed."""

    status, type, title = 500, "unexpected", "An unexpected error"


class Refused(Refusal):
    """The request cannot be understood as it was sent."""


KINDS: tuple[type[Refusal], ...] = (*errors.ALL, MethodNotAllowed, Unexpected, Refused)
BY_TYPE = {kind.type: kind for kind in KINDS}
BY_STATUS = {kind.status: kind for kind in reversed(KINDS)}


def answer(request: Request, refusal: Refusal) -> Response:
    """A refusal as an answer."""
    headers = {}
    retry_after = refusal.retry_after if isinstance(refusal, Busy) else refusal.facts.get("retry_after")
    if retry_after is not None:
        headers["Retry-After"] = str(retry_after)
    if refusal.status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="stillroom"'
    if wants_text(request):
        text = (refusal.detail + "\n").encode("utf-8", "replace")
        return Response(text, refusal.status, headers, "text/plain; charset=utf-8")
    return Response(body_of(refusal), refusal.status, headers, "application/problem+json")


def body_of(refusal: Refusal) -> bytes:
    """The problem's JSON: type, title, status, detail, field errors, facts."""
    body: dict[str, Any] = {
        "type": f"/problems/{refusal.type}",
        "title": refusal.title,
        "status": refusal.status,
        "detail": refusal.detail,
        "errors": [_field(one) for one in refusal.errors],
    }
    return _text(body | refusal.facts).encode("utf-8", "replace")


def _text(value: Any) -> str:
    """JSON of what may hold anything that a caller sent: numbers as decimals, halves of characters."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), default=_plain)


def _plain(value: Any) -> Any:
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    raise TypeError(f"{type(value).__name__} has no place in an answer")


def _field(error: FieldError) -> dict[str, Any]:
    named = ((one.name, getattr(error, one.name)) for one in fields(error))
    return {name: value for name, value in named if value is not None}


def _shown(value: Any) -> Any:
    """What was given, short and safe to send back."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int) and abs(value) < 2**53:
        return value
    if isinstance(value, date):
        return value.isoformat()
    try:
        text = value if isinstance(value, str) else _text(value)
    except (TypeError, ValueError, OverflowError, RecursionError):
        text = type(value).__name__
    return text[:100].encode("utf-8", "replace").decode()


SAID = {
    "missing": "is needed",
    "extra_forbidden": "is not a field of this request",
    "model_type": "must be an object",
    "model_attributes_type": "must be an object",
    "dict_type": "must be an object",
    "list_type": "must be a list",
    "string_type": "must be text",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "greater_than_equal": "must be at least {ge}",
    "greater_than": "must be more than {gt}",
    "less_than_equal": "must be at most {le}",
    "less_than": "must be less than {lt}",
    "literal_error": "must be {expected}",
    "string_pattern_mismatch": "must be {pattern}",
    "string_too_long": "must have at most {max_length} characters",
    "string_too_short": "must have at least {min_length} characters",
    "too_long": "must hold at most {max_length}",
    "too_short": "must hold at least {min_length}",
    **dict.fromkeys(("date_type", "date_parsing", "date_from_datetime_parsing"), "must be a date like 2027-01-31"),
}
LIMITS = {
    "ge": "at least",
    "gt": "more than",
    "le": "at most",
    "lt": "less than",
    "max_length": "a length of at most",
    "min_length": "a length of at least",
    "expected": "one of",
    "pattern": "",
}


def of_validation(found: Iterable[Any]) -> Invalid:
    """Every wrong field of a validation error, with what was given and what is allowed."""
    found = list(found)
    wrong = [_wrong(one) for one in found]
    first = wrong[0]
    name = first.parameter or (first.pointer or "#").removeprefix("#").removeprefix("/").replace("/", ".")
    whole = first.detail if found[0]["type"] == "value_error" else f"the body {first.detail}"
    said = f"{name}: {first.detail}" if name else whole
    more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
    return Invalid(said + more, errors=wrong[:50])


def _wrong(one: Any) -> FieldError:
    where = one["loc"][0] if one["loc"] else "body"
    place = [str(part)[:80] for part in one["loc"] if part not in ("body", "query", "path", "header", "[key]")]
    known = SAID.get(one["type"])
    limits = _limits(one.get("ctx", {}))
    detail = known.format(**limits) if known else one["msg"].removeprefix("Value error, ")
    given = None if one["type"] == "missing" else _shown(one.get("input"))
    allowed = ", ".join(f"{said} {limits[name]}".lstrip() for name, said in LIMITS.items() if name in limits) or None
    if where in ("query", "path", "header"):
        return FieldError(detail, parameter=place[-1], given=given, allowed=allowed)
    parts = [part.replace("~", "~0").replace("/", "~1") for part in place]
    return FieldError(detail, pointer="#/" + "/".join(parts) if parts else "#", given=given, allowed=allowed)


def _limits(context: Mapping[str, Any]) -> dict[str, Any]:
    """What a validation error says is allowed, with patterns in words, decimals and days as people write them."""
    said = {name: _plainly(str(value)) for name, value in context.items()}
    return said | ({"pattern": FORMS.get(said["pattern"], f"text like {said['pattern']}")} if "pattern" in said else {})


def _plainly(value: str) -> str:
    """A limit as the validator tells it, without its type."""
    if day := re.fullmatch(r"datetime\.date\((\d+), (\d+), (\d+)\)", value):
        return date(*map(int, day.groups())).isoformat()
    return re.sub(r"^Decimal\('(.+)'\)$", r"\1", value)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refusal)
    if isinstance(error, NotFound) and not error.errors:  # what nothing else names stood in the address
        named = request.path_params.items()
        error.errors = tuple(FieldError("is not there", parameter=name, given=_shown(value)) for name, value in named)
    return answer(request, error)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, ValidationError)
    return answer(request, of_validation(error.errors()))


async def _invalid_address(request: Request, error: Exception) -> Response:
    """A wrong value in a query, which is looked at before the endpoint runs: who asks still comes first."""
    assert isinstance(error, RequestValidationError)
    if request.url.path.startswith("/v1/"):
        try:
            await deps.admit(request, "read")
        except Refusal as refusal:
            return answer(request, refusal)
    return answer(request, of_validation(error.errors()))


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = BY_STATUS.get(error.status_code, Refused)
    refusal = kind(kind.title if str(error.detail) in ("Not Found", "Method Not Allowed") else str(error.detail))
    refusal.status = error.status_code
    reply = answer(request, refusal)
    reply.headers.update(error.headers or {})
    if error.status_code == 405:
        reply.headers["Allow"] = ", ".join(_methods(request))
    return reply


def _methods(request: Request) -> list[str]:
    """What this address takes: each route knows of its own method alone."""
    found: set[str] = set()
    for route in request.app.router.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            found |= getattr(route, "methods", None) or set()
    return sorted(found)


def install(app: FastAPI) -> None:
    """One table: error to answer. What is in no line here is a fault of ours: the middleware answers 500."""
    app.add_exception_handler(Refusal, _refused)
    app.add_exception_handler(ValidationError, _invalid)
    app.add_exception_handler(RequestValidationError, _invalid_address)
    app.add_exception_handler(HTTPException, _http)


@router.get("/problems/{type}", include_in_schema=False)
def problem_page(type: str) -> HTMLResponse:
    """A short page on one kind of problem."""
    kind = BY_TYPE.get(type)
    if kind is None:
        raise HTTPException(404, "there is no problem of that type")
    said = escape((kind.__doc__ or "").strip())
    title = escape(kind.title)
    return HTMLResponse(
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>'
        f"<body><h1>{title}</h1><p>Status {kind.status}. {said}</p>"
        f'<p><a href="/docs">Every request</a></p></body></html>'
    )
