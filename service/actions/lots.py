"""Lots: listed, shown, edited. Each edit is kept as a document."""

import json
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.late import late, reading
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.stock import draw, happening
from service.errors import Forbidden, Invalid, NotFound
from service.shapes.lots import LotPatch
from service.store import items, ledger, lots, places, replay
from service.store.ledger import Stated

BENCH = {"place", "opened_on"}
USABLE = {"status", "expires_on", "retest_on", "opened_on", "place"}  # what may let a waiting draw have the lot
EDITED = ("status", "expires_on", "retest_on", "ready_on", "opened_on", "opened_by_hand", "place", "set_apart")


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
    return [stock.lot_dict(scope, row) for row in rows[:limit]], onward(rows, limit, "code")


def edit(scope: Scope, code: str, patch: LotPatch) -> dict[str, Any]:
    """Change a lot's status, dates, place or certificate from a day on, keeping who, when and why."""
    sent = {name: getattr(patch, name) for name in patch.model_fields_set - {"note", "effective_on", "dry_run"}}
    if "manage" not in scope.actor.scopes and sent.keys() - BENCH:
        raise Forbidden("a token with 'record' may set a lot's `place` and `opened_on` only", needs="manage")
    lot = papers.lot_of(scope, code, "code")
    when = papers.happened(scope, patch.effective_on, "#/effective_on")
    papers.must_be_there(scope, lot, when[0])
    if not sent and not patch.note:
        return show(scope, code) | {"moved": [], "warnings": [], "sentence": f"Lot {code} is as it was."}
    followed = keep(scope, lot, _facts(scope, sent, when[0]), when, patch.note)
    answer = show(scope, code) | {"moved": [], "warnings": [], "sentence": f"Lot {code} is changed."}
    return papers.told(answer, followed)


def keep(
    scope: Scope, lot: Row[Any], facts: dict[str, Any], when: tuple[date, datetime | None], note: str | None
) -> late.Followed:
    """Post an edit and let what it changes follow."""
    held, when, rank = papers.lock(scope, [lot.item_id], when)
    locked = held[lot.item_id]
    paper = papers.new_paper(scope, "edit", when)
    paper.facts = {"lot": lot.code, "note": note, "set": facts}
    if lot.arrived is None:
        lots.change(scope.connection, scope.workshop.id, lot.id, {"arrived": _arrived(lot)})
    ledger.post(scope.connection, scope.workshop.id, paper, [Stated(lot.item_id, locked.paper, 0, lot.id)])
    ledger.add_edit(scope.connection, scope.workshop.id, paper.id, lot.id, facts)
    _hold(scope, lot, facts, when, late.in_order(locked, rank))
    waits = lots.unbooked(scope.connection, scope.workshop.id, lot.item_id)
    if not late.in_order(locked, rank) or (waits and facts.keys() & USABLE):
        return late.follow(scope, Redraw.begin(scope, paper), {lot.item_id: when[0]})
    return late.Followed()


def _facts(scope: Scope, sent: dict[str, Any], day: date) -> dict[str, Any]:
    """What an edit sets, checked; a status says who set it, when and why."""
    facts = dict(sent)
    if "status" in sent:
        if sent["status"] is None:
            raise Invalid.field("#/status", "must not be null")
        facts |= {"status_by": scope.actor.name, "status_on": day}
        facts.setdefault("status_reason", None)
    elif "status_reason" in sent:
        raise Invalid.field("#/status_reason", "goes with a `status`")
    if sent.get("opened_on") is not None and sent["opened_on"] > scope.today:
        raise Invalid.field("#/opened_on", "must not be in the future", str(sent["opened_on"]), f"up to {scope.today}")
    if "opened_on" in sent:
        facts["opened_by_hand"] = sent["opened_on"] is not None
    if "place" in sent:
        facts["set_apart"] = places.set_apart(scope.connection, scope.workshop.id, sent["place"])
    if "expires_on" in sent:
        facts["expires_assumed"] = False
    return facts


def _arrived(lot: Row[Any]) -> str:
    """A lot's facts before its first edit: what a redraw starts from."""
    facts = {name: getattr(lot, name) for name in EDITED}
    if not lot.opened_by_hand:
        facts["opened_on"] = None
    return reading.kept(facts)


def _hold(scope: Scope, lot: Row[Any], facts: dict[str, Any], when: tuple[date, datetime | None], last: bool) -> None:
    """The lot's facts as they stand now: of each, what the edit that happened last says."""
    standing = dict(facts)
    if not last:
        mine = happening.rank(*when)
        for other in replay.edits(scope.connection, scope.workshop.id, [lot.id]):
            if happening.rank(other.happened_on, other.happened_at) > mine:
                standing = {name: value for name, value in standing.items() if name not in json.loads(other.facts)}
    expires, opened = standing.get("expires_on", lot.expires_on), standing.get("opened_on", lot.opened_on)
    standing["use_by"] = draw.last_usable_day(expires, opened, lot.opened_life_days)
    lots.change(scope.connection, scope.workshop.id, lot.id, standing)
