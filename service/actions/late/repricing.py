"""A cost that changes flows on: to what drew from the lot, to the batches made from it, through bulk to any depth.

Level by level, so that a few queries serve all lots, or all papers, that wait at once.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from service.actions.late.corrections import Corrections
from service.actions.scope import Scope
from service.core.stock import costs
from service.core.stock.netted import Key, Net, netted
from service.core.stock.repricing import batch, draws
from service.store import lots, replay
from service.store import papers as paper_store

DEEP = 10_000  # steps of a cascade: a bug's limit, never a book's
SOME = 500  # lots, or papers, at once
Costed = tuple[Any, int | None, bool, int]  # a lot's row: what it costs now, whether that is a guess, what it started with


def settle(scope: Scope, books: Corrections, papers: Collection[int], recosted: Collection[int] = ()) -> set[int]:
    """Cost anew the batches of these papers and these lots, and all that follows; appended as money without grams.

    Answers the lots whose cost changed.
    """
    changed: set[int] = set()
    waiting, lots_waiting = set(papers), set(recosted)
    for _ in range(DEEP):
        books.write()
        if lots_waiting:
            some = sorted(lots_waiting)[:SOME]
            lots_waiting.difference_update(some)
            waiting |= _reprice(scope, books, some)
        elif waiting:
            some = sorted(waiting)[:SOME]
            waiting.difference_update(some)
            lots_waiting = _recost(scope, some)
            changed |= lots_waiting
        else:
            return changed
    raise RuntimeError("a change of cost went round in a circle")


def _reprice(scope: Scope, books: Corrections, ids: Sequence[int]) -> set[int]:
    """Post what each draw of these lots costs more or less now; answers the papers whose cost changed by it."""
    connection, workshop = scope.connection, scope.workshop.id
    moves: dict[int, list[Any]] = defaultdict(list)
    for move in replay.draws_of(connection, workshop, ids):
        moves[move.lot_id].append(move)
    changed = {paper.id for paper in lots.returned_of(connection, workshop, ids)}
    for key, row in lots.by_ids(connection, workshop, ids).items():
        balance = books.balance(row)
        balance.cost, balance.received = row.cost_micro, row.quantity
        found = moves[key]
        for move, cost in zip(found, draws(row.cost_micro, row.quantity, [int(move.quantity) for move in found]), strict=True):
            was = int(move.cost or 0)
            if (cost or 0) != was:
                books.change(move.origin, move.line, balance, 0, (cost or 0) - was)
        balance.touched = True
        balance.worth = costs.worth(row.cost_micro, balance.on_hand, row.quantity)
        changed |= {move.origin for move in found} - {row.document_id}
    return changed


def _recost(scope: Scope, papers: Sequence[int]) -> set[int]:
    """Set what the lots of these runs, splits and returns cost now; answers those that changed."""
    connection, workshop = scope.connection, scope.workshop.id
    made = lots.of_documents(connection, workshop, papers)
    kinds = {key: row.kind for key, row in paper_store.by_ids(connection, workshop, made).items()}
    nets: dict[int, dict[Key, Net]] = defaultdict(dict)
    for key, net in netted(replay.movements(connection, workshop, made)).items():
        nets[key[0]][key] = net
    stated = replay.lines(connection, workshop, [paper for paper in made if kinds[paper] == "run"])
    drawn = {lot for mine in nets.values() for _, _, lot in mine}
    parents = {row.parent_id for rows in made.values() for row in rows if row.parent_id is not None}
    known = lots.by_ids(connection, workshop, drawn | parents)
    costed: list[Costed] = []
    for paper, rows in made.items():
        of_item = {row.id: row for row in rows if row.id != row.item_id}
        if kinds[paper] == "run":
            costed += _batch(nets[paper], stated[paper], of_item, known)
        elif kinds[paper] == "split":
            costed += [_part(nets[paper], row, known[row.parent_id]) for row in of_item.values()]
        elif kinds[paper] == "return":
            costed += [_back(row, known[row.parent_id]) for row in of_item.values()]
    differ = [one for one in costed if (one[0].cost_micro, bool(one[0].estimated), one[0].quantity) != one[1:]]
    lots.recost(connection, workshop, [(row.id, *figures) for row, *figures in differ])
    return {row.id for row, *_ in differ}


def _batch(nets: Mapping[Key, Net], lines: Sequence[Any], made: Mapping[int, Any], known: Mapping[int, Any]) -> Iterator[Costed]:
    """A batch's lots cost what its draws cost, shared out by grams."""
    outputs = [line for line in lines if line.quantity > 0 and line.lot_id in made]
    parts: dict[int | None, list[int | None]] = {}
    estimated = False
    for (_, at, lot), net in nets.items():
        if at < len(lines) and lines[at].lot_id is None and (net.quantity or net.cost):
            parts.setdefault(lines[at].output, []).append(cost_of(net, known[lot]))
            estimated |= bool(net.quantity) and is_estimated(net, known[lot])
    own = [costs.total(parts.get(line.n, [])) for line in outputs]
    shares = batch(costs.total(parts.get(None, [])), own, [line.mass_mg or line.quantity for line in outputs])
    for line, cost in zip(outputs, shares, strict=True):
        row = made[line.lot_id]
        yield row, cost, estimated and cost is not None, row.quantity


def _part(nets: Mapping[Key, Net], child: Any, parent: Any) -> Costed:
    """A part of a lot costs what its parent gave up for it; where that is nothing, a count may still find some at its cost."""
    taken = [net for (_, _, lot), net in nets.items() if lot == child.parent_id]
    moved, cost = -sum(net.quantity for net in taken), None if parent.cost_micro is None else -sum(net.cost for net in taken)
    if not moved:
        moved, cost = parent.quantity, parent.cost_micro
    return child, cost, bool(parent.estimated) and cost is not None, moved


def _back(child: Any, parent: Any) -> Costed:
    """What came back is worth what the units of its batch's lot are worth."""
    cost = costs.worth(parent.cost_micro, child.quantity, parent.quantity)
    return child, cost, bool(parent.estimated) and cost is not None, child.quantity


def cost_of(net: Net, lot: Any) -> int | None:
    """What a line's draws of one lot cost; None while the lot's cost, or the guess for unbooked stock, is unknown.

    Where nothing is drawn any more, what moved away may leave a millionth.
    """
    if not net.quantity:
        return -net.cost
    known = net.known if lot.id == lot.item_id else lot.cost_micro is not None
    return -net.cost if known else None


def is_estimated(net: Net, lot: Any) -> bool:
    """Whether a draw's cost rests on a guess."""
    return (net.known and bool(net.quantity)) if lot.id == lot.item_id else bool(lot.estimated)
