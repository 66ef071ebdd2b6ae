"""A request's body as plain values, its idempotency key, and what no database takes."""

import json
import re
from decimal import Decimal
from typing import Any, NoReturn

from fastapi import Request
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from service.errors import FieldError, Invalid, NotFound, UnsupportedType

FORM = "application/x-www-form-urlencoded"
UNFIT = re.compile(r"[\x00-\x1f\x7f\ud800-\udfff]")  # in an address: no code and no filter has these


async def parsed(request: Request, form: bool) -> Any:
    """The body as plain values, numbers as decimals; a form is read as a flat object."""
    kind = request.headers.get("content-type", "application/json").partition(";")[0].strip().lower()
    try:
        raw = await request.body()
    except ClientDisconnect:
        raise Invalid("the body did not arrive") from None
    if form and kind == FORM:
        return await _form(request)
    if raw and kind != "application/json" and not kind.endswith("+json"):
        allowed = f"application/json or {FORM}" if form else "application/json"
        raise UnsupportedType(f"'{kind[:80]}' is not taken: send {allowed}", allowed=allowed)
    return _json(raw)


async def _form(request: Request) -> dict[str, Any]:
    try:
        fields = await request.form()
    except (HTTPException, ValueError):
        raise Invalid("the form cannot be read", errors=[FieldError("is no form", pointer="#")]) from None
    for name in fields:
        if len(fields.getlist(name)) > 1:
            raise Invalid.field(f"#/{UNFIT.sub('?', name[:80])}", "is given twice")
    return {name: str(value) for name, value in fields.items() if value != ""}


def _json(raw: bytes) -> Any:
    if not raw.strip():
        return {}
    try:
        return json.loads(
            raw.decode("utf-8"),
            parse_float=Decimal,
            parse_constant=_not_finite,
            object_pairs_hook=_each_once,
        )
    except (ValueError, RecursionError, ArithmeticError) as error:
        said = str(error)[:120].encode("utf-8", "replace").decode()
        raise Invalid(f"the body is not JSON: {said}", errors=[FieldError("is not JSON", pointer="#")]) from None


def _not_finite(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number")


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a field is given twice")
    return found


def key_of(request: Request) -> str | None:
    """The Idempotency-Key, quoted or bare; Invalid when it is none."""
    key = request.headers.get("idempotency-key")
    if key is None:
        return None
    key = key.strip()
    if len(key) >= 2 and key[0] == key[-1] == '"':
        key = key[1:-1]
    if not 1 <= len(key) <= 255 or not (key.isascii() and key.isprintable()):
        raise Invalid(
            "Idempotency-Key: must be 1 to 255 printable ASCII characters",
            errors=[FieldError("is no key", parameter="Idempotency-Key", allowed="1 to 255 characters")],
        )
    return key


def refuse_unknown(request: Request) -> None:
    """A parameter that this address does not take, or takes once: a filter that is misspelt must not answer everything."""
    if not request.scope["query_string"]:
        return
    route = request.scope["route"]
    told = (route.openapi_extra or {}).get("parameters", [])
    taken = {one.alias for one in route.dependant.query_params} | {one["name"] for one in told if one["in"] == "query"}
    given = [name for name, _ in request.query_params.multi_items()]
    wrong = [(name, "is not a parameter here") for name in dict.fromkeys(given) if name not in taken]
    wrong += [(name, "is given twice") for name in dict.fromkeys(given) if name in taken and given.count(name) > 1]
    if wrong:
        allowed = ", ".join(sorted(taken)) or "none"
        errors = [FieldError(said, parameter=name[:80], allowed=f"once each: {allowed}") for name, said in wrong[:50]]
        raise Invalid(f"{wrong[0][0][:80]}: {wrong[0][1]} (there are: {allowed})", errors=errors)


def refuse_unfit(request: Request) -> None:
    """Control characters in the address: 404 in the path, 422 in the query (one engine would choke on them)."""
    for value in request.path_params.values():
        if isinstance(value, str) and UNFIT.search(value):
            raise NotFound("there is nothing of that name here")
    if not request.scope["query_string"]:
        return
    for name, value in request.query_params.multi_items():
        if UNFIT.search(name) or UNFIT.search(value):
            shown = UNFIT.sub("?", name[:80])
            raise Invalid(
                f"{shown}: must not contain control characters",
                errors=[FieldError("must not contain control characters", parameter=shown)],
            )
