"""Lots: listed, shown, edited. Each edit is kept as a document."""

from datetime import date
from typing import Any

from service.actions import papers, stock
from service.actions.scope import Scope
from service.core import draw
from service.errors import Forbidden, Invalid, NotFound
from service.shapes.papers import LotPatch
from service.store import items, ledger, lots
from service.store.ledger import Stated

BENCH = {"place", "opened_on", "note"}


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A lot by its code."""
    rows = lots.shown(scope.connection, scope.workshop.id, code=code, empty=True)
    if not rows:
        raise NotFound(f"there is no lot '{code}'")
    return stock.lot_dict(scope, rows[0])


def list_(
    scope: Scope, *, item: str | None, status: str | None, place: str | None, expires_before: date | None,
    empty: bool, after: str | None, limit: int,
) -> tuple[list[dict[str, Any]], str | None]:  # fmt: skip
    """Lots by code; emptied ones only when asked for."""
    ids = None
    if item is not None:
        found = items.by_code(scope.connection, scope.workshop.id, item)
        ids = [found.id] if found is not None else []
    rows = lots.shown(
        scope.connection, scope.workshop.id, items=ids, status=status, place=place, expires_before=expires_before,
        empty=empty, after=after, limit=limit + 1,
    )  # fmt: skip
    return [stock.lot_dict(scope, row) for row in rows[:limit]], rows[limit - 1].code if len(rows) > limit else None


def edit(scope: Scope, code: str, patch: LotPatch) -> dict[str, Any]:
    """Change a lot's status, dates, place or certificate, keeping who, when and why."""
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    if "manage" not in scope.actor.scopes and sent.keys() - BENCH:
        raise Forbidden("a token with 'record' may set a lot's `place` and `opened_on` only", needs="manage")
    lot = papers.lot_of(scope, code, "code")
    number = items.lock(scope.connection, scope.workshop.id, [lot.item_id])[lot.item_id]
    note = sent.pop("note", None)
    if "status" in sent:
        if sent["status"] is None:
            raise Invalid.field("#/status", "must not be null")
        sent |= {"status_by": scope.actor.name, "status_on": scope.today}
        sent.setdefault("status_reason", None)
    elif "status_reason" in sent:
        raise Invalid.field("#/status_reason", "goes with a `status`")
    if sent.get("opened_on") is not None and sent["opened_on"] > scope.today:
        raise Invalid.field("#/opened_on", "must not be in the future", str(sent["opened_on"]), f"up to {scope.today}")
    if "expires_on" in sent:
        sent["expires_assumed"] = False
    expires, opened = sent.get("expires_on", lot.expires_on), sent.get("opened_on", lot.opened_on)
    sent["use_by"] = draw.last_usable_day(expires, opened, lot.opened_life_days)
    before = {name: getattr(lot, name) for name in sent}
    paper = papers.new_paper(scope, "edit", (scope.today, scope.now))
    paper.facts = {"lot": code, "note": note, "before": before, "after": sent}
    ledger.post(scope.connection, scope.workshop.id, paper, [Stated(lot.item_id, number, 0, lot.id)])
    lots.change(scope.connection, scope.workshop.id, lot.id, sent)
    return show(scope, code)
