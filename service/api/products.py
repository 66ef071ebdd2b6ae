"""Products over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import materials, products
from service.api import deps
from service.api.docs import doc
from service.shapes.materials import MovementOut, StockAt
from service.shapes.products import ProductIn, ProductOut, ProductPatch

router = APIRouter(prefix="/v1/products", tags=["Products"])
TIN = {"code": "heather-balm-15", "name": "Heather balm, 15 g", "formula": "heather-balm", "fill_g": 15,
       "packaging": [{"material": "tin-60", "quantity": 1}], "shelf_life_days": 540}  # fmt: skip


@router.post("", **doc("Add a product or a set", request=ProductIn, answer=ProductOut, status=201, example=TIN,
                       problems=("code-taken", "formula-loop")))  # fmt: skip
async def post_product(request: Request) -> Response:
    """A formula's bulk filled to a weight, with packaging; or other products in a box."""
    return await deps.write(request, "manage", ProductIn, products.create)


@router.get("", **doc("List products with their stock", answer=ProductOut, many=True))
def get_products(request: Request) -> Response:
    """By code."""
    return deps.list_(request, lambda scope, page: products.list_(scope, page.after, page.limit))


@router.get("/{code}", **doc("Show a product with its stock and batches", answer=ProductOut, other=StockAt,
                         problems=("not-found", "invalid-value")))  # fmt: skip
def get_product(request: Request, code: str, at: str | None = None, known_at: str | None = None) -> Response:
    """Its lots are its batches."""
    day, known = deps.moment(at, "at"), deps.moment(known_at, "known_at")
    if day is not None or known is not None:
        return deps.read(request, lambda scope: materials.as_of(scope, code, ("product",), day, known))
    return deps.read(request, lambda scope: products.show(scope, code))


@router.patch("/{code}", **doc("Change a product", request=ProductPatch, answer=ProductOut, example={"shelf_life_days": 365}))
async def patch_product(request: Request, code: str) -> Response:
    """Only what is sent changes."""
    return await deps.write(
        request, "manage", ProductPatch, lambda scope, body: products.edit(scope, code, body), 200,
        shown=lambda scope: products.show(scope, code),
    )  # fmt: skip


@router.get("/{code}/movements", **doc("The ledger of a product", answer=MovementOut, many=True, problems=("not-found",)))
def get_movements(request: Request, code: str) -> Response:
    """Every change of its batches, newest first."""
    return deps.list_(request, lambda scope, page: materials.movements(scope, code, ("product",), page.after, page.limit))
