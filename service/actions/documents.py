"""Every paper, corrections too: what it is, when it happened, and what it reverses, corrects or was caused by."""

from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.paging import onward
from service.actions.scope import Scope
from service.errors import NotFound
from service.store import papers as paper_store
from service.store.papers import Wanted


def wanted(
    scope: Scope, kind: str | None, item: str | None, lot: str | None, token: str | None, since: date | None, until: date | None
) -> Wanted:
    """Which papers are asked for, by the codes of what they are about."""
    return Wanted(
        kind,
        None if item is None else papers.item_of(scope, item, "item").id,
        None if lot is None else papers.lot_of(scope, lot, "lot").id,
        token,
        since,
        until,
    )


def list_(scope: Scope, of: Wanted, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Papers, newest first."""
    rows = paper_store.all_of(scope.connection, scope.workshop.id, of, after, limit + 1)
    named = stock.linked_codes(scope, rows[:limit])
    return [_shown(scope, row, named) for row in rows[:limit]], onward(rows, limit)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A paper of any kind by its code, with what it told and moved."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code)
    if row is None:
        raise NotFound(f"there is no document '{code}'")
    facts = papers.facts_of(row)
    told = {"note": facts.get("note") or facts.get("reason"), "set": facts.get("set")}
    return _shown(scope, row, stock.linked_codes(scope, [row])) | told | {"movements": stock.changes(scope, [row])[row.id]}


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
