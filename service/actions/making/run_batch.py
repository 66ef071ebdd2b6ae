"""The batch that a run makes: its lots with their dates, status and share of the cost; and the run as an answer."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.making import run_answer, run_target
from service.actions.making.run_draw import Drawn
from service.actions.making.run_target import Target
from service.actions.scope import Scope
from service.core.stock import costs, draw
from service.core.units import money_out, quantity_out
from service.shapes.runs import Performed, RunIn
from service.store.items import ItemRow
from service.store.ledger import Paper

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


def make_batch(
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
        cost = costs.total([share, drawn.cost_of("packaging", output=at)])
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
                cost_micro=cost,
                estimated=drawn.estimated and cost is not None,
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


def answer_of(
    scope: Scope, run: RunIn, made: Made, code: str, short: list[dict[str, Any]], warnings: list[dict[str, Any]],
    plan: Row[Any] | None,
) -> dict[str, Any]:  # fmt: skip
    """The run as the contract shows it."""
    target, scrapped = made.target, run.outcome == "scrapped"
    units = sum(lot["quantity"] for lot in made.lots if made.items[lot["item_id"]].kind == "product")
    said = run_answer.sentence(target, made.drawn, code, scrapped, short, made.items, scope.today)
    said = said if plan is None else f"{said[:-1]}; it completes the plan."
    return {
        "batch": {
            "code": code,
            "units": units if target.product or (target.outputs[:1] and units) else None,
            "status": None if scrapped else made.status,
            "best_before": made.best_before,
            "ready_on": made.ready_on,
            "lots": run_answer.batch_lots(made.lots, made.items),
        },
        **{"state": "completed", "outcome": run.outcome},
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
        **papers.UNLINKED,
        "yield_percent": run_answer.yield_percent(target, scrapped),
        "cost": money_out(made.cost),
        "unit_cost": run_answer.unit_cost(made.cost, units, "piece") if len(made.lots) == 1 and units else None,
        "estimated": made.drawn.estimated,
        "plan": plan.code if plan is not None else None,
        "order": run.order,
        "note": run.note,
        "reason": run.reason,
        **run_answer.recorded(scope),
        "sentence": said,
    }
