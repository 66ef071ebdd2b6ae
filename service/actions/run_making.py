"""Making a batch: draw, make its lots, write the paper. Law 7: whole, or refused and nothing changes."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers, run_answer, run_draw, run_target
from service.actions.run_draw import Drawn
from service.actions.run_target import Target
from service.actions.scope import Scope
from service.core import costs, draw
from service.core.units import money_out, quantity_out
from service.errors import FieldError, NotEnoughStock, NotFound
from service.shapes.runs import Performed, RunIn
from service.store import items as item_store
from service.store import ledger, runs
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated


@dataclass(slots=True)
class Made:
    """A run being recorded."""

    target: Target
    drawn: Drawn
    items: Mapping[int, ItemRow]
    paper: Paper
    lots: list[dict[str, Any]]
    best_before: date | None
    ready_on: date | None
    status: str
    cost: int | None


def make(
    scope: Scope,
    run: RunIn,
    when: tuple[date, datetime | None],
    plan: Row[Any] | None,
    warnings: list[dict[str, Any]],
) -> dict[str, Any]:
    """Draw, make the batch and write it all; `plan` is the open plan this run completes."""
    day = when[0]
    version = json.loads(plan.facts)["answer"]["version"] if plan is not None else None
    target = run_target.work_out(scope, run, day, version)
    by_code, items = _items(scope, target, run)
    needs = run_draw.really_used(scope, target, run, by_code)
    numbers = item_store.lock(scope.connection, scope.workshop.id, sorted(items))
    drawn = run_draw.draw_all(scope, target, needs, run, day, items)
    short = run_draw.shortages(drawn, items, day)
    bad = run_draw.bad_named(drawn, day)
    if run.strict and (short or bad):
        raise _strict(short, bad)
    code = plan.code if plan is not None else papers.code_for(scope, "B")
    made = _make(scope, run, target, drawn, items, when, _document_code(scope, code, plan), bool(bad))
    warnings = target.warnings + warnings + run_answer.lot_warnings(drawn, bad, made.best_before)
    warnings += run_answer.short_warnings(short, by_code)
    warnings += run_answer.plan_warnings(scope, drawn, plan.id if plan is not None else None, scope.today)
    answer = _answer(scope, run, made, code, short, warnings, plan)
    made.paper.facts = {"batch": code}
    stated = _stated(needs, made, run, numbers)
    ledger.post(scope.connection, scope.workshop.id, made.paper, stated, drawn.entries, made.lots)
    _keep(scope, run, made, code, plan, answer)
    return answer


def _document_code(scope: Scope, code: str, plan: Row[Any] | None) -> str:
    """The batch code; a plan completed again after a reversal gets a number behind it."""
    if plan is None:
        return code
    again = json.loads(plan.facts).get("completions", 0)
    return code if not again else f"{code}.{again + 1}"


def _strict(short: Sequence[dict[str, Any]], bad: Sequence[tuple[Any, str]]) -> NotEnoughStock:
    said = [f"{one['material']} lacks {one['short']}" for one in short]
    said += [f"lot {lot.code} is {state}" for lot, state in bad]
    errors = [FieldError(f"lacks {one['short']} of {one['needed']}", pointer="#/strict") for one in short]
    return NotEnoughStock(
        "nothing was recorded: " + "; ".join(said),
        errors=errors,
        shortages=list(short),
        lots=[{"lot": lot.code, "why": state} for lot, state in bad],
    )


def _items(scope: Scope, target: Target, run: Performed) -> tuple[dict[str, ItemRow], dict[int, ItemRow]]:
    """Every item the run touches, by code and by id; a material that is not there is a 404."""
    codes = {use.material for use in run.used} | {use.instead_of for use in run.used if use.instead_of}
    codes |= {one.material for one in run.lots}
    found = item_store.by_codes(scope.connection, scope.workshop.id, codes)
    for code in sorted(codes - found.keys()):
        raise NotFound(f"there is no item '{code}'", errors=[FieldError("is not there", pointer="#/used", given=code)])
    ids = {need.item_id for need in target.needs} | {output.item_id for output in target.outputs}
    by_id = item_store.by_ids(scope.connection, scope.workshop.id, ids | {item.id for item in found.values()})
    return {item.code: item for item in by_id.values()}, by_id


def _make(
    scope: Scope,
    run: Performed,
    target: Target,
    drawn: Drawn,
    items: Mapping[int, ItemRow],
    when: tuple[date, datetime | None],
    code: str,
    unfit: bool,
) -> Made:
    """The batch's lots: dates, status, and their share of what the run cost (law 9)."""
    paper = papers.new_paper(scope, "run", when, code=code)
    status = "quarantined" if unfit else "released"
    day = when[0]
    scrapped = run.outcome == "scrapped"
    mass = drawn.cost_of("ingredient", "bulk", "addition", "content")
    outputs = [output for output in target.outputs if output.quantity] if not scrapped else []
    shares = costs.shared(mass, [output.grams or output.quantity for output in outputs])
    made_on, ready_on = _dates(target, drawn, day)
    new_lots = []
    best: list[date | None] = []
    for n, (output, share) in enumerate(zip(outputs, shares, strict=True)):
        at = target.outputs.index(output)
        cost = costs.total([share, drawn.cost_of("packaging", output=at)])
        best.append(_best_before(target, drawn, output.shelf_life_days, made_on))
        new_lots.append(
            papers.new_lot(
                scope,
                items[output.item_id],
                paper,
                code=code if n == 0 else f"{code}-{n + 1}",
                quantity=output.quantity,
                made=True,
                received_on=day,
                expires_on=best[-1],
                use_by=best[-1] or draw.FOREVER,
                ready_on=ready_on,
                status=status,
                cost_micro=cost,
                estimated=drawn.estimated,
            )
        )
    for n, lot in enumerate(new_lots):
        drawn.entries.change(len(drawn.needs) + n, papers.balance(lot), lot["quantity"])
    known = [day_ for day_ in best if day_ is not None]
    total = costs.total([mass, drawn.cost_of("packaging")])
    return Made(target, drawn, items, paper, new_lots, min(known, default=None), ready_on, status, total)


def _dates(target: Target, drawn: Drawn, day: date) -> tuple[date, date | None]:
    """The making day best before counts from, and the day the batch is fit for sale."""
    if target.bulk_lot is not None:
        return target.bulk_lot.received_on, target.bulk_lot.ready_on
    if target.is_set:
        resting = [one.lot.ready_on for one in drawn.taken if one.lot is not None and one.lot.ready_on]
        return day, max(resting, default=None)
    return day, day + timedelta(days=target.rest_days) if target.rest_days else None


def _best_before(target: Target, drawn: Drawn, shelf_life_days: int | None, made_on: date) -> date | None:
    """Making day plus shelf life; of a set the earliest inside."""
    own = None if shelf_life_days is None else made_on + timedelta(days=shelf_life_days)
    if not target.is_set:
        return own
    inside = [
        one.lot.use_by for one in drawn.taken if one.lot is not None and one.quantity and drawn.needs[one.need].part == "content"
    ]
    known = [day for day in [*inside, own] if day is not None and day != draw.FOREVER]
    return min(known, default=None)


def _stated(needs: Sequence[run_target.Need], made: Made, run: Performed, numbers: Mapping[int, int]) -> list[Stated]:
    """What the paper states: each need, with the lot that was named for it, and each output."""
    named = {one.need: one for one in made.drawn.taken if one.chosen == "named"}
    lines = []
    for at, need in enumerate(needs):
        lot = named[at].lot if at in named else None
        lines.append(
            Stated(
                need.item_id,
                numbers[need.item_id],
                -need.quantity,
                lot.id if lot is not None else None,
                named[at].quantity if at in named else None,
                need.instead_of,
            )
        )
    lines += [Stated(lot["item_id"], numbers[lot["item_id"]], lot["quantity"]) for lot in made.lots]
    return lines


def _answer(
    scope: Scope,
    run: Performed,
    made: Made,
    code: str,
    short: list[dict[str, Any]],
    warnings: list[dict[str, Any]],
    plan: Row[Any] | None,
) -> dict[str, Any]:
    target, scrapped = made.target, run.outcome == "scrapped"
    units = sum(lot["quantity"] for lot in made.lots if made.items[lot["item_id"]].kind == "product")
    alone = made.lots[0] if len(made.lots) == 1 and units else None
    said = run_answer.sentence(target, made.drawn, code, scrapped, short, made.items, scope.today)
    if plan is not None:
        said = f"{said[:-1]}; it completes the plan."
    return {
        "batch": {
            "code": code,
            "units": units if target.product or (target.outputs[:1] and units) else None,
            "status": None if scrapped else made.status,
            "best_before": made.best_before,
            "ready_on": made.ready_on,
            "lots": run_answer.batch_lots(made.lots, made.items),
        },
        "state": "completed",
        "outcome": run.outcome,
        "formula": target.formula.code if target.formula else None,
        "version": target.version.version if target.version is not None else None,
        "product": target.product.code if target.product else None,
        "batch_g": quantity_out(target.batch_mg, "g") if target.batch_mg is not None else None,
        "planned_on": plan.planned_on if plan is not None else None,
        "made_on": made.paper.happened_on,
        "made_by": run.made_by,
        "used": run_answer.used(made.drawn, made.items),
        "shortages": short,
        "warnings": warnings,
        "concerns": [],
        "yield_percent": run_answer.yield_percent(target, scrapped),
        "cost": money_out(made.cost),
        "unit_cost": run_answer.unit_cost(made.cost, alone["quantity"], "piece") if alone else None,
        "estimated": made.drawn.estimated,
        "plan": plan.code if plan is not None else None,
        "note": run.note,
        "reason": run.reason,
        **run_answer.recorded(scope),
        "sentence": said,
    }


def _keep(scope: Scope, run: RunIn, made: Made, code: str, plan: Row[Any] | None, answer: dict[str, Any]) -> None:
    """The run's row: new, or the plan's own."""
    before = json.loads(plan.facts) if plan is not None else {}
    facts = {
        "asked": run.model_dump(mode="json", exclude_unset=True),
        "planned": before.get("asked"),
        "answer": answer,
        "completions": before.get("completions", 0) + 1,
    }
    values = {
        "state": "completed",
        "formula_id": made.target.formula.id if made.target.formula else None,
        "product_id": made.target.product.id if made.target.product else None,
        "version_id": made.target.version.id if made.target.version is not None else None,
        "units": made.target.units,
        "batch_mg": made.target.batch_mg,
        "made_on": made.paper.happened_on,
        "document_id": made.paper.id,
        "facts": facts,
    }
    if plan is not None:
        runs.change(scope.connection, scope.workshop.id, plan.id, plan_id=plan.id, **values)
        return
    new = {"id": scope.new_id(), "code": code, "planned_on": None, "plan_id": None, **values}
    runs.add(scope.connection, scope.workshop.id, new)
