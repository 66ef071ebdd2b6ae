"""Planned runs: they claim their materials until they are completed or cancelled."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import claiming, papers, products, stock
from service.actions.making import run_answer, run_draw, run_named, run_target
from service.actions.making.run_target import Target
from service.actions.scope import Scope
from service.actions.selling import orders
from service.core.making.claims import Plan
from service.core.units import quantity_out, said
from service.errors import Conflict, FieldError, NotFound
from service.shapes.runs import CancellationIn, CompletionIn, NamedLot, RunIn
from service.store import items as item_store
from service.store import lots
from service.store import runs as run_store
from service.store.items import ItemRow


def add(scope: Scope, run: RunIn) -> dict[str, Any]:
    """Plan a run: its batch code is given now, and its own lines are claimed."""
    day = run.planned_on or scope.today
    order = orders.open_order(scope, run.order, "#/order") if run.order is not None else None
    target = run_target.work_out(scope, run, day)
    ids = {need.item_id for need in target.needs} | {output.item_id for output in target.outputs}
    items = item_store.by_ids(scope.connection, scope.workshop.id, ids)
    needs: dict[int, int] = {}
    for need in target.needs:
        if items[need.item_id].stocked:
            needs[need.item_id] = needs.get(need.item_id, 0) + need.quantity
    makes = {output.item_id: output.quantity for output in target.outputs if output.quantity}
    target.warnings += products.case_warnings(products.cases(scope, makes), makes)
    item_store.lock(scope.connection, scope.workshop.id, sorted(needs))
    code = papers.code_for(scope, "B")
    fixed = _fixed(scope, run, target, items, day) if run.fix_lots else []
    planned = Plan(0, code, run.planned_on, needs, makes, order.id if order is not None else None)
    answer = _answer(scope, run, target, items, planned) | {"fixed_lots": fixed}
    asked = run.model_dump(mode="json", exclude_unset=True)
    if fixed:
        asked["lots"] = fixed
    values: dict[str, Any] = {
        "id": scope.new_id(),
        "code": code,
        "state": "planned",
        "formula_id": target.formula.id if target.formula else None,
        "product_id": target.product.id if target.product else None,
        "version_id": target.version.id if target.version is not None else None,
        "units": target.units,
        "batch_mg": target.batch_mg,
        "planned_on": run.planned_on,
        "made_on": None,
        "plan_id": None,
        "order_id": planned.order_id,
        "document_id": None,
        "facts": {"asked": asked, "answer": answer},
    }
    run_store.add(scope.connection, scope.workshop.id, values, [*sorted(needs.items()), *_made(makes)])
    return answer


def _made(makes: dict[int, int]) -> list[tuple[int, int]]:
    """What a plan will make, as its lines keep it: below 0."""
    return [(item, -quantity) for item, quantity in sorted(makes.items())]


def _fixed(scope: Scope, run: RunIn, target: Target, items: dict[int, ItemRow], day: date) -> list[dict[str, Any]]:
    """The lots its sheet shows now, named or first expired first out: its completion takes them as named."""
    named, rows = run_named.named_lots(scope, target, target.needs, run, max(day, scope.today), items)
    drawn = run_draw.draw_all(scope, target.needs, named, rows, max(day, scope.today), items)
    return [
        {
            "material": items[drawn.needs[one.need].item_id].code,
            "lot": one.lot.code,
            "quantity": quantity_out(one.quantity, items[drawn.needs[one.need].item_id].unit),
        }
        for one in drawn.taken
        if one.lot is not None and one.quantity
    ]


def _shortages(scope: Scope, plan: Plan, items: dict[int, ItemRow]) -> list[dict[str, Any]]:
    """What the plan lacks now, after what other plans claim, and orders that it does not serve."""
    rows = lots.with_stock(scope.connection, scope.workshop.id, list(plan.needs))
    usable = stock.usable_by_item(scope, rows, scope.today)
    claimed = claiming.beside(scope, plan)
    short: list[dict[str, Any]] = []
    for item_id, needed in sorted(plan.needs.items(), key=lambda pair: items[pair[0]].code):
        available = max(0, usable.get(item_id, 0) - claimed.get(item_id, 0))
        if needed > available:
            unit = items[item_id].unit
            short.append(
                {
                    "material": items[item_id].code,
                    "needed": quantity_out(needed, unit),
                    "taken": quantity_out(available, unit),
                    "short": quantity_out(needed - available, unit),
                    "unusable": [],
                }
            )
    return short


def _answer(scope: Scope, run: RunIn, target: Target, items: dict[int, ItemRow], planned: Plan) -> dict[str, Any]:
    code = planned.code
    short = _shortages(scope, planned, items)
    what = target.product or target.formula
    amount = f"{target.units} of" if target.units else f"{said(target.batch_mg or 0, 'g')} of"
    sentence = f"{amount} {what.name if what else 'it'} planned as batch {code}"
    lacking = ", ".join(one["material"] for one in short)
    return {
        "batch": {
            "code": code,
            "units": target.units,
            "status": None,
            "best_before": None,
            "ready_on": None,
            "lots": [],
        },
        "state": "planned",
        "outcome": "made",
        "formula": target.formula.code if target.formula else None,
        "version": target.version.version if target.version is not None else None,
        "product": target.product.code if target.product else None,
        "batch_g": quantity_out(target.batch_mg, "g") if target.batch_mg is not None else None,
        "planned_on": run.planned_on,
        "fixed_lots": [],
        "made_on": None,
        "made_by": run.made_by,
        "used": [],
        "shortages": short,
        "warnings": target.warnings,
        "concerns": [],
        "first_used": None,
        "changed_by": [],
        "moved": [],
        **papers.UNLINKED,
        "yield_percent": None,
        "cost": None,
        "unit_cost": None,
        "estimated": False,
        "plan": None,
        "order": run.order,
        "note": run.note,
        "reason": None,
        **run_answer.recorded(scope),
        "sentence": f"{sentence}; short of {lacking}." if short else f"{sentence}.",
    }


def matching(scope: Scope, run: RunIn) -> tuple[Row[Any] | None, list[dict[str, Any]]]:
    """The open plan a completed run ends: the one it names, else the only one for the same thing."""
    if run.plan == "none":
        return None, []
    formula = papers.item_of(scope, run.formula, "#/formula", "bulk") if run.formula else None
    product = papers.item_of(scope, run.product, "#/product", "product") if run.product else None
    if run.plan is not None:
        plan = open_plan(scope, run.plan, "#/plan")
        if product is not None and plan.product_id != product.id:
            raise Conflict(f"batch {plan.code} was planned for another product")
        if formula is not None and (plan.product_id is not None or plan.formula_id != formula.id):
            raise Conflict(f"batch {plan.code} was planned for another formula")
        return plan, _different(plan, run)
    found = run_store.open_for(
        scope.connection,
        scope.workshop.id,
        formula.id if formula else None,
        product.id if product else None,
    )
    if run.order is not None and len(found) > 1:
        order = orders.order_of(scope, run.order, "#/order")
        found = [plan for plan in found if plan.order_id == order.id]
    if len(found) != 1:
        return None, []
    plan = open_plan(scope, found[0].code)
    said_so = {
        "type": "plan-completed",
        "sentence": f"This completes the planned batch {plan.code}.",
        "batch": plan.code,
    }
    return plan, [said_so, *_different(plan, run)]


def _different(plan: Row[Any], run: RunIn) -> list[dict[str, Any]]:
    """A matched plan of another size frees its whole claim all the same."""
    if plan.units is None or plan.units == run.units:
        return []
    return [
        {
            "type": "differs-from-plan",
            "sentence": f"Batch {plan.code} was planned for {plan.units} units, {run.units} were recorded.",
            "planned": plan.units,
            "recorded": run.units,
        }
    ]


def cancel(scope: Scope, code: str, cancellation: CancellationIn) -> dict[str, Any]:
    """End a plan without making it: its claim is freed."""
    plan = open_plan(scope, code)
    facts = json.loads(plan.facts)
    facts["answer"] |= {
        "state": "cancelled",
        "reason": cancellation.reason,
        "sentence": f"Planned batch {plan.code} is cancelled.",
    }
    run_store.change(scope.connection, scope.workshop.id, plan.id, state="cancelled", facts=facts)
    answer: dict[str, Any] = facts["answer"]
    return answer


def of_completion(plan: Row[Any], completion: CompletionIn) -> RunIn:
    """The plan's request with what the completion told instead."""
    asked = json.loads(plan.facts)["asked"]
    told = completion.model_dump(mode="json", exclude_unset=True)
    asked = {key: value for key, value in asked.items() if key not in ("status", "planned_on", "plan", "fix_lots")}
    if told.get("lots"):  # an empty list names none at all
        told["lots"] += _beside(told["lots"], asked.get("lots", []))
    return RunIn.model_validate({**asked, **told})


def _beside(told: Sequence[Mapping[str, Any]], fixed: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The lots that a sheet names of the materials of which nothing else was told."""
    materials = {one["material"] for one in told}
    return [one for one in fixed if one["material"] not in materials]


def with_fixed(plan: Row[Any], run: RunIn) -> RunIn:
    """A run that ends a plan is for its order and takes the lots its sheet fixed, but of materials of which it names some."""
    facts = json.loads(plan.facts)
    fixed = facts["answer"].get("fixed_lots", [])
    more: dict[str, Any] = {"order": run.order or facts["asked"].get("order")}
    kept = _beside([{"material": one.material} for one in run.lots], fixed)
    more["lots"] = [*run.lots, *(NamedLot.model_validate(one) for one in kept)]
    return run.model_copy(update=more)


def fixing(scope: Scope, lot_codes: set[str]) -> list[Row[Any]]:
    """Open plans that fixed one of these lots."""
    rows = run_store.planned(scope.connection, scope.workshop.id)
    return [row for row in rows if lot_codes & {one["lot"] for one in json.loads(row.facts)["answer"].get("fixed_lots", [])}]


def unfix(scope: Scope, plan: Row[Any], lot_codes: set[str]) -> None:
    """Let a plan's sheet name these lots no more."""
    facts = json.loads(plan.facts)
    left = [one for one in facts["answer"]["fixed_lots"] if one["lot"] not in lot_codes]
    facts["answer"]["fixed_lots"] = facts["asked"]["lots"] = left
    run_store.change(scope.connection, scope.workshop.id, plan.id, facts=facts)


def open_plan(scope: Scope, code: str, pointer: str | None = None) -> Row[Any]:
    """The open plan of this batch code, held until the end of the act."""
    row = run_store.by_code(scope.connection, scope.workshop.id, code, lock=True)
    if row is None:
        errors = [FieldError("is not there", pointer=pointer, given=code)] if pointer else []
        raise NotFound(f"there is no batch '{code}'", errors=errors)
    if row.state != "planned":
        raise Conflict(f"batch {code} is {row.state}, not planned", state=row.state)
    return row
