"""Receipts over HTTP."""

from fastapi import APIRouter, Request, Response

from service.actions import receipt_correction, receipts
from service.api import deps
from service.api.docs import doc
from service.shapes.papers import ReceiptCorrectionIn, ReceiptCorrectionOut, ReceiptIn, ReceiptOut

router = APIRouter(prefix="/v1/receipts", tags=["Receipts"])
PAIL = {"material": "shea-butter", "quantity": 5, "unit": "kg", "supplier": "Tarn Botanicals", "supplier_lot": "SB-2291",
        "expires_on": "2028-05", "cost": 61.5}  # fmt: skip


@router.post("", **doc("Record a receipt", request=ReceiptIn, answer=ReceiptOut, status=201, example=PAIL))
async def post_receipt(request: Request) -> Response:
    """A delivery of one lot; a cost that is absent is not known yet, never 0."""
    return await deps.write(request, "record", ReceiptIn, receipts.record)


@router.get("", **doc("List receipts, newest first", answer=ReceiptOut, many=True))
def get_receipts(request: Request) -> Response:
    """As it stands, corrections included."""
    return deps.list_(request, lambda scope, page: receipts.list_(scope, page.after_id(), page.limit))


@router.get("/{receipt}", **doc("Show a receipt", answer=ReceiptOut, problems=("not-found",)))
def get_receipt(request: Request, receipt: str) -> Response:
    """As it stands, corrections included."""
    return deps.read(request, lambda scope: receipts.show(scope, receipt), sentence=True)


@router.post("/{receipt}/correction", **doc("Correct a receipt", request=ReceiptCorrectionIn, answer=ReceiptCorrectionOut,
                                            status=201, example={"cost": 64.2},
                                            problems=("not-found", "already-reversed", "lot-not-there-yet")))  # fmt: skip
async def post_correction(request: Request, receipt: str) -> Response:
    """Quantity, unit, dates, supplier's lot or cost, also after part of the lot was used."""
    return await deps.write(
        request, "record", ReceiptCorrectionIn, lambda scope, body: receipt_correction.record(scope, receipt, body)
    )
