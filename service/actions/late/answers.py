"""What a late paper answers: where grams left and where they went, which money followed, and the same in one sentence."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Row

from service.actions import stock
from service.actions.late.redraw import Moved, Redraw
from service.actions.scope import Scope
from service.core.said import listed
from service.core.stock.lateness import BEYOND
from service.core.units import money_out, quantity_out, said
from service.store import lots
from service.store import papers as paper_store
from service.store.items import ItemRow

ROUNDING = 10  # millionths: what a share may differ by when the order of draws changes is not told
NAMES = {"run": ("batch", "batches")}  # of papers that are called otherwise
Pair = dict[str, Any]  # a line of `moved`
Papers = Mapping[int, Row[Any]]
Items = Mapping[int, ItemRow]


def told(scope: Scope, redraw: Redraw) -> tuple[list[Pair], str]:
    """What a paper moved of others: pairs of where grams left and where they went (quantity 0 where money alone changed), and
    the same in a few clauses; empty when nothing moved."""
    by_line: dict[tuple[int, int, int], list[Moved]] = defaultdict(list)
    for one in [*redraw.moved, *_money(scope, redraw)]:
        if one.document != redraw.books.of:
            by_line[(one.document, one.line, one.item)].append(one)
    nets = {key: some for key in sorted(by_line) if (some := _net(by_line[key]))}  # what moved there and back did not
    net = [one for some in nets.values() for one in some]
    counts = _counted(scope, redraw)
    items = stock.items_of(scope, {one.item for one in net} | set(counts.values()))
    codes = {key: row.code for key, row in lots.by_ids(scope.connection, scope.workshop.id, {one.lot for one in net}).items()}
    papers = paper_store.by_ids(scope.connection, scope.workshop.id, {one.document for one in net} | counts.keys())
    pairs = [{"document": papers[key[0]].code, **one} for key, some in nets.items() for one in _pairs(items[key[2]], some, codes)]
    clauses = [*_shows(net, papers, codes), *_unbooked(scope, net, papers, items)]
    clauses += [_count(papers[count], redraw.counts[count][1], items[item]) for count, item in counts.items()]
    return pairs, "; ".join([*clauses, *_cost(net, papers)])


def _money(scope: Scope, redraw: Redraw) -> list[Moved]:
    """What draws cost more or less; what a batch's own lots are worth by it follows."""
    rows = lots.by_ids(scope.connection, scope.workshop.id, {lot for _, _, lot in redraw.books.money})
    return [
        Moved(origin, line, rows[lot].item_id, BEYOND if lot == rows[lot].item_id else lot, 0, cost)
        for (origin, line, lot), cost in redraw.books.money.items()
        if rows[lot].document_id != origin
    ]


def _pairs(item: ItemRow, net: list[Moved], codes: dict[int, str]) -> list[Pair]:
    """Match what came back to lots with what was taken instead."""
    back = [[one.lot, one.quantity] for one in net if one.quantity > 0]
    shown = []
    for one in [one for one in net if one.quantity < 0]:
        left = -one.quantity
        while left > 0:
            source = back[0] if back else [None, left]
            quantity = min(left, int(source[1] or 0))
            shown.append(_pair(item, source[0], one.lot, quantity, _part(one, quantity), codes))
            left -= quantity
            if back:
                back[0][1] = int(back[0][1] or 0) - quantity
                back = back if back[0][1] else back[1:]
    shown += [_pair(item, lot, None, int(quantity or 0), None, codes) for lot, quantity in back if lot != BEYOND]  # a count's
    return shown + [_pair(item, one.lot, one.lot, 0, -one.cost, codes) for one in net if not one.quantity and one.cost]


def _net(some: list[Moved]) -> list[Moved]:
    """Net by lot: a lot given and taken again in one redraw has not moved. Of the money what is known at the end."""
    by_lot: dict[int, Moved] = {}
    for one in some:
        was = by_lot.get(one.lot, Moved(one.document, one.line, one.item, one.lot, 0, 0))
        known = None if was.cost is None or one.cost is None else was.cost + one.cost
        cost = one.cost if known is None and not one.quantity else known
        by_lot[one.lot] = Moved(one.document, one.line, one.item, one.lot, was.quantity + one.quantity, cost)
    return [one for one in by_lot.values() if one.quantity or abs(one.cost or 0) > ROUNDING]


def _part(one: Moved, quantity: int) -> int | None:
    return None if one.cost is None else round(-one.cost * quantity / -one.quantity)


def _pair(item: ItemRow, source: int | None, to: int | None, quantity: int, cost: int | None, codes: dict[int, str]) -> Pair:
    return {
        "item": item.code,
        "from_lot": codes.get(source) if source else None,
        "to_lot": codes.get(to) if to else None,
        "quantity": quantity_out(quantity, item.unit),
        "cost": money_out(cost),
    }


def _shows(net: Sequence[Moved], papers: Papers, codes: dict[int, str]) -> list[str]:
    """`2 batches now show lot L-0412`."""
    by_lot: dict[int, set[int]] = defaultdict(set)
    for one in net:
        if one.quantity < 0 and one.lot != BEYOND and papers[one.document].kind != "count":
            by_lot[one.lot].add(one.document)
    return [f"{_who(some, papers)} now {_verb(some, 'show')} lot {codes[lot]}" for lot, some in sorted(by_lot.items())]


def _unbooked(scope: Scope, net: Sequence[Moved], papers: Papers, items: Items) -> Iterator[str]:
    """What is unbooked now, or no more."""
    left = {row.id: -row.on_hand for row in lots.by_ids(scope.connection, scope.workshop.id, items).values()}
    for item in items.values():
        mine = [one for one in net if one.item == item.id and one.lot == BEYOND and papers[one.document].kind != "count"]
        more = -sum(one.quantity for one in mine)
        if more > 0:
            whose = _who({one.document for one in mine if one.quantity < 0}, papers)
            yield f"{said(more, item.unit)} of {item.name} is unbooked now ({whose}): enter what brought it, or count"
        elif more < 0 and not left[item.id]:
            yield f"nothing of {item.name} is unbooked any more"


def _counted(scope: Scope, redraw: Redraw) -> dict[int, int]:
    """Other counts whose difference is another now, each with its item."""
    counts = [count for count, (was, now) in redraw.counts.items() if was != now and count != redraw.books.of]
    stated = paper_store.lines_of_all(scope.connection, scope.workshop.id, counts)
    return {count: stated[count].item_id for count in counts}


def _count(paper: Row[Any], difference: int, item: ItemRow) -> str:
    """What an earlier count finds now."""
    if not difference:
        return f"count {paper.code} now agrees with the books"
    than = "less" if difference < 0 else "more"
    return f"count {paper.code} now finds {said(abs(difference), item.unit)} {than} than the books say"


def _cost(net: Sequence[Moved], papers: Papers) -> Iterator[str]:
    """Whose cost alone changed."""
    some = {one.document for one in net if one.cost} - {one.document for one in net if one.quantity}
    if some:
        yield f"{_who(some, papers)} {_verb(some, 'cost')} more or less than before"


def _who(some: Collection[int], papers: Papers) -> str:
    """`batch B-0007`, `2 batches and shipment H-0001`."""
    by_kind: dict[str, list[str]] = defaultdict(list)
    for row in sorted((papers[one] for one in some), key=lambda one: one.id):
        by_kind[row.kind].append(row.code)
    parts = []
    for kind, codes in by_kind.items():
        one, many = NAMES.get(kind, (kind, f"{kind}s"))
        parts.append(f"{one} {codes[0]}" if len(codes) == 1 else f"{len(codes)} {many}")
    return listed(parts)


def _verb(some: Collection[int], verb: str) -> str:
    return f"{verb}s" if len(some) == 1 else verb
