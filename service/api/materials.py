"""Materials over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import materials
from service.api import deps
from service.api.docs import doc
from service.shapes.materials import MaterialIn, MaterialOut, MaterialPatch, MovementOut, StockAt

router = APIRouter(prefix="/v1/materials", tags=["Materials"])
OATS = {"code": "oat-oil", "name": "Oat oil", "inci": "AVENA SATIVA KERNEL OIL", "function": ["emollient"],
        "shelf_life_days": 540}  # fmt: skip


@router.post("", **doc("Add a material", request=MaterialIn, answer=MaterialOut, status=201, example=OATS,
                       problems=("code-taken",)))  # fmt: skip
async def post_material(request: Request) -> Response:
    """An ingredient (weighed in grams) or packaging (counted, or weighed)."""
    return await deps.write(request, "manage", MaterialIn, materials.create)


@router.get("", **doc("List materials with their stock", answer=MaterialOut, many=True))
def get_materials(request: Request) -> Response:
    """Ingredients, packaging and bulk, by code."""
    return deps.list_(request, lambda scope, page: materials.list_(scope, page.after, page.limit))


@router.get("/{code}", **doc("Show a material with its stock and lots", answer=MaterialOut, other=StockAt,
                         problems=("not-found", "invalid-value")))  # fmt: skip
def get_material(request: Request, code: str, at: str | None = None, known_at: str | None = None) -> Response:
    """On hand in its parts, what plans claim, what is available, and what is unbooked."""
    day, known = deps.moment(at, "at"), deps.moment(known_at, "known_at")
    if day is not None or known is not None:
        return deps.read(request, lambda scope: materials.as_of(scope, code, materials.KINDS, day, known))
    return deps.read(request, lambda scope: materials.show(scope, code))


@router.patch("/{code}", **doc("Change a material", request=MaterialPatch, answer=MaterialOut,
                               example={"notes": "Keep below 20 degrees."}))  # fmt: skip
async def patch_material(request: Request, code: str) -> Response:
    """Only what is sent changes."""
    return await deps.write(
        request, "manage", MaterialPatch, lambda scope, body: materials.edit(scope, code, body), 200,
        shown=lambda scope: materials.show(scope, code),
    )  # fmt: skip


@router.get("/{code}/movements", **doc("The ledger of a material", answer=MovementOut, many=True, problems=("not-found",)))
def get_movements(request: Request, code: str) -> Response:
    """Every change of its lots, newest first."""
    return deps.list_(request, lambda scope, page: materials.movements(scope, code, materials.KINDS, page.after, page.limit))
