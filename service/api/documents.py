"""Papers of every kind over HTTP."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.actions import documents
from service.actions.scope import Scope
from service.api import deps
from service.api.docs import doc
from service.api.pages import Page
from service.shapes.base import CODE
from service.shapes.papers import DocumentKind, DocumentOut, DocumentShown

router = APIRouter(prefix="/v1/documents", tags=["Documents"])


@router.get(
    "",
    **doc("List documents of every kind, newest first", answer=DocumentOut, many=True, problems=("not-found", "invalid-value")),
)
def get_documents(
    request: Request,
    kind: DocumentKind | None = None,
    item: Annotated[str | None, Query(pattern=CODE)] = None,
    lot: Annotated[str | None, Query(max_length=64)] = None,
    token: Annotated[str | None, Query(max_length=120, description="a token's code, or its name")] = None,
    from_: Annotated[str | None, Query(alias="from", description="happened on that day or later")] = None,
    until: Annotated[str | None, Query(description="happened on that day or before")] = None,
) -> Response:
    """Receipts, counts, runs and the rest, with the corrections they caused; of an `item` or a `lot` what states or moves it."""
    since, last = deps.day(from_, "from"), deps.day(until, "until")

    def listed(scope: Scope, page: Page) -> tuple[list[dict[str, Any]], int | None]:
        wanted = documents.wanted(scope, kind, item, lot, token, since, last)
        return documents.list_(scope, wanted, page.after_id(), page.limit)

    return deps.list_(request, listed)


@router.get("/{document}", **doc("Show a document of any kind", answer=DocumentShown, problems=("not-found",)))
def get_document(request: Request, document: str) -> Response:
    """An edit or a correction shows what it set; every paper what it moved by itself, and what it is linked to."""
    return deps.read(request, lambda scope: documents.show(scope, document))
