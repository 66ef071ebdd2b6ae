"""Cover over HTTP: how long stock lasts."""

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.actions import cover
from service.api import computed, deps
from service.api.bodies import parsed
from service.api.docs import doc
from service.shapes.cover import CoverIn, CoverOut, OneCoverOut

router = APIRouter(prefix="/v1/cover", tags=["Cover"])
FOR_MARCH = {"what_if": [{"product": "heather-balm-60", "units": 240, "due_on": "2100-03-01"}]}


@router.get("", **doc("How long does all stock last?", answer=CoverOut))
def get_cover(request: Request) -> Response:
    """Every material and all bulk that is kept, the most urgent first: when it runs out, by when to order or make it, what
    expires unused, what drives it. And which orders stand out: whether such will come again, `one_off` of the order answers."""
    return computed.answer(request, deps.authenticate(request, "read"), cover.ask)


@router.post("", **doc("How long would stock last with these orders?", request=CoverIn, answer=CoverOut, example=FOR_MARCH))
async def post_cover(request: Request) -> Response:
    """Orders that are only imagined are added, and `moved` shows what they would move. Nothing is changed or reserved."""
    caller = await deps.admit(request, "read")
    body = CoverIn.model_validate(await parsed(request, False))
    return await run_in_threadpool(computed.answer, request, caller, lambda scope: cover.ask(scope, body), False)


@router.get("/{material}", **doc("How long does one material last?", answer=OneCoverOut, problems=("not-found",)))
def get_one(request: Request, material: str) -> Response:
    """The same for one material; or for bulk, which is made, kept, used by other formulas or filled later."""
    return computed.answer(request, deps.authenticate(request, "read"), lambda scope: cover.ask(scope, material=material))
