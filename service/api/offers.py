"""Offers over HTTP."""

from fastapi import APIRouter, Query, Request, Response

from service.actions.buying import offers
from service.api import deps
from service.api.docs import doc
from service.shapes.buying import OfferIn, OfferOut, OfferPatch

router = APIRouter(prefix="/v1/offers", tags=["Suppliers"])
PAIL = {"supplier": "fellside-oils", "material": "olive-oil", "article": "OO-05", "pack": {"quantity": 5, "unit": "l"},
        "price": 39.5, "breaks": [{"packs": 4, "price": 36}], "life_days": 500, "claims": ["organic"]}  # fmt: skip


@router.post("", **doc("Add an offer", request=OfferIn, answer=OfferOut, status=201, example=PAIL))
async def post_offer(request: Request) -> Response:
    """A pack of an ingredient or of packaging at a price; a volume is converted with the material's density."""
    return await deps.write(request, "manage", OfferIn, offers.create)


@router.get("", **doc("List offers", answer=OfferOut, many=True))
def get_offers(
    request: Request, supplier: str | None = Query(None, max_length=64), material: str | None = Query(None, max_length=64)
) -> Response:
    """By code, with the prices of a kilogram or a piece."""
    return deps.list_(request, lambda scope, page: offers.list_(scope, supplier, material, page.after, page.limit))


@router.get("/{code}", **doc("Show an offer", answer=OfferOut, problems=("not-found",)))
def get_offer(request: Request, code: str) -> Response:
    """What a kilogram or a piece costs, without and with its share of delivery."""
    return deps.read(request, lambda scope: offers.show(scope, code))


@router.patch("/{code}", **doc("Change an offer", request=OfferPatch, answer=OfferOut, example={"price": 61.2}))
async def patch_offer(request: Request, code: str) -> Response:
    """Only what is sent changes; what is drafted or placed keeps its price."""
    return await deps.write(
        request, "manage", OfferPatch, lambda scope, body: offers.edit(scope, code, body), 200,
        shown=lambda scope: offers.show(scope, code),
    )  # fmt: skip
