"""A run as the books said it at a moment of the past."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.making import run_answer, run_draw, run_now
from service.actions.making.run_target import Need
from service.actions.scope import Scope
from service.core.stock import costs
from service.core.stock.netted import Key, Net, netted
from service.core.units import money_out
from service.store import lots, replay
from service.store import papers as paper_store
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Then:
    """What was recorded of a run until a moment: what it stated, what it moved, and by which papers that had changed."""

    stated: list[Row[Any]]
    named: Mapping[int, Sequence[tuple[int, int | None]]]
    nets: dict[Key, Net]
    by: list[str]


def as_known(scope: Scope, run: Row[Any], until: datetime) -> dict[str, Any] | None:
    """The run as recorded and corrected until then; None when it was not recorded yet."""
    facts: dict[str, Any] = json.loads(run.facts)
    first: dict[str, Any] = facts.get("first") or facts["answer"]
    if datetime.fromisoformat(first["recorded_at"]) > until:
        return None
    if run.document_id is None:
        return first | {"state": run.state}
    connection, workshop = scope.connection, scope.workshop.id
    reversal = paper_store.reversal_of(connection, workshop, run.document_id)
    state = {"state": "reversed" if reversal is not None and reversal.recorded_at <= until else "completed"}
    every = paper_store.restating(connection, workshop, [run.document_id]).get(run.document_id, [])
    again = [one for one in every if one.recorded_at <= until]
    then = _recorded(scope, run.document_id, again[-1] if again else None, until)
    if not then.by or state["state"] == "reversed":
        return first | state
    if not again:
        return first | state | _figures(scope, run, then, first)
    last = len(again) == len(every)  # of a statement between the first and the last its lines are kept
    answer: dict[str, Any] = facts["answer"] if last else first | {"batch_g": None, "yield_percent": None}
    answer = answer | {"sentence": f"Batch {run.code} as corrected by {again[-1].code}."}
    return answer | state | _figures(scope, run, then, first)


def _recorded(scope: Scope, document: int, again: Row[Any] | None, until: datetime) -> Then:
    connection, workshop = scope.connection, scope.workshop.id
    moves = replay.movements(connection, workshop, [document])
    known = paper_store.by_ids(connection, workshop, {move.document_id for move in moves})
    moves = [move for move in moves if known[move.document_id].recorded_at <= until]
    causes = {move.caused_by_id or move.document_id for move in moves if move.document_id != document}
    codes = paper_store.by_ids(connection, workshop, causes | ({again.id} if again is not None else set()))
    source = document if again is None else again.id
    by = [codes[key].code for key in sorted(codes)]
    stated, named = paper_store.lines_of(connection, workshop, source), paper_store.named_by(connection, workshop, source)
    return Then(stated, named, netted(moves), by)


def _figures(scope: Scope, run: Row[Any], then: Then, first: dict[str, Any]) -> dict[str, Any]:
    """What it used, lacked and cost."""
    items = stock.items_of(scope, {line.item_id for line in then.stated}
                           | {line.instead_of_id for line in then.stated if line.instead_of_id})  # fmt: skip
    lines = [line for line in then.stated if line.lot_id is None]
    needs = [Need(line.item_id, -line.quantity, "ingredient", line.instead_of_id) for line in lines]
    named = [tuple(then.named.get(line.n, ())) for line in lines]
    drawn = run_now.drawn_now(scope, needs, named, then.nets, items, _known(scope, then))
    made = _made(scope, run, then, items)
    units = [lot for lot in made if items[lot["item_id"]].kind == "product"]
    cost = costs.total([one.cost for one in drawn.taken])
    alone = units[0] if len(made) == 1 and units else None
    batch = first["batch"] | {"lots": run_answer.batch_lots(made, items)}
    batch["units"] = sum(lot["quantity"] for lot in units) if units else batch["units"]
    return {
        "batch": batch,
        "used": run_answer.used(drawn, items),
        "shortages": run_draw.shortages(drawn, items, run.made_on),
        "cost": money_out(cost),
        "unit_cost": run_answer.unit_cost(cost, alone["quantity"], "piece") if alone is not None else None,
        "estimated": drawn.estimated,
        "first_used": first["used"],
        "changed_by": then.by,
    }


def _known(scope: Scope, then: Then) -> run_now.Known:
    """The lots drawn from and named; a cost that was not known then is none."""
    ids = {lot for _, _, lot in then.nets} | {lot for some in then.named.values() for lot, _ in some}
    rows = lots.by_ids(scope.connection, scope.workshop.id, ids)
    costed = {lot for (_, _, lot), net in then.nets.items() if net.known}
    as_then = {key: row._asdict() | {"cost_micro": row.cost_micro or 0 if key in costed else None} for key, row in rows.items()}
    return run_now.Known({key: papers.record_of(values) for key, values in as_then.items()}, {})


def _made(scope: Scope, run: Row[Any], then: Then, items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """The batch's lots with what they started with and cost then."""
    rows = {lot.id: lot for lot in lots.of_document(scope.connection, scope.workshop.id, run.document_id)}
    found = []
    for line in then.stated:
        if line.lot_id in rows and line.quantity > 0:
            net = then.nets.get((run.document_id, line.n, line.lot_id), Net())
            figures = {"quantity": line.quantity, "cost_micro": net.cost if net.known else None}
            found.append(rows[line.lot_id]._asdict() | figures)
    return found
