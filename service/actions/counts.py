"""Counts: the shelf against the books (law 13). What unbooked draws explain is settled; the rest is the difference."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.late import late, reading
from service.actions.late.redraw import Redraw
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.stock import acts, happening
from service.core.units import money_out, quantity_in, quantity_out, said
from service.errors import Conflict, Invalid, NotFound
from service.shapes.papers import CountIn
from service.store import items, ledger
from service.store import papers as paper_store
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated


def record(scope: Scope, body: CountIn) -> dict[str, Any]:
    """Post the difference between what was counted and the books, and keep what was counted."""
    item, lot = _counted_thing(scope, body)
    counted = quantity_in(body.counted, item.unit, "#/counted")
    when = papers.happened(scope, body.counted_at, "#/counted_at")
    if lot is not None:
        papers.must_be_there(scope, lot, when[0])
    whole = lot is None and body.place is None
    held, when, rank = papers.lock(scope, [item.id], when, count=happening.OF_ITEM if whole else happening.OF_LOTS)
    locked = held[item.id]
    if lot is not None:
        _must_stand(scope, lot)
    items.counted(scope.connection, scope.workshop.id, item.id, when[0])
    paper = papers.new_paper(scope, "count", when)
    paper.facts = {"note": body.note, "place": body.place, "item": item.code, "lot": lot.code if lot is not None else None}
    stated = Stated(item.id, locked.paper, counted, lot.id if lot is not None else None, place=body.place)
    ledger.post(scope.connection, scope.workshop.id, paper, [stated])
    again = Redraw.begin(scope, paper)
    if late.in_order(locked, rank):
        own = _own(scope, item, paper, rank, lot, body.place)
        act = acts.Counted(counted, None if lot is None else lot.id, body.place, own)
        again.step(item, acts.paper(rank, locked.paper, paper.id, 0, paper.happened_on, act))
        followed = late.finish(scope, again)
    else:
        since = date.min if lot is None else lot.received_on
        followed = late.follow(scope, again, {item.id: since})
    return papers.told(show(scope, paper.code), followed)


def _must_stand(scope: Scope, lot: Row[Any]) -> None:
    """409 when what made the lot is reversed: there never was such a lot, and what lies there is another's."""
    back = paper_store.reversal_of(scope.connection, scope.workshop.id, lot.document_id)
    if back is not None:
        raise Conflict(f"lot {lot.code} is gone since {back.code} reversed what made it: count the item instead", lot=lot.code)


def _own(scope: Scope, item: ItemRow, paper: Paper, rank: int, lot: Row[Any] | None, place: str | None) -> acts.Lot:
    """Where a gain falls that no lot is there for."""
    if lot is not None:
        return reading.current(lot)
    return reading.Found.of(scope, item).lot(paper.id, rank, paper.happened_on, place)


def _counted_thing(scope: Scope, body: CountIn) -> tuple[ItemRow, Row[Any] | None]:
    if body.lot is not None:
        if body.place is not None:
            raise Invalid.field("#/place", "goes with a `material` or `product`: a lot is in one place", body.place)
        lot = papers.lot_of(scope, body.lot, "#/lot")
        return stock.items_of(scope, [lot.item_id])[lot.item_id], lot
    if body.product is not None:
        return papers.item_of(scope, body.product, "#/product", "product"), None
    return papers.item_of(scope, str(body.material), "#/material", "ingredient", "packaging", "bulk"), None


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A count: book and difference as known now."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "count")
    if row is None:
        raise NotFound(f"there is no count '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Counts, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["count"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: list[Row[Any]]) -> list[dict[str, Any]]:
    stated = paper_store.lines_of_all(scope.connection, scope.workshop.id, [row.id for row in rows])
    known = stock.items_of(scope, {line.item_id for line in stated.values()})
    moves = late.net_movements(scope, [row.id for row in rows])
    gone = papers.reversed_codes(scope, rows)
    return [
        _as_known(scope, row, stated[row.id], known[stated[row.id].item_id], moves.get(row.id, []), row.code in gone)
        for row in rows
    ]


def _as_known(
    scope: Scope, row: Row[Any], line: Row[Any], item: ItemRow, moves: list[dict[str, Any]], reversed_: bool
) -> dict[str, Any]:
    facts = papers.facts_of(row)
    difference = sum(move["units"] for move in moves)
    off = (
        "as the books say"
        if not difference
        else f"{said(abs(difference), item.unit)} {'less' if difference < 0 else 'more'} than the books said"
    )
    return {
        "count": row.code,
        "item": item.code,
        "lot": facts["lot"],
        "place": facts.get("place"),
        "counted": quantity_out(line.quantity, item.unit),
        "counted_at": _moment(scope, row.happened_on, row.happened_at),
        "book": quantity_out(line.quantity - difference, item.unit),
        "difference": quantity_out(difference, item.unit),
        "movements": [
            {"item": item.code, "lot": move["lot"], "quantity": quantity_out(move["units"], item.unit),
             "cost": money_out(move["cost"])}
            for move in moves
        ],
        "note": facts["note"],
        "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "reversed": reversed_,
        "warnings": [],
        "moved": [], **papers.UNLINKED,
        "sentence": f"{said(line.quantity, item.unit)} of {item.name} counted: {off}.",
    }  # fmt: skip


def _moment(scope: Scope, day: date, at: datetime | None) -> str:
    """A count's time; its day where it was told without one."""
    return papers.local(scope, at) or day.isoformat()
