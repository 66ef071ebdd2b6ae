"""Reversals: take a paper out whole, once."""

import json
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.scope import Scope
from service.core.movements import Entries
from service.core.units import money_out, quantity_out
from service.errors import AlreadyReversed, Conflict, FieldError, Forbidden, NotFound, StillNamed
from service.shapes.papers import ReversalIn
from service.store import items, ledger, lots, runs

REVERSIBLE = ("receipt", "count", "disposal", "run")


def record(scope: Scope, body: ReversalIn) -> dict[str, Any]:
    """Undo a receipt, count, disposal or run; 409 names what stands on it."""
    row = _reversible(scope, body.document)
    causes = ledger.caused_by(scope.connection, scope.workshop.id, row.id)
    moves = ledger.movements_of(scope.connection, scope.workshop.id, [row.id, *(one.id for one in causes)])
    stated = ledger.lines_of(scope.connection, scope.workshop.id, row.id)
    touched = {move.item_id for move in moves} | {line.item_id for line in stated}
    items.lock(scope.connection, scope.workshop.id, sorted(touched))
    if ledger.reversal_of(scope.connection, scope.workshop.id, row.id) is not None:
        raise AlreadyReversed(f"{row.code} is reversed already")
    _nothing_stands_on(scope, row, [move.item_id for move in moves])
    entries = _back(scope, row, moves)
    paper = papers.new_paper(scope, "reversal", (row.happened_on, row.happened_at), reverses_id=row.id)
    known = stock.items_of(scope, touched)
    codes = {move.lot_id: move.lot_code for move in moves}
    of = {move.lot_id: known[move.item_id] for move in moves}
    answer = {
        "reversal": paper.code,
        "reverses": row.code,
        "reason": body.reason,
        "movements": [
            {
                "item": of[move.lot_id].code,
                "lot": None if of[move.lot_id].id == move.lot_id else codes[move.lot_id],
                "quantity": quantity_out(move.quantity, of[move.lot_id].unit),
                "cost": money_out(move.cost),
            }
            for move in entries.movements
        ],
        "recorded_at": papers.local(scope, scope.now),
        "recorded_by": scope.actor.name,
        "sentence": f"{row.kind.capitalize()} {row.code} is reversed.",
    }
    paper.facts = answer
    ledger.post(scope.connection, scope.workshop.id, paper, (), entries)
    if row.kind == "run":
        _reopen(scope, row)
    return answer


def _reversible(scope: Scope, code: str) -> Row[Any]:
    row = ledger.by_code(scope.connection, scope.workshop.id, code)
    run = runs.by_code(scope.connection, scope.workshop.id, code)
    if run is not None and run.document_id is not None:
        row = ledger.by_ids(scope.connection, scope.workshop.id, [run.document_id])[run.document_id]
    if row is None:
        if run is not None:
            raise Conflict(f"batch {code} is {run.state}: there is nothing to reverse", state=run.state)
        raise NotFound(f"there is no document '{code}'", errors=[FieldError("is not there", pointer="#/document", given=code)])
    if row.kind not in REVERSIBLE:
        raise Conflict(f"a {row.kind} cannot be reversed", kind=row.kind)
    own = row.token_id == scope.actor.token_id and row.recorded_at.astimezone(scope.zone).date() == scope.today
    if "manage" not in scope.actor.scopes and not own:
        raise Forbidden("a token with 'record' may take back only what it recorded itself today", needs="manage")
    return row


def _nothing_stands_on(scope: Scope, row: Row[Any], touched: list[int]) -> None:
    made = lots.of_document(scope.connection, scope.workshop.id, row.id)
    holds = ledger.lots_touched_since(scope.connection, scope.workshop.id, [lot.id for lot in made], row.id)
    counted = ledger.counts_since(scope.connection, scope.workshop.id, set(touched), row.id) if touched else []
    named = {one.code: one.kind for one in [*holds, *counted]}
    if named:
        said = ", ".join(f"{kind} {code}" for code, kind in list(named.items())[:5])
        raise StillNamed(
            f"{row.code} cannot be reversed while {said} stands on it",
            holds=[{"document": code, "kind": kind} for code, kind in named.items()],
        )


def _back(scope: Scope, row: Row[Any], moves: list[Row[Any]]) -> Entries:
    """The opposite of every movement; what is left's worth decides the money (law 9)."""
    rows = lots.by_ids(scope.connection, scope.workshop.id, {move.lot_id for move in moves})
    balances = {key: papers.balance(lot) for key, lot in rows.items()}
    entries = Entries()
    for move in moves:
        lot = balances[move.lot_id]
        if not move.quantity:
            continue
        if lot.unbooked:
            cost = None if move.cost_micro is None else -move.cost_micro
            entries.change_unbooked(move.line, lot, -move.quantity, cost)
        else:
            if lot.on_hand < move.quantity:
                raise StillNamed(f"{row.code} cannot be reversed: lot {move.lot_code} holds less than it brought", holds=[])
            entries.change(move.line, lot, -move.quantity)
    return entries


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
