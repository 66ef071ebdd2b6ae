"""Shipments as known now: what each took from which batch, what it cost, and what concerns it."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.late import concerns
from service.actions.making.run_draw import Drawn, Taken
from service.actions.making.run_now import drawn_now, known_of
from service.actions.making.run_target import Need
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.stock import costs, draw
from service.core.stock.netted import Key, Net, netted
from service.core.units import money_out
from service.errors import NotFound
from service.store import orders, replay
from service.store import papers as paper_store
from service.store.items import ItemRow


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A shipment: lines and warnings as recorded, the rest as known now."""
    row = paper_store.by_code(scope.connection, scope.workshop.id, code, "shipment")
    if row is None:
        raise NotFound(f"there is no shipment '{code}'")
    return _shown(scope, [row])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Shipments, newest first."""
    rows = paper_store.page(scope.connection, scope.workshop.id, ["shipment"], after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    connection, workshop, ids = scope.connection, scope.workshop.id, [row.id for row in rows]
    of = orders.of_papers(connection, workshop, ids)
    stated = orders.lines_of_papers(connection, workshop, ids)
    named = orders.named(connection, workshop, ids)
    nets: dict[int, dict[Key, Net]] = {id_: {} for id_ in ids}
    for key, net in netted(replay.movements(connection, workshop, ids)).items():
        nets[key[0]][key] = net
    items = stock.items_of(scope, {line.item_id for some in stated.values() for line in some})
    lots = {lot for mine in nets.values() for _, _, lot in mine}
    known = known_of(scope, lots | {lot for some in named.values() for lot, _ in some}, ())
    went = {id_: {lot for (_, _, lot), net in mine.items() if net.quantity < 0} for id_, mine in nets.items()}
    concerned = concerns.of_batches(scope, went, "shipment")
    gone = papers.reversed_codes(scope, rows)
    found = []
    for row in rows:
        needs = [Need(line.item_id, -line.quantity, "sale") for line in stated[row.id]]
        mine = [tuple(named.get((row.id, line.n), ())) for line in stated[row.id]]
        drawn = drawn_now(scope, needs, mine, nets[row.id], items, known)
        lines = [
            {"product": items[line.item_id].code, "units": -line.quantity, "unit_price": money_out(line.unit_price_micro)}
            for line in stated[row.id]
        ]
        found.append(_dict(scope, row, of[row.id], lines, drawn, items, concerned.get(row.id, []), row.code in gone))
    return found


def _dict(
    scope: Scope, row: Row[Any], order: Row[Any], lines: list[dict[str, Any]], drawn: Drawn, items: Mapping[int, ItemRow],
    concerned: list[dict[str, Any]], reversed_: bool,
) -> dict[str, Any]:  # fmt: skip
    facts = papers.facts_of(row)
    cost = costs.total([one.cost for one in drawn.taken])
    return {
        "shipment": row.code,
        "order": facts["order"],
        "customer": order.customer,
        "channel": order.channel,
        "shipped_on": row.happened_on,
        "lines": lines,
        "taken": [
            {
                "product": items[drawn.needs[one.need].item_id].code,
                "lot": one.lot.code if one.lot is not None else None,
                "units": one.quantity,
                "cost": money_out(one.cost),
                "chosen": one.chosen,
            }
            for one in sorted(drawn.taken, key=_in_order)
            if one.quantity or one.chosen == "named"
        ],
        "cost": money_out(cost),
        "estimated": drawn.estimated,
        "note": facts["note"],
        "recorded_at": papers.local(scope, row.recorded_at),
        "recorded_by": row.recorded_by,
        "reversed": reversed_,
        "warnings": [*facts["warnings"], *_beyond(drawn, items)],
        "concerns": [*concerns.unfit(row, facts["unfit"]), *concerned],
        "moved": [],
        "sentence": _sentence(row, order, lines, drawn, items),
    }


def _in_order(one: Taken) -> tuple[Any, ...]:
    """By line; named lots as they were named, then law 6's order, then what is unbooked."""
    place = ("named", "assumed", "unbooked").index(one.chosen)
    return one.need, place, draw.first_out(draw.shelf_of(one.lot)) if one.chosen == "assumed" and one.lot is not None else ()


def _beyond(drawn: Drawn, items: Mapping[int, ItemRow]) -> list[dict[str, Any]]:
    """One warning a product that was sold beyond what the books hold."""
    short: dict[int, int] = {}
    for at, quantity in drawn.short.items():
        item = drawn.needs[at].item_id
        short[item] = short.get(item, 0) + quantity
    return [
        {
            "type": "sold-beyond-the-books",
            "sentence": f"The books hold {units} of {items[item].name} too little: record their batch, or count.",
            "product": items[item].code,
            "units": units,
        }
        for item, units in short.items()
    ]


def lying(drawn: Drawn, items: Mapping[int, ItemRow], day: date, least: date) -> list[dict[str, Any]]:
    """What lies there of a product that was short, and why it was not taken by itself."""
    short = {drawn.needs[at].item_id for at in drawn.short}
    found = []
    for row in drawn.stock:
        if row.item_id not in short or row.id == row.item_id or row.on_hand <= 0:
            continue
        shelf = draw.shelf_of(row)
        why = draw.why_not(shelf, day).replace("set apart", "") or ("short-dated" if row.use_by < least else "")
        if why:
            sentence = f"{row.on_hand} of lot {row.code} lie there ({why}): were they shipped? Then name the lot."
            found.append({"type": "not-shipped-by-itself", "sentence": sentence, "lot": row.code, "why": why})
    return found


def _sentence(
    row: Row[Any], order: Row[Any], lines: Sequence[Mapping[str, Any]], drawn: Drawn, items: Mapping[int, ItemRow]
) -> str:
    names = {item.code: item.name for item in items.values()}
    units: dict[str, int] = {}
    for line in lines:
        units[line["product"]] = units.get(line["product"], 0) + line["units"]
    what = " and ".join(f"{count} of {names[code]}" for code, count in list(units.items())[:3])
    what += f" and {len(units) - 3} more" if len(units) > 3 else ""
    whom = f" to {order.customer}" if order.customer else f" for order {order.reference}"
    beyond = sum(drawn.short.values())
    return f"{what} shipped{whom} ({row.code}){f'; {beyond} of them are in no batch of the books' if beyond else ''}."
