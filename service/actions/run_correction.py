"""Corrections of runs: "42" instead of "24". The batch code stays, the first statement is kept."""

import json
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.late import late, restating
from service.actions.late.redraw import Redraw
from service.actions.making import run_answer, run_draw, run_named, run_target
from service.actions.making import run_batch as batch
from service.actions.making import run_making as making
from service.actions.making.run_now import drawn_now
from service.actions.reversals import only_own
from service.actions.scope import Scope
from service.core.stock import costs, happening
from service.core.stock.netted import netted
from service.errors import Conflict, NotFound
from service.shapes.runs import RunCorrectionIn, RunIn
from service.store import items as item_store
from service.store import ledger, lots, replay, runs
from service.store import papers as paper_store
from service.store.ledger import Stated


def record(scope: Scope, code: str, body: RunCorrectionIn) -> dict[str, Any]:
    """State a run anew, under its batch code; what it drew and made, and what was sold of it, follows (law 13)."""
    run = runs.by_code(scope.connection, scope.workshop.id, code, lock=True)
    if run is None:
        raise NotFound(f"there is no batch '{code}'")
    if run.state != "completed":
        raise Conflict(f"batch {code} is {run.state}: there is nothing to correct", state=run.state)
    row = paper_store.by_ids(scope.connection, scope.workshop.id, [run.document_id])[run.document_id]
    only_own(scope, row)
    when = (row.happened_on, row.happened_at)
    asked = _asked(run, body)
    version = json.loads(run.facts)["answer"]["version"]
    target = run_target.work_out(scope, asked, row.happened_on, version)
    by_code, items = making.items_of_run(scope, target, asked)
    needs = run_draw.really_used(scope, target, asked, by_code)
    named, _ = run_named.named_lots(scope, target, needs, asked, row.happened_on, items)
    before = restating.as_stated(scope, row.id)
    known = {line.item_id for line in before}
    locked = item_store.lock(scope.connection, scope.workshop.id, sorted(known | set(items)), happening.rank(*when))
    made = {lot.item_id: lot for lot in lots.of_document(scope.connection, scope.workshop.id, row.id)}
    ids = _lots_again(target, asked, made, items)
    lines = _keep_order(making.stated_lines(needs, named, target, asked, locked, ids), before)
    paper = papers.new_paper(scope, "correction", when, corrects_id=row.id)
    paper.facts = {"note": body.note, "set": body.model_dump(mode="json", exclude_unset=True, exclude={"dry_run", "note"})}
    since = restating.since(scope, row, replay.lines(scope.connection, scope.workshop.id, [row.id])[row.id])
    ledger.post(scope.connection, scope.workshop.id, paper, lines)
    for output in target.outputs:
        lots.change(scope.connection, scope.workshop.id, made[output.item_id].id, {"quantity": output.quantity})
    for item, day in _named_days(scope, named, items, row.happened_on).items():
        since[item] = min(day, since.get(item, day))
    since = {item: day for item, day in since.items() if items.get(item) is None or items[item].stocked}
    redraw = Redraw.begin(scope, paper, row.id)
    followed = late.follow(scope, redraw, since, {lot.id for lot in made.values()})
    return _told(scope, run, row, asked, target, needs, named, items, paper, followed)


def _asked(run: Row[Any], body: RunCorrectionIn) -> RunIn:
    """The first request with what the correction tells instead."""
    first = json.loads(run.facts)["asked"]
    told = body.model_dump(mode="json", exclude_unset=True, exclude={"dry_run"})
    if "units" in told and "units_made" not in told:
        first.pop("units_made", None)
    kept = {name: value for name, value in first.items() if name not in ("status", "planned_on", "plan", "strict", "dry_run")}
    return RunIn.model_validate({**kept, **told})


def _lots_again(target: run_target.Target, asked: RunIn, made: dict[int, Any], items: dict[int, Any]) -> list[int]:
    """The lots that the batch has; another size cannot come or go by a correction."""
    wanted = {output.item_id for _, output in batch.outputs_of(target, asked)}
    if wanted != made.keys():
        raise Conflict("a correction changes quantities, not what was made: reverse the run and record it again")
    return [made[output.item_id].id if output.item_id in made else 0 for output in target.outputs]


def _keep_order(lines: list[Stated], before: list[Stated]) -> list[Stated]:
    """The run keeps its place in each item's order of recording."""
    papers_before = {line.item_id: line.paper for line in before}
    return [
        Stated(line.item_id, papers_before.get(line.item_id, line.paper), line.quantity, line.lot_id, line.instead_of_id,
               line.output, line.mass_mg, line.named)
        for line in lines
    ]  # fmt: skip


def _named_days(scope: Scope, named: list[run_target.NamedLots], items: Any, day: date) -> dict[int, date]:
    """From when the items of this run are drawn again: its day, or the first of a lot it names now."""
    days = dict.fromkeys(items, day)
    ids = {lot for some in named for lot, _ in some}
    for lot in lots.by_ids(scope.connection, scope.workshop.id, ids).values():
        days[lot.item_id] = min(day, lot.received_on)
    return days


def _told(
    scope: Scope, run: Row[Any], row: Row[Any], asked: RunIn, target: run_target.Target, needs: list[run_target.Need],
    named: list[run_target.NamedLots], items: Any, paper: ledger.Paper, followed: late.Followed,
) -> dict[str, Any]:  # fmt: skip
    """Keep what the run says now, and answer the correction."""
    nets = netted(replay.movements(scope.connection, scope.workshop.id, [row.id]))
    drawn = drawn_now(scope, needs, named, nets, items)
    facts = json.loads(run.facts)
    first = facts["answer"]
    batch_lots = [lot._asdict() for lot in lots.of_document(scope.connection, scope.workshop.id, row.id)]
    short = run_draw.shortages(drawn, items, row.happened_on)
    again = batch.Made(target, drawn, items, paper, batch_lots, first["batch"]["best_before"], first["batch"]["ready_on"],
                        first["batch"]["status"], costs.total([one.cost for one in drawn.taken]))  # fmt: skip
    answer = batch.answer_of(scope, asked, again, run.code, short, first["warnings"], None)
    answer |= {name: first[name] for name in ("plan", "planned_on", "recorded_at", "recorded_by", "made_on")}
    facts |= {"asked": asked.model_dump(mode="json", exclude_unset=True), "first": facts.get("first") or first, "answer": answer}
    runs.change(scope.connection, scope.workshop.id, run.id, units=target.units, batch_mg=target.batch_mg, facts=facts)
    said = run_answer.sentence(target, drawn, run.code, asked.outcome == "scrapped", short, items, scope.today)
    shown = {
        "correction": paper.code, "corrects": run.code, **_figures(answer), "note": paper.facts["note"],
        "recorded_at": papers.local(scope, scope.now), "recorded_by": scope.actor.name, "warnings": [], "moved": [],
        "reverses": None, "caused_by": None,
        "sentence": f"Batch {run.code} is corrected: {said}",
    }  # fmt: skip
    return papers.told(shown, followed)


def _figures(answer: dict[str, Any]) -> dict[str, Any]:
    return {name: answer[name] for name in ("batch", "batch_g", "used", "shortages", "yield_percent", "cost", "unit_cost")}
