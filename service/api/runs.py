"""Production runs over HTTP, from a program or from a phone."""

from fastapi import APIRouter, Request, Response

from service.actions import run_correction, runs
from service.api import deps
from service.api.docs import doc
from service.shapes.runs import CancellationIn, CompletionIn, RunCorrectionIn, RunCorrectionOut, RunIn, RunOut, RunState

router = APIRouter(prefix="/v1/runs", tags=["Runs"])
MADE = {"product": "heather-balm-60", "units": 24}


@router.post("", **doc("Record or plan a production run", request=RunIn, answer=RunOut, status=201, example=MADE, form=True,
                       problems=("not-found", "conflict", "not-enough-stock", "lot-not-there-yet")))  # fmt: skip
async def post_run(request: Request) -> Response:
    """Deducts what the run used in one transaction; `Accept: text/plain` answers one sentence."""
    return await deps.write(request, "record", RunIn, runs.record, form=True)


@router.get("", **doc("List runs, newest first", answer=RunOut, many=True))
def get_runs(
    request: Request,
    state: RunState | None = None,
) -> Response:
    """Runs as recorded."""
    return deps.list_(request, lambda scope, page: runs.list_(scope, state, page.after_id(), page.limit))


@router.get("/{batch}", **doc("Show a run", answer=RunOut, problems=("not-found", "invalid-value")))
def get_run(request: Request, batch: str, known_at: str | None = None) -> Response:
    """A run by its batch code; with `known_at` (a day: its end) as the books said it then."""
    known = deps.moment(known_at, "known_at")
    if known is not None:
        return deps.read(request, lambda scope: runs.as_known(scope, batch, known), sentence=True)
    return deps.read(request, lambda scope: runs.show(scope, batch), sentence=True)


@router.post("/{batch}/completion", **doc("Complete a planned run", request=CompletionIn, answer=RunOut, example={},
                                          problems=("not-found", "conflict", "not-enough-stock",
                                                    "lot-not-there-yet")))  # fmt: skip
async def post_completion(request: Request, batch: str) -> Response:
    """Records the plan as made; takes what a run takes."""
    return await deps.write(request, "record", CompletionIn, lambda scope, body: runs.complete(scope, batch, body), status=200)


@router.post("/{batch}/cancellation", **doc("Cancel a planned run", request=CancellationIn, answer=RunOut, example={},
                                            problems=("not-found", "conflict")))  # fmt: skip
async def post_cancellation(request: Request, batch: str) -> Response:
    """Frees what the plan claimed."""
    return await deps.write(request, "record", CancellationIn, lambda scope, body: runs.cancel(scope, batch, body), status=200)


@router.post("/{batch}/correction", **doc("Correct a run", request=RunCorrectionIn, answer=RunCorrectionOut, status=201,
                                          example={"units": 23}, problems=("not-found", "conflict")))  # fmt: skip
async def post_correction(request: Request, batch: str) -> Response:
    """The right units under the same batch code; the first statement is kept."""
    return await deps.write(request, "record", RunCorrectionIn, lambda scope, body: run_correction.record(scope, batch, body))
