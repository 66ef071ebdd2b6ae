"""What runs hold as known now: their draws and costs with every correction since, and what concerns them."""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import stock
from service.actions.late import concerns
from service.actions.late.repricing import cost_of, is_estimated
from service.actions.making import run_answer, run_draw
from service.actions.making.run_draw import Drawn, Taken
from service.actions.making.run_target import NamedLots, Need
from service.actions.scope import Scope
from service.core.stock import costs
from service.core.stock.netted import Key, Net, netted
from service.core.units import money_out
from service.store import lots, replay
from service.store import papers as paper_store
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Known:
    """Lots by id, and lots with stock by item, read once for any number of runs."""

    rows: dict[int, Row[Any]]
    stock: dict[int, list[Row[Any]]]


def known_of(scope: Scope, ids: Collection[int], items: Collection[int]) -> Known:
    """Read these lots, and what there is of these items."""
    stock_: dict[int, list[Row[Any]]] = {}
    for row in lots.with_stock(scope.connection, scope.workshop.id, sorted(items)):
        stock_.setdefault(row.item_id, []).append(row)
    return Known(lots.by_ids(scope.connection, scope.workshop.id, ids), stock_)


def drawn_now(scope: Scope, needs: list[Need], named: Sequence[NamedLots], nets: Mapping[Key, Net], items: Mapping[int, ItemRow],
              known: Known | None = None) -> Drawn:  # fmt: skip
    """What each need holds now, corrections included: nets are those of the run's own paper."""
    if known is None:
        ids = {lot for _, _, lot in nets} | {lot for some in named for lot, _ in some}
        known = known_of(scope, ids, {need.item_id for need in needs})
    drawn = Drawn(needs)
    drawn.stock = [row for item in {need.item_id for need in needs} for row in known.stock.get(item, ())]
    by_line: dict[int, dict[int, Net]] = {}
    for (_, at, lot), net in nets.items():
        by_line.setdefault(at, {})[lot] = net
    for at, need in enumerate(needs):
        if not items[need.item_id].stocked:
            drawn.taken.append(Taken(at, None, need.quantity, 0, "assumed"))
            continue
        _taken_now(drawn, at, need, dict.fromkeys(lot for lot, _ in named[at]), by_line.get(at, {}), known.rows)
    return drawn


def _taken_now(
    drawn: Drawn, at: int, need: Need, named: Mapping[int, None], mine: Mapping[int, Net], rows: Mapping[int, Row[Any]]
) -> None:
    """The lots of one need: named ones first, even at 0; what is unbooked last."""
    for lot in [*named, *sorted(mine.keys() - named.keys() - {need.item_id})]:
        net = mine.get(lot, Net())
        if net.quantity or lot in named:
            chosen = "named" if lot in named else "assumed"
            drawn.taken.append(Taken(at, rows[lot], -net.quantity, cost_of(net, rows[lot]), chosen))
            drawn.estimated |= is_estimated(net, rows[lot]) and bool(net.quantity)
    beyond = mine.get(need.item_id)
    if beyond is not None and beyond.quantity:
        drawn.short[at] = -beyond.quantity
        cost = cost_of(beyond, rows[need.item_id])
        drawn.estimated |= cost is not None
        drawn.taken.append(Taken(at, None, -beyond.quantity, cost, "unbooked"))


def overlays(scope: Scope, rows: Sequence[Row[Any]]) -> dict[int, dict[str, Any]]:
    """What completed runs used, lacked and cost as known now, by run; a few queries for all of them."""
    connection, workshop = scope.connection, scope.workshop.id
    papers = {row.document_id: row for row in rows if row.state == "completed" and row.document_id is not None}
    if not papers:
        return {}
    moves = replay.movements(connection, workshop, list(papers))
    stated = replay.lines(connection, workshop, list(papers))
    named = replay.named_by_all(connection, workshop, list(papers))
    nets: dict[int, dict[Key, Net]] = {}
    for key, net in netted(moves).items():
        nets.setdefault(key[0], {})[key] = net
    items = stock.items_of(scope, {line.item_id for some in stated.values() for line in some}
                           | {line.instead_of_id for some in stated.values() for line in some if line.instead_of_id})  # fmt: skip
    made = lots.of_documents(connection, workshop, list(papers))
    causes = paper_store.by_ids(connection, workshop, {_cause(move) for move in moves if move.document_id != move.origin})
    concerned = concerns.of_batches(scope, {paper: _lots_used(nets.get(paper, {})) for paper in papers})
    sold = concerns.of_shipments(scope, made)
    named_ids = {lot for mine in named.values() for some in mine.values() for lot, _ in some}
    known = known_of(scope, {move.lot_id for move in moves} | named_ids, items)
    found = {}
    for paper, row in papers.items():
        by_line = named.get(paper, {})
        drawn = _drawn_of(scope, stated[paper], by_line, nets.get(paper, {}), items, known)
        mine = [move for move in moves if move.origin == paper and move.document_id != paper]
        by = dict.fromkeys(causes[_cause(move)].code for move in mine)
        about = [*concerned.get(paper, []), *sold.get(paper, [])]
        about += _dates(scope, row, drawn, items) if by and row.formula_id is None else []
        found[row.id] = _overlay(row, drawn, items, made.get(paper, []), list(by), about)
    return found


def _dates(scope: Scope, row: Row[Any], drawn: Drawn, items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """Whether the date on a set's label would differ by what is inside now."""
    facts = json.loads(row.facts)
    first = facts.get("first", facts["answer"])
    inside = {item.code for item in items.values() if item.kind == "product"}
    codes = {use["lot"] for use in first["used"] if use["material"] in inside and use["lot"]}
    then = list(lots.by_codes(scope.connection, scope.workshop.id, codes).values())
    now = [one.lot for one in drawn.taken if one.lot is not None and one.quantity and items[one.lot.item_id].kind == "product"]
    printed = first["batch"]["best_before"]
    return concerns.of_dates(date.fromisoformat(printed) if printed else None, then, now, row.made_on)


def _cause(move: Any) -> int:
    """The paper that changed another: what caused the correction, or the correction itself."""
    found: int = move.caused_by_id or move.document_id
    return found


def _lots_used(nets: Mapping[Key, Net]) -> set[int]:
    return {lot for (_, _, lot), net in nets.items() if net.quantity < 0}


def _drawn_of(
    scope: Scope, stated: Sequence[Row[Any]], named: Mapping[int, Sequence[tuple[int, int | None]]],
    nets: Mapping[Key, Net], items: Mapping[int, ItemRow], known: Known,
) -> Drawn:  # fmt: skip
    lines = [line for line in stated if line.lot_id is None]
    needs = [Need(line.item_id, -line.quantity, "ingredient", line.instead_of_id) for line in lines]
    return drawn_now(scope, needs, [tuple(named.get(line.n, ())) for line in lines], nets, items, known)


def _overlay(
    row: Row[Any], drawn: Drawn, items: Mapping[int, ItemRow], made: Sequence[Row[Any]], by: list[str],
    concerned: list[dict[str, Any]],
) -> dict[str, Any]:  # fmt: skip
    facts = json.loads(row.facts)
    first = facts["answer"]
    cost = costs.total([one.cost for one in drawn.taken])
    batch = dict(first["batch"])
    batch["lots"] = run_answer.batch_lots([lot._asdict() for lot in made], items)
    if made:
        batch["status"] = made[0].status
    units = [lot for lot in made if items[lot.item_id].kind == "product"]
    alone = units[0] if len(made) == 1 and units else None
    used = run_answer.used(drawn, items)
    return {
        "batch": batch,
        "used": used,
        "shortages": run_draw.shortages(drawn, items, row.made_on),
        "cost": money_out(cost),
        "unit_cost": run_answer.unit_cost(cost, alone.quantity, "piece") if alone is not None else None,
        "estimated": drawn.estimated,
        "concerns": concerned,
        "first_used": facts.get("first", first)["used"] if by else None,
        "changed_by": by,
    }
