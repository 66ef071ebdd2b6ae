"""Suppliers over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions.buying import suppliers
from service.api import deps
from service.api.docs import doc
from service.shapes.buying import SupplierIn, SupplierOut, SupplierPatch

router = APIRouter(prefix="/v1/suppliers", tags=["Suppliers"])
MILL = {"code": "harbour-mill", "name": "Harbour Mill", "currency": "GBP", "rate": 1.15, "delivery_charge": 7.5,
        "free_delivery_from": 120, "smallest_order": 25, "lead_time_days": 6}  # fmt: skip


@router.post("", **doc("Add a supplier", request=SupplierIn, answer=SupplierOut, status=201, example=MILL,
                       problems=("code-taken",)))  # fmt: skip
async def post_supplier(request: Request) -> Response:
    """Its terms are in its own currency; `rate` is what one unit of that costs in the workshop's."""
    return await deps.write(request, "manage", SupplierIn, suppliers.create)


@router.get("", **doc("List suppliers", answer=SupplierOut, many=True))
def get_suppliers(request: Request) -> Response:
    """By code, with the lead times that their deliveries taught."""
    return deps.list_(request, lambda scope, page: suppliers.list_(scope, page.after, page.limit))


@router.get("/{code}", **doc("Show a supplier", answer=SupplierOut, problems=("not-found",)))
def get_supplier(request: Request, code: str) -> Response:
    """Terms, and how long deliveries take: as stated while few were seen, as seen when there are more."""
    return deps.read(request, lambda scope: suppliers.show(scope, code))


@router.patch("/{code}", **doc("Change a supplier", request=SupplierPatch, answer=SupplierOut, example={"lead_time_days": 9}))
async def patch_supplier(request: Request, code: str) -> Response:
    """Only what is sent changes; the currency only while nothing is offered or ordered in it."""
    return await deps.write(
        request, "manage", SupplierPatch, lambda scope, body: suppliers.edit(scope, code, body), 200,
        shown=lambda scope: suppliers.show(scope, code),
    )  # fmt: skip
