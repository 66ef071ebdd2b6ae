"""Customers over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.selling import customers
from service.api import deps
from service.api.docs import doc
from service.shapes.orders import CustomerOut, CustomerPatch

router = APIRouter(prefix="/v1/customers", tags=["Orders"])
TERMS = {"transit_days": 2, "min_life_days": 180, "smallest_order": 50}


@router.get("", **doc("List customers with their terms", answer=CustomerOut, many=True))
def get_customers(request: Request) -> Response:
    """By name; a customer comes into being with its first order, or with its terms."""
    return deps.list_(request, lambda scope, page: customers.list_(scope, page.after, page.limit))


@router.get("/{customer:path}", **doc("Show a customer", answer=CustomerOut, problems=("not-found",)))
def get_customer(request: Request, customer: str) -> Response:
    """Its terms and its open orders."""
    return deps.read(request, lambda scope: customers.show(scope, customer))


@router.patch("/{customer:path}", **doc("Change a customer's terms", request=CustomerPatch, answer=CustomerOut, example=TERMS))
async def patch_customer(request: Request, customer: str) -> Response:
    """Days on the way, life that must be left on arrival, least worth of an order; also before its first order."""
    return await deps.write(
        request, "manage", CustomerPatch,
        lambda scope, body: customers.edit(scope, deps.label(customer, "customer"), body), 200,
        shown=lambda scope: customers.show(scope, customer),
    )  # fmt: skip
