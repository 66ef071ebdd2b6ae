"""Batch plans over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import batch_plans
from service.api import deps
from service.api.docs import doc
from service.shapes.batch_plans import BatchPlanIn, BatchPlanOut, BatchRunsIn, BatchRunsOut

router = APIRouter(prefix="/v1/batch-plans", tags=["Orders"])
UNTIL = {"until": "2100-12-31"}


@router.post("", **doc("Which batches to make for the open orders", request=BatchPlanIn, answer=BatchPlanOut, example=UNTIL))
async def post_batch_plan(request: Request) -> Response:
    """How large, what to fill from each, by when, with the least left over, and what each lacks; nothing is changed."""
    return await deps.ask(request, BatchPlanIn, batch_plans.plan)


@router.post("/{code}/runs", **doc("Plan the runs of a batch plan", request=BatchRunsIn, answer=BatchRunsOut, status=201,
                                   example={}))  # fmt: skip
async def post_batch_plan_runs(request: Request, code: str) -> Response:
    """By the plan's code, while the books stand as it saw them (404 after that); by a day alone, whatever is wanted until it."""
    return await deps.write(request, "record", BatchRunsIn, lambda scope, body: batch_plans.create_runs(scope, code, body))
