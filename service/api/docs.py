"""What the OpenAPI page says of each operation: summary, example, answers and problem types."""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from service import __doc__ as about
from service import errors

ALWAYS = ("token-needed", "scope-missing", "invalid-value", "too-many-failed-tokens", "busy")
WRITES = ("body-too-large", "unsupported-type", "idempotency-key-reused", "commit-lost", "changed-meanwhile",
          "not-found", "conflict")  # fmt: skip
BY_TYPE = {kind.type: kind for kind in errors.ALL}
MADE_UP = ("HTTPValidationError", "ValidationError")  # FastAPI's own, which this service never answers
GIVEN: dict[str, dict[str, Any]] = {  # what stands in an address, as the demo workshop has it
    "/v1/tokens/{code}": {"code": "t-0a1b2c3d"},
    "/v1/materials/{code}": {"code": "shea-butter"},
    "/v1/formulas/{code}": {"code": "heather-balm"},
    "/v1/formulas/{code}/sheet": {"product": "heather-balm-60", "units": 24},
    "/v1/products/{code}": {"code": "heather-balm-60"},
    "/v1/receipts/{receipt}": {"receipt": "R-0001"},
    "/v1/receipts/{receipt}/correction": {"receipt": "R-0001"},
    "/v1/runs/{batch}/correction": {"batch": "B-0002"},
    "/v1/lots/{code}": {"code": "L-0001"},
    "/v1/lots/{code}/splits": {"code": "L-0038"},
    "/v1/places/{place}": {"place": "cold shelf"},
    "/v1/splits/{split}": {"split": "S-0001"},
    "/v1/counts/{count}": {"count": "C-0001"},
    "/v1/documents/{document}": {"document": "R-0001"},
    "/v1/disposals/{disposal}": {"disposal": "D-0001"},
    "/v1/reversals/{reversal}": {"reversal": "V-0001"},
    "/v1/checks": {"product": "heather-balm-60", "units": 48},
    "/v1/cover/{material}": {"material": "shea-butter"},
    "/v1/calendar-marks/{mark}": {"mark": "M-0001"},
    "/v1/forecasts/{product}": {"product": "heather-balm-60", "weeks": 13},
    "/v1/runs/{batch}": {"batch": "B-0002"},
    "/v1/runs/{batch}/completion": {"batch": "B-0011"},  # planned
    "/v1/orders/{reference}": {"reference": "w-1042"},
    "/v1/batch-plans/{code}/runs": {"code": "2100-12-31"},
    "/v1/shipments/{shipment}": {"shipment": "H-0001"},
    "/v1/returns/{return}": {"return": "N-0001"},
    "/v1/customers/{customer}": {"customer": "Corner shop"},
    "/v1/runs/{batch}/cancellation": {"batch": "B-0012"},
    "/v1/suppliers/{code}": {"code": "tarn-botanicals"},
    "/v1/offers/{code}": {"code": "F-0001"},
    "/v1/purchase-orders/{code}": {"code": "P-0001"},
    "/v1/purchase-orders/{code}/placement": {"code": "P-0002"},  # a draft
    "/v1/purchase-orders/{code}/cancellation": {"code": "P-0003"},  # another
    "/v1/purchase-plans/{code}": {"code": "Q-0001"},
    "/v1/deliveries/{delivery}": {"delivery": "Y-0001"},
    "/v1/alerts/{code}": {"code": "A-0001"},
    "/v1/webhooks/{code}": {"code": "w-0a1b2c3d"},
    "/v1/mail-receivers/{code}": {"code": "m-0a1b2c3d"},
    "/v1/dispatches/{code}": {"code": "dl-0a1b2c3d4e5f"},
    "/v1/calendar-feeds/{code}": {"code": "t-0a1b2c3d"},
    "/v1/calendar.ics": {"token": "demo-workshop.q9yH"},
}
OPEN = ("/v1/calendar.ics",)  # its token stands in its address
AGAIN = (429, 503)  # answers that say when to ask again
QUESTIONS = ("/v1/checks", "/v1/cover", "/v1/batch-plans")  # POSTs that change nothing
LINK = {"Link": {"description": 'The next page, `rel="next"`.', "schema": {"type": "string"}}}
_shapes: set[type[BaseModel]] = set()


def _ref(shape: type[BaseModel]) -> dict[str, str]:
    _shapes.add(shape)
    return {"$ref": f"#/components/schemas/{shape.__name__}"}


def doc(
    summary: str,
    *,
    answer: type[BaseModel] | None = None,
    request: type[BaseModel] | None = None,
    status: int = 200,
    many: bool = False,
    form: bool = False,
    file: str | None = None,
    example: Any = None,
    problems: tuple[str, ...] = (),
    tag: str | None = None,
    other: type[BaseModel] | None = None,
    html: bool = False,
    paged: bool = False,
) -> dict[str, Any]:
    """Keyword arguments of a route: what it takes, what it answers, which problems it can give.

    `other` is what it may answer instead of `answer`; `html`: also a page to print; `paged`: one whose `items` come in pages.
    `other` is what it may answer instead of `answer`; `file`: the field of the body that may come as a file of its own.
    """
    types = (*ALWAYS, *problems, *(WRITES if request is not None or status == 204 else ()))
    responses: dict[int | str, dict[str, Any]] = {status: _success(answer, many, status, other)}
    if html:
        responses[status]["content"]["text/html"] = {"schema": {"type": "string"}}
    if paged:
        responses[status]["headers"] = LINK
    for type_ in dict.fromkeys(types):
        _add_problem(responses, type_)
    if request is not None and "dry_run" in request.model_fields and status == 201:
        responses[200] = _success(answer, many, 200, other) | {"description": "A dry run: nothing is kept."}
    if answer is not None and not many and status == 200 and request is None:
        responses[304] = {"description": "What you have is what there is."}
    extra: dict[str, Any] = {"parameters": _parameters(many or paged, request is not None)}
    if request is not None:
        extra["requestBody"] = _body(request, form, example)
        if file is not None:
            extra["requestBody"]["content"] |= _files(request, file, example[file])
            extra["parameters"] += _told_beside(request, file)
    more: dict[str, Any] = {"tags": [tag]} if tag else {}
    return {"summary": summary, "status_code": status, "responses": responses, "openapi_extra": extra, **more}


def _success(answer: type[BaseModel] | None, many: bool, status: int, other: type[BaseModel] | None) -> dict[str, Any]:
    if answer is None:
        return {"description": "Done."}
    schema: dict[str, Any] = {"anyOf": [_ref(answer), _ref(other)]} if other is not None else dict(_ref(answer))
    headers = {}
    if many:
        schema = {
            "type": "object",
            "required": ["items"],
            "properties": {"items": {"type": "array", "items": schema}},
        }
        headers = LINK
    content = {"application/json": {"schema": schema}}
    if "sentence" in answer.model_fields and not many:
        content["text/plain"] = {"schema": {"type": "string"}}
    return {"description": "Created." if status == 201 else "As asked.", "content": content, "headers": headers}


def _add_problem(responses: dict[int | str, dict[str, Any]], type_: str) -> None:
    kind = BY_TYPE[type_]
    known = responses.setdefault(
        kind.status,
        {
            "description": "",
            "content": {
                "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}},
                "text/plain": {"schema": {"type": "string"}},
            },
        },
    )
    if kind.status in AGAIN:
        known["headers"] = {"Retry-After": {"description": "Seconds to wait.", "schema": {"type": "integer", "minimum": 1}}}
    line = f"`/problems/{type_}`: {kind.title}."
    known["description"] = f"{known['description']} {line}".strip()


def _parameters(many: bool, writes: bool) -> list[dict[str, Any]]:
    if many:
        return [
            {"name": "limit", "in": "query", "schema": {"type": "integer", "minimum": 1, "maximum": 200, "default": 50}},
            {"name": "after", "in": "query", "schema": {"type": "string"}, "description": "From the Link of the page before."},
        ]
    if writes:
        return [
            {"name": "Idempotency-Key", "in": "header", "schema": {"type": "string", "minLength": 1, "maxLength": 255},
             "description": "Your own; the same key and body give the first answer again."},
        ]  # fmt: skip
    return []


def _body(request: type[BaseModel], form: bool, example: Any) -> dict[str, Any]:
    media: dict[str, Any] = {"schema": _ref(request)}
    if example is not None:
        media["example"] = example
    content = {"application/json": media}
    if form:
        content["application/x-www-form-urlencoded"] = dict(media)
    return {"required": example != {}, "content": content}


def _files(request: type[BaseModel], file: str, text: str) -> dict[str, Any]:
    """The body as a file alone, or as a part `file` of a form with the other fields."""
    _shapes.add(request)
    beside = _beside(request, file)
    parts = {"file": {"type": "string", "format": "binary"}, **beside}
    form = {"type": "object", "required": ["file"], "properties": parts, "additionalProperties": False}
    objects = {name: {"contentType": "application/json"} for name, schema in beside.items() if schema.get("type") == "object"}
    return {
        "multipart/form-data": {
            "schema": form,
            "encoding": {"file": {"contentType": "text/csv"}, **objects},
            "example": {"file": text, "skip_unknown": True},
        },
        "text/csv": {"schema": {"type": "string"}, "example": text},
    }


def _told_beside(request: type[BaseModel], file: str) -> list[dict[str, Any]]:
    """The other fields, in the query of a file that is sent alone."""
    return [_in_query(name, schema) for name, schema in _beside(request, file).items()]


def _in_query(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = {"name": name, "in": "query", "required": False, "description": "Beside a body of `text/csv` alone."}
    if schema.get("type") == "object":
        return told | {"content": {"application/json": {"schema": schema}}}
    return told | {"schema": schema}


def _beside(request: type[BaseModel], file: str) -> dict[str, Any]:
    properties: dict[str, Any] = request.model_json_schema(ref_template="#/components/schemas/{model}")["properties"]
    return {name: schema for name, schema in properties.items() if name != file}


PROBLEM = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "errors"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "One sentence; what `text/plain` answers."},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["detail"],
                "properties": {
                    "detail": {"type": "string"},
                    "pointer": {"type": "string"},
                    "parameter": {"type": "string"},
                    "given": {},
                    "allowed": {"type": "string"},
                },
            },
        },
    },
}


def refusals(*types: str) -> dict[int | str, dict[str, Any]]:
    """The answers of these problem types, for a route that is not documented by `doc`."""
    responses: dict[int | str, dict[str, Any]] = {}
    for type_ in types:
        _add_problem(responses, type_)
    return responses


def _header(name: str, said: str) -> dict[str, Any]:
    return {"name": name, "in": "header", "required": False, "schema": {"type": "string"}, "description": said}


def _tidy(path: str, method: str, operation: dict[str, Any]) -> None:
    """What FastAPI adds by itself and this service never answers goes; tokens, tags and examples of addresses come."""
    if "HTTPValidationError" in str(operation["responses"].get("422", "")):
        operation["responses"].pop("422")
    if path.startswith("/v1"):
        operation["security"] = [] if path in OPEN else [{"token": []}]
    parameters = operation.get("parameters", [])
    if method != "post" or path in QUESTIONS:  # keys are for what is recorded
        parameters = [one for one in parameters if one["name"] != "Idempotency-Key"]
    if method == "patch":
        parameters.append(_header("If-Match", "The ETag of what you read: 412 when it was changed meanwhile."))
    if "304" in operation["responses"]:
        parameters.append(_header("If-None-Match", "The ETag of what you have: 304 when it still is what there is."))
    given = {name: value for start, found in GIVEN.items() if path.startswith(start) for name, value in found.items()}
    for one in parameters:
        if one["in"] != "header" and one["name"] in given:
            one["example"] = given[one["name"]]
    if parameters:
        operation["parameters"] = parameters
    else:
        operation.pop("parameters", None)


def install(app: FastAPI) -> None:
    """The OpenAPI page with every shape and the bearer token."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(title="Stillroom", version=app.version, description=about, routes=app.routes)
            _, made = models_json_schema(
                [(shape, "validation") for shape in sorted(_shapes, key=lambda one: one.__name__)],
                ref_template="#/components/schemas/{model}",
            )
            parts = schema.setdefault("components", {})
            parts.setdefault("schemas", {}).update({**made.get("$defs", {}), "Problem": PROBLEM})
            parts["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
            for name in MADE_UP:
                parts["schemas"].pop(name, None)
            for path, operations in schema["paths"].items():
                for method, operation in operations.items():
                    _tidy(path, method, operation)
            app.openapi_schema = schema
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]
