"""Papers of every kind over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions import documents
from service.api import deps
from service.api.docs import doc
from service.shapes.base import CODE_PATTERN
from service.shapes.papers import DocumentOut

router = APIRouter(prefix="/v1/documents", tags=["Documents"])


@router.get("", **doc("List documents of every kind, newest first", answer=DocumentOut, many=True, problems=("not-found",)))
def get_documents(request: Request, item: Annotated[str | None, Query(pattern=CODE_PATTERN)] = None) -> Response:
    """Receipts, counts, runs and the rest, with the corrections they caused; of one item with `item`."""
    return deps.list_(request, lambda scope, page: documents.list_(scope, item, page.after_id(), page.limit))
