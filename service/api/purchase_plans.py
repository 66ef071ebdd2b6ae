"""Purchase plans over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.planning import purchase_plans
from service.api import computed, deps
from service.api.docs import doc
from service.shapes.purchase_plans import DraftsIn, DraftsOut, PurchasePlanIn, PurchasePlanOut

router = APIRouter(prefix="/v1/purchase-plans", tags=["Purchase orders"])
ASKED = {"budget": 400, "service_level": 95, "prefer": ["organic"]}
LONGEST = 50.0  # seconds


@router.post("", **doc("What to order today", request=PurchasePlanIn, answer=PurchasePlanOut, status=201, example=ASKED))
async def post_purchase_plan(request: Request) -> Response:
    """From whom and in which packs at the least expected cost, why, and what cannot be had in time. Nothing is ordered by it."""
    seconds = min(float(deps.door_of(request).settings.timeout_seconds), LONGEST) / 2
    return await computed.kept(request, "manage", PurchasePlanIn, lambda scope, body: purchase_plans.ask(scope, body, seconds))


@router.get("", **doc("List purchase plans, newest first", answer=PurchasePlanOut, many=True))
def get_purchase_plans(request: Request) -> Response:
    """As they were made, each from the books as they were then."""
    return deps.list_(request, lambda scope, page: purchase_plans.list_(scope, page.after_id(), page.limit))


@router.get("/{code}", **doc("Show a purchase plan", answer=PurchasePlanOut, problems=("not-found",)))
def get_purchase_plan(request: Request, code: str) -> Response:
    """As it was made; as `text/plain` its sentences."""
    return deps.read(request, lambda scope: purchase_plans.show(scope, code), sentence=True)


@router.post("/{code}/orders", **doc("Draft the purchase orders of a plan", request=DraftsIn, answer=DraftsOut, status=201,
                                     example={}))  # fmt: skip
async def post_plan_orders(request: Request, code: str) -> Response:
    """One draft a supplier, once, at the prices that the offers have now."""
    return await deps.write(request, "manage", DraftsIn, lambda scope, body: purchase_plans.create_orders(scope, code, body))
