"""Orders over HTTP, with their shipments and returns."""

from fastapi import APIRouter, Query, Request, Response

from service.actions.selling import orders, returns, shipments
from service.api import deps
from service.api.docs import doc
from service.shapes.orders import Channel, OrderIn, OrderOut, OrderPatch, ReturnIn, ReturnOut, ShipmentIn, ShipmentOut, State

router = APIRouter(prefix="/v1/orders", tags=["Orders"])  # shops' references may hold slashes: they are paths
ASKED = {"reference": "w-1042", "channel": "wholesale", "customer": "Corner shop", "due_on": "2100-05-12",
         "lines": [{"product": "heather-balm-60", "units": 12, "unit_price": 6.4}]}  # fmt: skip
BACK = {"batch": "B-0002", "units": 1, "condition": "lid dented"}


@router.post("", **doc("Accept an order", request=OrderIn, answer=OrderOut, status=201, example=ASKED, problems=("code-taken",)))
async def post_order(request: Request) -> Response:
    """From now on it claims finished stock, then what is planned, then materials, in turn by due date."""
    return await deps.write(request, "manage", OrderIn, orders.create)


@router.get("", **doc("List orders, newest first", answer=OrderOut, many=True))
def get_orders(
    request: Request,
    state: State | None = None,
    channel: Channel | None = None,
    customer: str | None = Query(None, min_length=1, max_length=120),
) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: orders.list_(scope, state, channel, customer, page.after_id(), page.limit))


@router.get("/{reference:path}", **doc("Show an order", answer=OrderOut, problems=("not-found",)))
def get_order(request: Request, reference: str) -> Response:
    """What was asked for, what left, what is open."""
    return deps.read(request, lambda scope: orders.show(scope, reference), sentence=True)


@router.patch("/{reference:path}", **doc("Change or cancel an order", request=OrderPatch, answer=OrderOut,
                                         example={"due_on": "2100-05-20"}))  # fmt: skip
async def patch_order(request: Request, reference: str) -> Response:
    """Days, customer, channel, note; its lines while nothing is shipped; `state` `cancelled` frees what it claims; `one_off`
    answers whether such orders will come again, which a forecast asks of one that stands out."""
    return await deps.write(
        request, "manage", OrderPatch, lambda scope, body: orders.edit(scope, reference, body), 200,
        shown=lambda scope: orders.show(scope, reference),
    )  # fmt: skip


@router.post("/{reference:path}/shipments", **doc("Record a shipment", request=ShipmentIn, answer=ShipmentOut, status=201,
                                                  example={}, problems=("not-enough-stock", "lot-not-there-yet")))  # fmt: skip
async def post_shipment(request: Request, reference: str) -> Response:
    """All that is open, first expired first out, unless lines and batches are named; never by itself one that rests."""
    return await deps.write(request, "record", ShipmentIn, lambda scope, body: shipments.record(scope, reference, body))


@router.post("/{reference:path}/returns", **doc("Record a return", request=ReturnIn, answer=ReturnOut, status=201, example=BACK,
                                                problems=("lot-not-there-yet",)))  # fmt: skip
async def post_return(request: Request, reference: str) -> Response:
    """What came back becomes a quarantined lot of its own, a child of the batch's."""
    return await deps.write(request, "record", ReturnIn, lambda scope, body: returns.record(scope, reference, body))
