"""Purchase orders over HTTP, and what is delivered for them."""

from fastapi import APIRouter, Query, Request, Response

from service.actions.buying import deliveries, purchase_answers, purchase_orders
from service.api import deps, printed
from service.api.accept import HTML, TEXT
from service.api.docs import doc
from service.shapes.purchases import (
    DeliveryIn,
    DeliveryOut,
    PlacementIn,
    PurchaseCancellationIn,
    PurchaseOrderIn,
    PurchaseOrderOut,
    PurchaseOrderPatch,
    PurchaseState,
)

router = APIRouter(prefix="/v1/purchase-orders", tags=["Purchase orders"])
ASKED = {"supplier": "tarn-botanicals", "lines": [{"offer": "F-0001", "packs": 2},
         {"material": "glycerin", "quantity": 5, "unit": "kg", "price": 21}]}  # fmt: skip
NOTE = {"note_number": "DN-4471", "lines": [{"line": 1, "supplier_lot": "SH-77", "expires_on": "2100-06"}]}
WRITTEN = {TEXT: lambda order: str(order["message"]) + "\n", HTML: printed.purchase_order}


@router.post("", **doc("Draft a purchase order", request=PurchaseOrderIn, answer=PurchaseOrderOut, status=201, example=ASKED))
async def post_purchase_order(request: Request) -> Response:
    """Packs of offers, at their prices of today; or any material, in packs of a quantity."""
    return await deps.write(request, "manage", PurchaseOrderIn, purchase_orders.create)


@router.get("", **doc("List purchase orders, newest first", answer=PurchaseOrderOut, many=True))
def get_purchase_orders(
    request: Request,
    state: PurchaseState | None = None,
    supplier: str | None = Query(None, max_length=64),
    material: str | None = Query(None, max_length=64),
    late: bool = False,
) -> Response:
    """As known now; `late`: those that were expected before today and are not all there."""
    return deps.list_(
        request,
        lambda scope, page: purchase_answers.list_(scope, state, supplier, material, late, page.after_id(), page.limit),
    )


@router.get("/{code}", **doc("Show a purchase order", answer=PurchaseOrderOut, html=True, problems=("not-found",)))
def get_purchase_order(request: Request, code: str) -> Response:
    """What was ordered and what came. As `text/plain` the text to paste into a message, as `text/html` a page to print."""
    return deps.read(request, lambda scope: purchase_answers.show(scope, code), written=WRITTEN)


@router.patch("/{code}", **doc("Change a purchase order", request=PurchaseOrderPatch, answer=PurchaseOrderOut,
                               example={"note": "leave it at the side door"}))  # fmt: skip
async def patch_purchase_order(request: Request, code: str) -> Response:
    """The lines of a draft; of a placed one its days, and the lines of which no more is awaited."""
    return await deps.write(
        request, "manage", PurchaseOrderPatch, lambda scope, body: purchase_orders.edit(scope, code, body), 200,
        shown=lambda scope: purchase_answers.show(scope, code),
    )  # fmt: skip


@router.post("/{code}/placement", **doc("Place a purchase order", request=PlacementIn, answer=PurchaseOrderOut, example={}))
async def post_placement(request: Request, code: str) -> Response:
    """It was sent: from now on it is awaited, by default after the supplier's likely lead time."""
    return await deps.write(request, "manage", PlacementIn, lambda scope, body: purchase_orders.place(scope, code, body), 200)


@router.post("/{code}/cancellation", **doc("Cancel a purchase order", request=PurchaseCancellationIn, answer=PurchaseOrderOut,
                                           example={"reason": "out of stock there"}))  # fmt: skip
async def post_cancellation(request: Request, code: str) -> Response:
    """While nothing of it came; what will not come of a partly received one is closed instead."""
    return await deps.write(
        request, "manage", PurchaseCancellationIn, lambda scope, body: purchase_orders.cancel(scope, code, body), 200
    )


@router.post("/{code}/deliveries", **doc("Book a delivery note of a purchase order", request=DeliveryIn, answer=DeliveryOut,
                                         status=201, example=NOTE))  # fmt: skip
async def post_delivery(request: Request, code: str) -> Response:
    """One receipt a line, all or none; the charge for delivery is shared over the lots by value. It says what differs."""
    return await deps.write(request, "record", DeliveryIn, lambda scope, body: deliveries.of_order(scope, code, body))
