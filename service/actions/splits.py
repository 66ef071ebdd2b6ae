"""Splits: part of a lot becomes a lot of its own (decanted, opened, set apart, taken to a market)."""

from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.disposals import can_have_held
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.said import day as said_day
from service.core.stock import costs, draw, happening
from service.core.stock.movements import Entries
from service.core.units import quantity_in, quantity_out, said
from service.errors import Invalid, NotFound
from service.shapes.lots import SplitIn
from service.store import ledger, lots, places
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated

KEPT = ("supplier", "supplier_lot", "certificate", "received_on", "made", "expires_on", "expires_assumed", "retest_on",
        "opened_life_days", "ready_on", "status", "status_by", "status_on", "status_reason", "place", "set_apart",
        "estimated")  # fmt: skip


def record(scope: Scope, code: str, body: SplitIn) -> dict[str, Any]:
    """Move part of a lot into a new one that keeps its supplier's lot, dates and cost per gram."""
    named = papers.lot_of(scope, code, "code")
    when = papers.happened(scope, body.split_on, "#/split_on")
    held, when, rank = papers.lock(scope, [named.item_id], when, happening.SPLIT)
    locked = held[named.item_id]
    parent = lots.by_ids(scope.connection, scope.workshop.id, [named.id])[named.id]
    item = stock.items_of(scope, [parent.item_id])[parent.item_id]
    quantity = quantity_in(body.quantity, item.unit, "#/quantity")
    if not quantity:
        raise Invalid.field("#/quantity", "must be more than 0", str(body.quantity), "more than 0")
    if body.opened_on is not None and body.opened_on > scope.today:
        raise Invalid.field("#/opened_on", "must not be in the future", str(body.opened_on), f"up to {scope.today}")
    can_have_held(scope, parent, item, quantity, when[0], str(body.quantity))
    paper = papers.new_paper(scope, "split", when)
    child = _part(scope, body, item, parent, paper, quantity)
    paper.facts = {"lot": child["code"], "parent": parent.code, "item": item.code, "note": body.note,
                   "told": [name for name in ("place", "opened_on") if getattr(body, name) is not None]}  # fmt: skip
    stated = [Stated(item.id, locked.paper, -quantity, parent.id)]
    followed = None
    if late.in_order(locked, rank) and quantity <= parent.on_hand:
        entries = Entries()
        entries.change(0, papers.balance(parent), -quantity)
        entries.change(0, papers.balance(child), quantity)
        ledger.post(scope.connection, scope.workshop.id, paper, stated, entries, [child])
    else:
        ledger.post(scope.connection, scope.workshop.id, paper, stated, None, [child])
        since = min(when[0], parent.received_on)
        followed = late.follow(scope, Redraw.begin(scope, paper), {item.id: since})
    answer = show(scope, paper.code)
    answer["warnings"] += papers.same_day(scope, [locked], when) + _opening(scope, parent, body)
    return answer if followed is None else papers.told(answer, followed)


def _opening(scope: Scope, parent: Row[Any], body: SplitIn) -> list[dict[str, Any]]:
    """A part counts as closed until it is drawn from; what was taken out of an open container is not."""
    if body.opened_on is not None or parent.opened_on is None or parent.opened_life_days is None:
        return []
    since = said_day(parent.opened_on, scope.today)
    sentence = f"Lot {parent.code} is open since {since}: if this part comes out of what is open, say `opened_on`."
    return [{"type": "part-of-an-open-lot", "sentence": sentence, "lot": parent.code, "opened_on": parent.opened_on}]


def _part(scope: Scope, body: SplitIn, item: ItemRow, parent: Row[Any], paper: Paper, quantity: int) -> dict[str, Any]:
    """The new lot's row: what the parent is, and where and since when open the part is."""
    kept = {name: getattr(parent, name) for name in KEPT}
    opened = body.opened_on
    if body.place is not None:
        kept |= {"place": body.place, "set_apart": places.set_apart(scope.connection, scope.workshop.id, body.place)}
    left = costs.worth(parent.cost_micro, parent.on_hand - quantity, parent.quantity)
    cost = None if left is None else (parent.cost_left_micro or 0) - left
    return papers.new_lot(
        scope, item, paper, code=papers.code_for(scope, "L"), quantity=quantity, parent_id=parent.id, opened_on=opened,
        opened_by_hand=opened is not None, cost_micro=cost,
        use_by=draw.last_usable_day(parent.expires_on, opened, parent.opened_life_days), **kept,
    )  # fmt: skip


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A split: what was asked, and what it moved as known now."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "split")
    if row is None:
        raise NotFound(f"there is no split '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Splits, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["split"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    stated = paper_store.lines_of_all(scope.connection, scope.workshop.id, [row.id for row in rows])
    known = stock.items_of(scope, {line.item_id for line in stated.values()})
    moves = late.net_movements(scope, [row.id for row in rows])
    made = lots.of_documents(scope.connection, scope.workshop.id, [row.id for row in rows])
    gone = papers.reversed_codes(scope, rows)
    return [
        _as_known(scope, row, -stated[row.id].quantity, known[stated[row.id].item_id], made[row.id][0],
                  moves.get(row.id, []), row.code in gone)
        for row in rows
    ]  # fmt: skip


def _as_known(
    scope: Scope, row: Row[Any], asked: int, item: ItemRow, child: Row[Any], moves: list[dict[str, Any]], reversed_: bool
) -> dict[str, Any]:
    facts = papers.facts_of(row)
    moved = sum(move["units"] for move in moves if move["units"] > 0)
    warnings = []
    if moved < asked and not reversed_:
        sentence = f"Lot {facts['parent']} held {said(moved, item.unit)} of {said(asked, item.unit)}: what was there is moved."
        warnings.append({"type": "named-lot-too-small", "sentence": sentence, "lot": facts["parent"]})
    return {
        "split": row.code, **{name: facts[name] for name in ("lot", "parent", "item", "note")},
        "quantity": quantity_out(asked, item.unit), "place": child.place,
        "split_on": row.happened_on, "opened_on": child.opened_on, "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by, "reversed": reversed_, "warnings": warnings, "moved": [], **papers.UNLINKED,
        "sentence": f"{said(asked, item.unit)} of {item.name} split off lot {facts['parent']} as lot {facts['lot']}.",
    }  # fmt: skip
