"""Making a batch: draw, make its lots, write the paper. Law 7: whole, or refused and nothing changes."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import late, papers, run_answer, run_draw, run_named, run_target
from service.actions.redraw import Redraw
from service.actions.run_draw import Drawn
from service.actions.run_now import drawn_now
from service.actions.run_target import Target
from service.actions.scope import Scope
from service.core import costs, draw, happening
from service.core.movements import Entries
from service.core.netted import netted
from service.core.units import money_out, quantity_out
from service.errors import FieldError, NotEnoughStock, NotFound
from service.shapes.runs import Performed, RunIn
from service.store import items as item_store
from service.store import ledger, lots, replay, runs
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated

MASS = ("ingredient", "bulk", "addition", "content")


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
    by_code, items = items_of_run(scope, target, run)
    needs = run_draw.really_used(scope, target, run, by_code)
    named, rows = run_named.named_lots(scope, target, needs, run, day, items)
    locked = item_store.lock(scope.connection, scope.workshop.id, sorted(items), happening.rank(*when, happening.ASSUMED))
    code = plan.code if plan is not None else papers.code_for(scope, "B")
    paper = papers.new_paper(scope, "run", when, code=_document_code(scope, code, plan))
    paper.facts = {"batch": code}
    ids = [scope.new_id() for _ in target.outputs]
    stated = stated_lines(needs, named, target, run, locked, ids)
    drawn, redraw, since = _draw(scope, paper, stated, needs, named, rows, items, locked)
    short = run_draw.shortages(drawn, items, day)
    bad = run_draw.bad_named(drawn, day)
    if run.strict and (short or bad):
        raise _strict(short, bad)
    made = _make(scope, run, target, drawn, items, paper, code, bool(bad), ids)
    followed = _write(scope, made, stated, redraw, since, locked)
    warnings = target.warnings + warnings + run_answer.lot_warnings(drawn, bad, made.best_before)
    warnings += run_answer.named_warnings(drawn, named, items) + run_answer.short_warnings(short, by_code)
    warnings += run_answer.plan_warnings(scope, drawn, plan.id if plan is not None else None, scope.today)
    warnings += papers.same_day(scope, locked.values(), when)
    answer = answer_of(scope, run, made, code, short, warnings, plan)
    if followed is not None:
        papers.told(answer, followed)
    _keep(scope, run, made, code, plan, answer)
    return answer


def _draw(
    scope: Scope, paper: Paper, stated: Sequence[Stated], needs: list[run_target.Need], named: Sequence[run_target.NamedLots],
    rows: dict[int, Row[Any]], items: Mapping[int, ItemRow], locked: Mapping[int, item_store.Locked],
) -> tuple[Drawn, Redraw | None, dict[int, date]]:  # fmt: skip
    """Draw from the books as they are; items whose later papers it comes before are drawn again from its day on."""
    day = paper.happened_on
    drawn_items = {need.item_id for need in needs if items[need.item_id].stocked}
    low = {item: happening.NAMED for at, need in enumerate(needs) for item in [need.item_id] if named[at]}
    behind = {
        item
        for item in drawn_items
        if not late.in_order(locked[item], happening.rank(day, paper.happened_at, low.get(item, happening.ASSUMED)))
    }
    drawn = run_draw.draw_all(scope, needs, named, rows, day, items, behind)
    more = run_named.too_small(drawn, named)
    if more:
        drawn = run_draw.draw_all(scope, needs, named, rows, day, items, behind | more)
    if not behind | more:
        return drawn, None, {}
    since = dict.fromkeys(behind | more, day)
    for some in named:
        for lot, _ in some:
            item = rows[lot].item_id
            if item in since:
                since[item] = min(since[item], rows[lot].received_on)
    ledger.post(scope.connection, scope.workshop.id, paper, stated, drawn.entries)
    redraw = Redraw.begin(scope, paper)
    for item in sorted(since):
        redraw.item(items[item], since[item])
    redraw.books.write()
    nets = netted(replay.movements(scope.connection, scope.workshop.id, [paper.id]))
    return drawn_now(scope, needs, named, nets, items), redraw, since


def _write(
    scope: Scope, made: Made, stated: Sequence[Stated], redraw: Redraw | None, since: dict[int, date],
    locked: Mapping[int, item_store.Locked],
) -> late.Followed | None:  # fmt: skip
    """Write the run, or its lots where its draws are written; what it made may have been sold before it was told."""
    connection, workshop, paper = scope.connection, scope.workshop.id, made.paper
    wanted = {lot["item_id"] for lot in made.lots}
    sold = lots.with_unbooked(connection, workshop, wanted) if wanted else set()
    came = happening.rank(paper.happened_on, paper.happened_at, happening.CAME)
    again = {item for item in wanted if item in sold or not late.in_order(locked[item], came)}
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


def items_of_run(scope: Scope, target: Target, run: Performed) -> tuple[dict[str, ItemRow], dict[int, ItemRow]]:
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
    paper: Paper,
    code: str,
    unfit: bool,
    ids: Sequence[int],
) -> Made:
    """The batch's lots: dates, status, and their share of what the run cost (law 9)."""
    status = "quarantined" if unfit else "released"
    day = paper.happened_on
    outputs = outputs_of(target, run)
    mass = drawn.cost_of(*MASS) if outputs else None
    shares = costs.shared(mass, [output.grams or output.quantity for _, output in outputs])
    made_on, ready_on = _dates(target, drawn, day)
    new_lots = []
    best: list[date | None] = []
    for n, ((at, output), share) in enumerate(zip(outputs, shares, strict=True)):
        best.append(_best_before(target, drawn, output.shelf_life_days, made_on))
        new_lots.append(
            papers.new_lot(
                scope,
                items[output.item_id],
                paper,
                id=ids[at],
                code=paper.code if n == 0 else f"{paper.code}-{n + 1}",
                quantity=output.quantity,
                made=True,
                received_on=day,
                expires_on=best[-1],
                use_by=best[-1] or draw.FOREVER,
                ready_on=ready_on,
                status=status,
                cost_micro=costs.total([share, drawn.cost_of("packaging", output=at)]),
                estimated=drawn.estimated,
            )
        )
    known = [day_ for day_ in best if day_ is not None]
    total = costs.total([one.cost for one in drawn.taken])
    return Made(target, drawn, items, paper, new_lots, min(known, default=None), ready_on, status, total)


def outputs_of(target: Target, run: Performed) -> list[tuple[int, run_target.Output]]:
    """What becomes stock, with its place among the target's outputs; nothing of a scrapped run."""
    if run.outcome == "scrapped":
        return []
    return [(at, output) for at, output in enumerate(target.outputs) if output.quantity]


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


def answer_of(
    scope: Scope,
    run: Performed,
    made: Made,
    code: str,
    short: list[dict[str, Any]],
    warnings: list[dict[str, Any]],
    plan: Row[Any] | None,
) -> dict[str, Any]:
    """The run as the contract shows it."""
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
        "fixed_lots": json.loads(plan.facts)["answer"].get("fixed_lots", []) if plan is not None else [],
        "made_on": made.paper.happened_on,
        "made_by": run.made_by,
        "used": run_answer.used(made.drawn, made.items),
        "shortages": short,
        "warnings": warnings,
        "concerns": [],
        "first_used": None,
        "changed_by": [],
        "moved": [],
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
