"""Returns: units that came back become a quarantined lot of their own, a child of the batch's; nothing is settled."""

from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.selling import orders as order_acts
from service.core.stock import costs, happening
from service.core.stock.movements import Entries
from service.core.units import money_out
from service.errors import FieldError, Invalid, NotFound
from service.shapes.orders import ReturnIn
from service.store import items, ledger, lots, orders, places, replay, runs
from service.store import papers as paper_store
from service.store.ledger import Paper, Stated

KEPT = ("expires_on", "expires_assumed", "retest_on", "opened_life_days", "ready_on", "use_by", "estimated")  # of the batch's lot


def record(scope: Scope, reference: str, body: ReturnIn) -> dict[str, Any]:
    """Put what came back into quarantine; a person looks at it, and releases, rejects or disposes of it."""
    order = order_acts.order_of(scope, reference, lock=True)
    lines = orders.lines(scope.connection, scope.workshop.id, [order.id])[order.id]
    parent = _batch_lot(scope, body, {line.item_id for line in lines})
    when = papers.happened(scope, body.returned_on, "#/returned_on")
    papers.must_be_there(scope, parent, when[0])
    line = _line(scope, order, [line for line in lines if line.item_id == parent.item_id], body)
    rank = happening.rank(*when, happening.CAME)
    locked = items.lock(scope.connection, scope.workshop.id, [parent.item_id], rank)[parent.item_id]
    paper = papers.new_paper(scope, "return", when)
    lot = _lot(scope, body, parent, paper)
    paper.facts = {
        "order": order.reference, "lot": lot["code"], "parent": parent.code, "condition": body.condition, "returned_on": when[0],
        "note": body.note, "warnings": _warnings(scope, order, parent, body.units),
    }  # fmt: skip
    stated = [Stated(parent.item_id, locked.paper, body.units, lot["id"])]
    followed = None
    if late.in_order(locked, rank):
        entries = Entries()
        entries.change(0, papers.balance(lot), body.units)
        ledger.post(scope.connection, scope.workshop.id, paper, stated, entries, [lot])
    else:
        ledger.post(scope.connection, scope.workshop.id, paper, stated, None, [lot])
        followed = late.follow(scope, Redraw.begin(scope, paper), {parent.item_id: when[0]})
    orders.link(scope.connection, scope.workshop.id, order.id, paper.id, [line])
    answer = show(scope, paper.code)
    answer["warnings"] += papers.same_day(scope, [locked], when)
    return answer if followed is None else papers.told(answer, followed)


def _batch_lot(scope: Scope, body: ReturnIn, ordered: set[int]) -> Row[Any]:
    """The lot of this code, or the batch's lot of the product that was ordered."""
    wanted = papers.item_of(scope, body.product, "#/product", "product").id if body.product is not None else None
    run = runs.by_code(scope.connection, scope.workshop.id, body.batch)
    if run is None or run.document_id is None:
        found = [papers.lot_of(scope, body.batch, "#/batch")]
    else:
        found = lots.of_document(scope.connection, scope.workshop.id, run.document_id)
    fits = [lot for lot in found if lot.item_id in ordered and wanted in (None, lot.item_id)]
    if not fits:
        raise Invalid.field("#/batch", "holds nothing that was ordered", body.batch, "a batch of a product of the order")
    if len(fits) > 1:
        raise Invalid.field("#/product", "is needed: the batch holds several products of the order", body.product)
    return fits[0]


def _line(scope: Scope, order: Row[Any], lines: list[Row[Any]], body: ReturnIn) -> int:
    """The line of the order that it counts for; no more comes back than left."""
    shipped = orders.moved(scope.connection, scope.workshop.id, [order.id], "shipment")
    back = orders.moved(scope.connection, scope.workshop.id, [order.id], "return")
    out: dict[int, int] = {
        line.n: (line.units if line.imported else shipped.get((order.id, line.n), 0)) - back.get((order.id, line.n), 0)
        for line in lines
    }
    if body.units > sum(out.values()):
        most = sum(out.values())
        raise Invalid.field("#/units", "is more than was shipped and is not back yet", body.units, f"up to {most}")
    return max(out, key=lambda n: (out[n] >= body.units, -n))


def _lot(scope: Scope, body: ReturnIn, parent: Row[Any], paper: Paper) -> dict[str, Any]:
    """The lot of what came back: the batch's dates, worth what the batch's units are worth."""
    item = stock.items_of(scope, [parent.item_id])[parent.item_id]
    kept = {name: getattr(parent, name) for name in KEPT}
    apart = places.set_apart(scope.connection, scope.workshop.id, body.place)
    return papers.new_lot(
        scope, item, paper, code=papers.code_for(scope, "L"), quantity=body.units, parent_id=parent.id, status="quarantined",
        status_by=scope.actor.name, status_on=paper.happened_on, status_reason=f"returned: {body.condition}", place=body.place,
        set_apart=apart, cost_micro=costs.worth(parent.cost_micro, body.units, parent.quantity), **kept,
    )  # fmt: skip


def _warnings(scope: Scope, order: Row[Any], parent: Row[Any], units: int) -> list[dict[str, Any]]:
    """Where the books say that this order got less of that lot: they may have guessed another."""
    ids = [paper.id for paper in orders.papers(scope.connection, scope.workshop.id, [order.id]) if paper.kind == "shipment"]
    moves = replay.movements(scope.connection, scope.workshop.id, ids) if ids else []
    took = -sum(int(move.quantity) for move in moves if move.lot_id == parent.id)
    if took >= units:
        return []
    sentence = f"The books say that order {order.reference} got {took} of lot {parent.code}: was it this batch?"
    return [{"type": "not-shipped-from-this-batch", "sentence": sentence, "lot": parent.code, "units": took}]


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A return and its lot."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "return")
    if row is None:
        raise NotFound(f"there is no return '{code}'", errors=[FieldError("is not there", parameter="return", given=code)])
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Returns, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["return"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    ids = [row.id for row in rows]
    of = orders.of_papers(scope.connection, scope.workshop.id, ids)
    made = lots.of_documents(scope.connection, scope.workshop.id, ids) if ids else {}
    known = stock.items_of(scope, {some[0].item_id for some in made.values()})
    gone = papers.reversed_codes(scope, rows)
    found = []
    for row in rows:
        facts, lot = papers.facts_of(row), made[row.id][0]
        warnings, item = facts.pop("warnings"), known[lot.item_id]
        found.append({
            "return": row.code, **facts, "customer": of[row.id].customer, "product": item.code, "units": lot.quantity,
            "place": lot.place, "cost": money_out(lot.cost_micro), "recorded_at": papers.local(scope, row.recorded_at),
            "recorded_by": row.recorded_by, "reversed": row.code in gone, "warnings": warnings, "moved": [],
            "sentence": f"{lot.quantity} of {item.name} came back ({facts['condition']}): lot {lot.code} is in quarantine.",
        })  # fmt: skip
    return found
