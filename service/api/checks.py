"""Checks over HTTP."""

from dataclasses import replace
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions import checks
from service.api import deps
from service.api.docs import doc
from service.errors import NotFound
from service.shapes.base import CODE, FIRST_DAY, LAST_DAY
from service.shapes.checks import CheckIn, CheckOut

router = APIRouter(prefix="/v1/checks", tags=["Checks"])
ORDER = {"wants": [{"product": "heather-balm-60", "units": 48}]}


@router.post("", **doc("Is there enough?", request=CheckIn, answer=CheckOut, example=ORDER))
async def post_check(request: Request) -> Response:
    """Several wants share the same stock; nothing is changed or reserved."""
    return await deps.ask(request, CheckIn, checks.check)


@router.get("", **doc("Is there enough of one product?", answer=CheckOut, problems=("not-found", "invalid-value")))
def get_check(
    request: Request,
    product: Annotated[str, Query(pattern=CODE)],
    units: Annotated[int, Query(ge=1, le=1_000_000)],
    by: Annotated[date | None, Query(ge=FIRST_DAY, le=LAST_DAY)] = None,
    use_finished: bool = True,
) -> Response:
    """The same for one product, fit for a phone."""
    body = CheckIn.model_validate({"wants": [{"product": product, "units": units}], "by": by, "use_finished": use_finished})
    try:
        return deps.read(request, lambda scope: checks.check(scope, body), sentence=True)
    except NotFound as refusal:  # the want stood in the query
        refusal.errors = tuple(replace(one, pointer=None, parameter="product") for one in refusal.errors)
        raise
