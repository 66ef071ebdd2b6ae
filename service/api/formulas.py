"""Formulas and batch sheets over HTTP."""

from decimal import Decimal
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import BeforeValidator

from service.actions import formulas, sheets
from service.api import deps
from service.api.docs import doc
from service.core.units import parse_decimal
from service.shapes.formulas import FormulaIn, FormulaOut, FormulaPatch, SheetOut, VersionIn

router = APIRouter(prefix="/v1/formulas", tags=["Formulas"])
SALVE = {
    "code": "plain-salve", "name": "Plain salve", "usual_batch_g": 1000, "process_loss_percent": 1.5,
    "lines": [{"material": "sunflower-oil", "percent": 70, "phase": "A"},
              {"material": "beeswax", "percent": "rest", "phase": "A"}],
}  # fmt: skip
NEXT = {"usual_batch_g": 1200, "lines": SALVE["lines"]}
Number = Annotated[
    Decimal | None, BeforeValidator(lambda text: None if text is None else parse_decimal(text)), Query(ge=0, le=10**9)
]


@router.post("", **doc("Add a formula", request=FormulaIn, answer=FormulaOut, status=201, example=SALVE,
                       problems=("code-taken", "formula-loop")))  # fmt: skip
async def post_formula(request: Request) -> Response:
    """Percentages by weight that sum to exactly 100; its bulk material gets its code."""
    return await deps.write(request, "manage", FormulaIn, formulas.create)


@router.get("", **doc("List formulas", answer=FormulaOut, many=True))
def get_formulas(request: Request) -> Response:
    """Each in its latest version, by code."""
    return deps.list_(request, lambda scope, page: formulas.list_(scope, page.after, page.limit))


@router.get("/{code}", **doc("Show a formula", answer=FormulaOut, problems=("not-found", "invalid-value")))
def get_formula(request: Request, code: str, version: Annotated[int | None, Query(ge=1, le=1_000_000)] = None) -> Response:
    """The latest version, or the one asked for."""
    return deps.read(request, lambda scope: formulas.show(scope, code, version))


@router.patch("/{code}", **doc("Change a formula's name, or answer its flag", request=FormulaPatch, answer=FormulaOut,
                               example={"name": "Heather balm"}))  # fmt: skip
async def patch_formula(request: Request, code: str) -> Response:
    """All that scales or dates belongs to a version."""
    return await deps.write(
        request, "manage", FormulaPatch, lambda scope, body: formulas.edit(scope, code, body), 200,
        shown=lambda scope: formulas.show(scope, code),
    )  # fmt: skip


@router.post("/{code}/versions", **doc("Make the next version of a formula", request=VersionIn, answer=FormulaOut,
                                       status=201, example=NEXT, problems=("formula-loop",)))  # fmt: skip
async def post_version(request: Request, code: str) -> Response:
    """Older versions stay as they were."""
    return await deps.write(request, "manage", VersionIn, lambda scope, body: formulas.new_version(scope, code, body))


@router.get("/{code}/sheet", **doc("A batch sheet", answer=SheetOut, problems=("not-found", "invalid-value")))
def get_sheet(
    request: Request,
    code: str,
    version: Annotated[int | None, Query(ge=1, le=1_000_000)] = None,
    batch_g: Number = None,
    fraction: Number = None,
    product: Annotated[str | None, Query(max_length=64)] = None,
    units: Annotated[int | None, Query(ge=1, le=1_000_000)] = None,
) -> Response:
    """Scaled to `batch_g`, to a `fraction` of the usual batch, or to `units` of a `product`."""
    return deps.read(
        request,
        lambda scope: sheets.sheet(
            scope, code, version=version, batch_g=batch_g, fraction=fraction, product=product, units=units
        ),
    )
