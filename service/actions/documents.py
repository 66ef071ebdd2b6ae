"""Every paper, corrections too: what it is, when it happened, and what it reverses, corrects or was caused by."""

from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.paging import onward
from service.actions.scope import Scope
from service.store import papers as paper_store


def list_(scope: Scope, item: str | None, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Papers, newest first; with `item` those that state or move something of it."""
    wanted = None if item is None else papers.item_of(scope, item, "item").id
    rows = paper_store.all_of(scope.connection, scope.workshop.id, wanted, after, limit + 1)
    named = stock.linked_codes(scope, rows[:limit])
    return [_shown(scope, row, named) for row in rows[:limit]], onward(rows, limit)


def _shown(scope: Scope, row: Row[Any], named: Any) -> dict[str, Any]:
    return {
        "document": row.code,
        "kind": row.kind,
        "happened_on": row.happened_on,
        "happened_at": papers.local(scope, row.happened_at),
        "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "reverses": named.get(row.reverses_id),
        "corrects": named.get(row.corrects_id),
        "caused_by": named.get(row.caused_by_id),
    }
