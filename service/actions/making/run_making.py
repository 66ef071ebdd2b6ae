"""Making a batch: draw, make its lots, write the paper. Law 7: whole, or refused and nothing changes."""

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.making import drawing, run_answer, run_draw, run_named, run_target
from service.actions.making.run_batch import Made, answer_of, make_batch, outputs_of
from service.actions.making.run_target import Target
from service.actions.scope import Scope
from service.core.stock import happening
from service.core.stock.movements import Entries
from service.errors import FieldError, NotEnoughStock, NotFound
from service.shapes.runs import Performed, RunIn
from service.store import items as item_store
from service.store import ledger, orders, runs
from service.store.items import ItemRow
from service.store.ledger import Stated


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
    by_code, items = items_of_run(scope, target, run)
    needs = run_draw.really_used(scope, target, run, by_code)
    named, rows = run_named.named_lots(scope, target, needs, run, day, items)
    locked, when, _ = papers.lock(scope, sorted(items), when, happening.ASSUMED)
    code = plan.code if plan is not None else papers.code_for(scope, "B")
    paper = papers.new_paper(scope, "run", when, code=_document_code(scope, code, plan))
    paper.facts = {"batch": code}
    ids = [scope.new_id() for _ in target.outputs]
    stated = stated_lines(needs, named, target, run, locked, ids)
    drawn, redraw, since = drawing.draw(scope, paper, stated, needs, named, rows, items, locked)
    short = run_draw.shortages(drawn, items, day)
    bad = run_draw.bad_named(drawn, day)
    if run.strict and (short or bad):
        raise _strict(short, bad, by_code)
    made = make_batch(scope, run, target, drawn, items, paper, code, bool(bad), ids)
    followed = _write(scope, made, stated, redraw, since, locked)
    warnings = target.warnings + warnings + run_answer.lot_warnings(drawn, bad, made.best_before)
    warnings += run_answer.named_warnings(drawn, named, items) + run_answer.short_warnings(short, by_code)
    warnings += run_answer.plan_warnings(scope, drawn, plan.id if plan is not None else None, scope.today)
    warnings += run_answer.order_warnings(scope, drawn, items, plan.id if plan is not None else None)
    warnings += papers.same_day(scope, locked.values(), when)
    answer = answer_of(scope, run, made, code, short, warnings, plan)
    if followed is not None:
        papers.told(answer, followed)
    _keep(scope, run, made, code, plan, answer)
    return answer


def _write(
    scope: Scope, made: Made, stated: Sequence[Stated], redraw: Redraw | None, since: dict[int, date],
    locked: Mapping[int, item_store.Locked],
) -> late.Followed | None:  # fmt: skip
    """Write the run, or its lots where its draws are written; what it made may have been sold before it was told."""
    connection, workshop, paper = scope.connection, scope.workshop.id, made.paper
    wanted = {lot["item_id"] for lot in made.lots}
    came = happening.rank(paper.happened_on, paper.happened_at, happening.CAME)
    again = {item for item in wanted if not late.moves_nothing(scope, item, locked[item], came, paper.happened_on)}
    new = list(enumerate(made.lots))
    at_once = [(n, lot) for n, lot in new if lot["item_id"] not in again]
    entries = made.drawn.entries if redraw is None else Entries()
    for n, lot in at_once:
        entries.change(len(made.drawn.needs) + n, papers.balance(lot), lot["quantity"])
    if redraw is None:
        ledger.post(connection, workshop, paper, stated, entries, made.lots)
        if not again:
            return None
        redraw = Redraw.begin(scope, paper)
        redraw.books.continue_at(paper.id, len(entries.movements))
    else:
        ledger.add_lots(connection, workshop, made.lots)
        redraw.books.enter_now(entries)
    for item in sorted(again):
        redraw.item(made.items[item], min(paper.happened_on, since.get(item, paper.happened_on)))
    return late.finish(scope, redraw)


def _document_code(scope: Scope, code: str, plan: Row[Any] | None) -> str:
    """The batch code; a plan completed again after a reversal gets a number behind it."""
    if plan is None:
        return code
    again = json.loads(plan.facts).get("completions", 0)
    return code if not again else f"{code}.{again + 1}"


def _strict(
    short: Sequence[dict[str, Any]], bad: Sequence[tuple[Any, str]], items: Mapping[str, ItemRow]
) -> NotEnoughStock:  # fmt: skip
    said = [f"the books lack {run_answer.lacking(short, items)}"] if short else []
    said += [f"lot {lot.code} is {state}" for lot, state in bad]
    errors = [FieldError(f"{one['material']} lacks {one['short']} of {one['needed']}", pointer="#/strict") for one in short]
    return NotEnoughStock(
        "nothing was recorded: " + "; ".join(said),
        errors=errors,
        shortages=list(short),
        lots=[{"lot": lot.code, "why": state} for lot, state in bad],
    )


def items_of_run(scope: Scope, target: Target, run: Performed) -> tuple[dict[str, ItemRow], dict[int, ItemRow]]:
    """Every item the run touches, by code and by id; a material that is not there is a 404."""
    told = [(use.instead_of, f"#/used/{n}/instead_of") for n, use in enumerate(run.used) if use.instead_of]
    told += [(use.material, f"#/used/{n}/material") for n, use in enumerate(run.used)]
    told += [(one.material, f"#/lots/{n}/material") for n, one in enumerate(run.lots)]
    found = item_store.by_codes(scope.connection, scope.workshop.id, {code for code, _ in told})
    for code, pointer in told:
        if code not in found:
            raise NotFound(f"there is no item '{code}'", errors=[FieldError("is not there", pointer=pointer, given=code)])
    ids = {need.item_id for need in target.needs} | {output.item_id for output in target.outputs}
    by_id = item_store.by_ids(scope.connection, scope.workshop.id, ids | {item.id for item in found.values()})
    return {item.code: item for item in by_id.values()}, by_id


def stated_lines(
    needs: Sequence[run_target.Need], named: Sequence[run_target.NamedLots], target: Target, run: Performed,
    locked: Mapping[int, item_store.Locked], ids: Sequence[int],
) -> list[Stated]:  # fmt: skip
    """What the paper states: each need, with the lots that were named for it, and each output."""
    outputs = outputs_of(target, run)
    bears = {at: len(needs) + n for n, (at, _) in enumerate(outputs)}  # an output's line
    lines = [
        Stated(
            need.item_id, locked[need.item_id].paper, -need.quantity, None, need.instead_of,
            bears.get(need.output) if need.part == "packaging" and need.output is not None else None, None, named[at],
        )
        for at, need in enumerate(needs)
    ]  # fmt: skip
    return lines + [
        Stated(output.item_id, locked[output.item_id].paper, output.quantity, ids[at],
               mass_mg=output.grams or output.quantity)
        for at, output in outputs
    ]  # fmt: skip


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
    order = orders.by_reference(scope.connection, scope.workshop.id, run.order) if run.order is not None else None
    if order is not None:
        values["order_id"] = order.id
    if plan is not None:
        runs.change(scope.connection, scope.workshop.id, plan.id, plan_id=plan.id, **values)
        return
    new = {"id": scope.new_id(), "code": code, "planned_on": None, "plan_id": None, **values}
    runs.add(scope.connection, scope.workshop.id, new)
