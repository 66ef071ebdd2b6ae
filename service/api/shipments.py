"""Shipments, returns and market days over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from service.actions.selling import market_days, returns, shipped
from service.api import deps
from service.api.docs import doc
from service.shapes.orders import MarketDayIn, ReturnOut, ShipmentOut

router = APIRouter(prefix="/v1", tags=["Orders"])
MARKET = {"lines": [{"product": "heather-balm-60", "units": 5, "unit_price": 11}]}


@router.get("/shipments", **doc("List shipments, newest first", answer=ShipmentOut, many=True))
def get_shipments(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: shipped.list_(scope, page.after_id(), page.limit))


@router.get("/shipments/{shipment}", **doc("Show a shipment", answer=ShipmentOut, problems=("not-found",)))
def get_shipment(request: Request, shipment: str) -> Response:
    """Which batches it took, what they cost, and what concerns them, as known now."""
    return deps.read(request, lambda scope: shipped.show(scope, shipment), sentence=True)


@router.get("/returns", **doc("List returns, newest first", answer=ReturnOut, many=True))
def get_returns(request: Request) -> Response:
    """As known now."""
    return deps.list_(request, lambda scope, page: returns.list_(scope, page.after_id(), page.limit))


@router.get("/returns/{return}", **doc("Show a return", answer=ReturnOut, problems=("not-found",)))
def get_return(request: Request, return_: Annotated[str, Path(alias="return")]) -> Response:
    """The lot that came back, and the batch's lot it comes from."""
    return deps.read(request, lambda scope: returns.show(scope, return_), sentence=True)


@router.post("/market-days", **doc("Record a market day", request=MarketDayIn, answer=ShipmentOut, status=201, example=MARKET,
                                   problems=("lot-not-there-yet",)))  # fmt: skip
async def post_market_day(request: Request) -> Response:
    """One total for each product, taken out of finished stock: demand of the channel `market`, kept as an order of the day."""
    return await deps.write(request, "record", MarketDayIn, market_days.record)
