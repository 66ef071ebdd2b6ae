"""Deliveries over HTTP."""

from fastapi import APIRouter, Query, Request, Response

from service.actions.buying import deliveries
from service.api import deps
from service.api.docs import doc
from service.shapes.purchases import DeliveryOut, FreeDeliveryIn

router = APIRouter(prefix="/v1/deliveries", tags=["Purchase orders"])
NOTE = {"supplier": "larkrigg-packaging", "note_number": "88-102", "delivery_charge": 6.5,
        "lines": [{"material": "tin-60", "quantity": 100, "price": 36},
                  {"material": "pump-28", "quantity": 50, "price": 20.5}]}  # fmt: skip


@router.post("", **doc("Book a delivery note without an order", request=FreeDeliveryIn, answer=DeliveryOut, status=201,
                       example=NOTE))  # fmt: skip
async def post_free_delivery(request: Request) -> Response:
    """One receipt a line, all or none; the delivery charge is shared over the lots by value."""
    return await deps.write(request, "record", FreeDeliveryIn, deliveries.free)


@router.get("", **doc("List deliveries, newest first", answer=DeliveryOut, many=True, problems=("not-found",)))
def get_deliveries(request: Request, supplier: str | None = Query(None, max_length=64)) -> Response:
    """As recorded."""
    return deps.list_(request, lambda scope, page: deliveries.list_(scope, supplier, page.after_id(), page.limit))


@router.get("/{delivery}", **doc("Show a delivery", answer=DeliveryOut, problems=("not-found",)))
def get_delivery(request: Request, delivery: str) -> Response:
    """As recorded, and which of its receipts were reversed since."""
    return deps.read(request, lambda scope: deliveries.show(scope, delivery), sentence=True)
