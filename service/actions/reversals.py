"""Reversals: take a paper out as if it had never been, once (law 13)."""

import json
from typing import Any

from sqlalchemy import Row

from service.actions import papers, plans, stock
from service.actions.buying import purchase_orders
from service.actions.late import late, restating
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.selling import orders
from service.errors import AlreadyReversed, Conflict, FieldError, Forbidden, NotFound, StillNamed
from service.shapes.papers import ReversalIn
from service.store import items, ledger, lots, replay, runs
from service.store import papers as paper_store

REVERSIBLE = ("receipt", "count", "disposal", "split", "run", "shipment", "return")


def record(scope: Scope, body: ReversalIn) -> dict[str, Any]:
    """Undo a receipt, count, disposal, split, run, shipment or return; 409 names what stands on it."""
    row = reversible(scope, body.document)
    stated = replay.lines(scope.connection, scope.workshop.id, [row.id])[row.id]
    touched = {line.item_id for line in stated}
    if row.kind == "shipment":
        orders.hold(scope, row.id)
    bought = purchase_orders.hold(scope, row.id) if row.kind == "receipt" else None
    items.lock(scope.connection, scope.workshop.id, sorted(touched))
    if paper_store.reversal_of(scope.connection, scope.workshop.id, row.id) is not None:
        raise AlreadyReversed(f"{row.code} is reversed already")
    holders = _holders(scope, row, body.settle)
    then = restating.standing(scope, row)  # a receipt may have been corrected to another day
    paper = papers.new_paper(scope, "reversal", (then.happened_on, then.happened_at), reverses_id=row.id)
    paper.facts = {"reverses": row.code, "reason": body.reason}
    ledger.post(scope.connection, scope.workshop.id, paper)
    if row.kind == "shipment":
        orders.none_back_of(scope, row.id, row.code)
    redraw = Redraw.begin(scope, paper, row.id)
    since = restating.since(scope, row, stated)
    for run, lost in holders.items():
        for item, day in restating.without_lots(scope, redraw, run, lost).items():
            since[item] = min(day, since.get(item, day))
    followed = late.follow(scope, redraw, since)
    if row.kind == "run":
        _reopen(scope, row)
    elif row.kind == "shipment":
        orders.paper_reversed(scope, row.id)
    elif bought is not None:
        purchase_orders.follow(scope, bought)
    return papers.told(show(scope, paper.code), followed)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A reversal, and what it moved back."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "reversal")
    if row is None:
        raise NotFound(f"there is no reversal '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Reversals, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["reversal"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    moved = stock.changes(scope, rows)
    of = paper_store.by_ids(scope.connection, scope.workshop.id, {row.reverses_id for row in rows})
    return [
        {
            "reversal": row.code,
            **papers.facts_of(row),
            "movements": moved[row.id],
            "recorded_at": papers.local(scope, row.recorded_at),
            "recorded_by": row.recorded_by,
            "warnings": [],
            "moved": [],
            "corrects": None,
            "caused_by": None,
            "sentence": f"{of[row.reverses_id].kind.capitalize()} {papers.facts_of(row)['reverses']} is reversed.",
        }
        for row in rows
    ]


def reversible(scope: Scope, code: str) -> Row[Any]:
    """The document of this code that may be taken back, or corrected, by the caller."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code)
    run = runs.by_code(scope.connection, scope.workshop.id, code)
    if run is not None and run.document_id is not None:
        row = paper_store.by_ids(scope.connection, scope.workshop.id, [run.document_id])[run.document_id]
    if row is None:
        if run is not None:
            raise Conflict(f"batch {code} is {run.state}: there is nothing to reverse", state=run.state)
        raise NotFound(f"there is no document '{code}'", errors=[FieldError("is not there", pointer="#/document", given=code)])
    if row.kind not in REVERSIBLE:
        raise Conflict(f"a {row.kind} cannot be reversed", kind=row.kind)
    only_own(scope, row)
    return row


def only_own(scope: Scope, row: Row[Any]) -> None:
    """A token without `manage` takes back what it recorded itself on the same day."""
    own = row.token_id == scope.actor.token_id and row.recorded_at.astimezone(scope.zone).date() == scope.today
    if "manage" not in scope.actor.scopes and not own:
        raise Forbidden("a token with 'record' may take back only what it recorded itself today", needs="manage")


def _holders(scope: Scope, row: Row[Any], settle: bool) -> dict[int, set[int]]:
    """Runs that name what the paper made, with those lots; 409 unless they may be settled, and for all that is no draw."""
    made = [lot.id for lot in lots.of_document(scope.connection, scope.workshop.id, row.id)]
    found = paper_store.naming(scope.connection, scope.workshop.id, made, row.id)
    refused = [(one.code, one.kind) for one in found if not (settle and one.kind == "run")]
    refused += [(one.code, "return") for one in lots.returned_of(scope.connection, scope.workshop.id, made)]
    codes = {lot.code for lot in lots.by_ids(scope.connection, scope.workshop.id, made).values()}
    fixed = plans.fixing(scope, codes) if codes else []
    if not settle:
        refused += [(plan.code, "plan") for plan in fixed]
    if refused:
        said = ", ".join(dict.fromkeys(f"{kind} {code}" for code, kind in refused[:5]))
        first = settle or any(kind not in ("run", "plan") for _, kind in refused)
        holds = [{"document": code, "kind": kind} for code, kind in dict(refused).items()]
        more = ": reverse it first" if first else ", or say `settle`"
        raise StillNamed(f"{row.code} cannot be reversed while {said} names what it made{more}", holds=holds)
    for plan in fixed:
        plans.unfix(scope, plan, codes)
    holders: dict[int, set[int]] = {}
    for one in found:
        holders.setdefault(one.id, set()).add(one.lot_id)
    return holders


def _reopen(scope: Scope, row: Row[Any]) -> None:
    """A reversed run that completed a plan opens the plan again."""
    run = runs.of_document(scope.connection, scope.workshop.id, row.id)
    assert run is not None
    if run.plan_id is None:
        runs.change(scope.connection, scope.workshop.id, run.id, state="reversed")
        return
    facts = json.loads(run.facts)
    facts["asked"] = facts["planned"]
    facts["answer"] = facts["answer"] | {"state": "planned", "plan": None, "used": [], "shortages": [], "cost": None,
                                         "unit_cost": None, "yield_percent": None, "made_on": None}  # fmt: skip
    facts["answer"]["batch"] = facts["answer"]["batch"] | {"lots": [], "status": None, "best_before": None, "ready_on": None}
    facts["answer"]["sentence"] = f"Batch {run.code} is planned again."
    runs.change(
        scope.connection, scope.workshop.id, run.id, state="planned", plan_id=None, document_id=None, made_on=None, facts=facts
    )
