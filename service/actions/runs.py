"""Production runs: record one, plan one, end a plan, show them."""

import json
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers, plans, stock
from service.actions.making import run_making, run_now, run_then
from service.actions.scope import Scope
from service.actions.selling import orders
from service.errors import NotFound
from service.shapes.runs import CancellationIn, CompletionIn, RunIn
from service.store import runs

OF_OLDER_BOOKS: dict[str, Any] = {"first_used": None, "changed_by": [], "moved": [], "fixed_lots": [], "order": None,
                                  **papers.UNLINKED}  # fmt: skip


def record(scope: Scope, run: RunIn) -> dict[str, Any]:
    """Record a completed run in one transaction, or plan one; answers the run as the contract shows it."""
    if run.status == "planned":
        return plans.add(scope, run)
    when = papers.happened(scope, run.made_on, "#/made_on")
    if run.order is not None:
        orders.order_of(scope, run.order, "#/order")
    plan, warnings = plans.matching(scope, run)
    if plan is not None:
        run = plans.with_fixed(plan, run)
    return run_making.make(scope, run, when, plan, warnings)


def complete(scope: Scope, code: str, completion: CompletionIn) -> dict[str, Any]:
    """End a plan by making it."""
    plan = plans.open_plan(scope, code)
    run = plans.of_completion(plan, completion)
    when = papers.happened(scope, completion.made_on, "#/made_on")
    return run_making.make(scope, run, when, plan, [])


def cancel(scope: Scope, code: str, cancellation: CancellationIn) -> dict[str, Any]:
    """End a plan without making it: its claim is freed."""
    return plans.cancel(scope, code, cancellation)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A run: codes, quantities, dates and sentence as recorded; what it used, lacked and cost as known now."""
    row = runs.by_code(scope.connection, scope.workshop.id, code)
    if row is None:
        raise NotFound(f"there is no batch '{code}'")
    return _shown(scope, [row])[0]


def as_known(scope: Scope, code: str, known_at: date | datetime) -> dict[str, Any]:
    """A run as the books said it at a moment: as first written, until something of it changed."""
    row, moment = runs.by_code(scope.connection, scope.workshop.id, code), stock.until(scope, known_at)
    then = None if row is None else run_then.as_known(scope, row, moment)
    if then is None:
        raise NotFound(f"there was no batch '{code}' at {papers.local(scope, moment)}")
    return OF_OLDER_BOOKS | then


def list_(scope: Scope, state: str | None, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Runs, newest first, and where the next page starts."""
    rows = runs.page(scope.connection, scope.workshop.id, state, after, limit + 1)
    more = len(rows) > limit
    return _shown(scope, rows[:limit]), rows[limit - 1].id if more else None


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    known = run_now.overlays(scope, rows)
    return [OF_OLDER_BOOKS | json.loads(row.facts)["answer"] | {"state": row.state} | known.get(row.id, {}) for row in rows]
