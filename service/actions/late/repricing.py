"""A cost that changes flows on: to what drew from the lot, to the batches made from it, through bulk to any depth."""

from collections.abc import Collection
from typing import Any

from service.actions.late.corrections import Corrections
from service.actions.scope import Scope
from service.core.stock import costs
from service.core.stock.netted import Key, Net, netted
from service.core.stock.repricing import batch, draws
from service.store import entries, lots, replay
from service.store import papers as paper_store

DEEP = 10_000  # steps of a cascade: a bug's limit, never a book's


def settle(scope: Scope, books: Corrections, papers: Collection[int], recosted: Collection[int] = ()) -> set[int]:
    """Cost anew the batches of these papers and these lots, and all that follows; appended as money without grams.

    Answers the lots whose cost changed.
    """
    changed: set[int] = set()
    waiting = dict.fromkeys(sorted(papers))
    lots_waiting = dict.fromkeys(sorted(recosted))
    for _ in range(DEEP):
        books.write()
        if lots_waiting:
            lot = next(iter(lots_waiting))
            del lots_waiting[lot]
            waiting |= dict.fromkeys(_reprice(scope, books, lot))
        elif waiting:
            paper = next(iter(waiting))
            del waiting[paper]
            found = _recost(scope, paper)
            changed.update(found)
            lots_waiting |= dict.fromkeys(found)
        else:
            return changed
    raise RuntimeError("a change of cost went round in a circle")


def _reprice(scope: Scope, books: Corrections, lot_id: int) -> list[int]:
    """Post what each draw of a lot costs more or less now; answers the papers whose cost changed by it."""
    row = lots.by_ids(scope.connection, scope.workshop.id, [lot_id])[lot_id]
    balance = books.balance(row)
    balance.cost, balance.received = row.cost_micro, row.quantity
    found = entries.draws_of(scope.connection, scope.workshop.id, [lot_id])
    changed = []
    for move, cost in zip(found, draws(row.cost_micro, row.quantity, [int(move.quantity) for move in found]), strict=True):
        was = int(move.cost or 0)
        if (cost or 0) != was:
            books.change(move.origin, move.line, balance, 0, (cost or 0) - was)
        changed.append(move.origin)
    balance.touched = True
    balance.worth = costs.worth(row.cost_micro, balance.on_hand, row.quantity)
    back = lots.returned_of(scope.connection, scope.workshop.id, [lot_id])
    return [*(origin for origin in changed if origin != row.document_id), *(paper.id for paper in back)]


def _recost(scope: Scope, paper: int) -> list[int]:
    """Set what the lots of a run or split cost now; answers those that changed."""
    made = [row for row in lots.of_document(scope.connection, scope.workshop.id, paper) if row.id != row.item_id]
    if not made:
        return []
    nets = netted(entries.movements(scope.connection, scope.workshop.id, [paper]))
    lines = replay.lines(scope.connection, scope.workshop.id, [paper])[paper]
    kind = paper_store.by_ids(scope.connection, scope.workshop.id, [paper])[paper].kind
    if kind == "run":
        return _recost_batch(scope, nets, lines, {row.id: row for row in made})
    if kind == "return":
        return _recost_return(scope, made[0])
    return _recost_part(scope, nets, made[0]) if kind == "split" else []


def _recost_batch(scope: Scope, nets: dict[Key, Net], lines: list[Any], made: dict[int, Any]) -> list[int]:
    known = lots.by_ids(scope.connection, scope.workshop.id, {lot for _, _, lot in nets})
    outputs = [line for line in lines if line.quantity > 0 and line.lot_id in made]
    parts: dict[int | None, list[int | None]] = {}
    estimated = False
    for (_, at, lot), net in nets.items():
        if at < len(lines) and lines[at].lot_id is None and (net.quantity or net.cost):
            parts.setdefault(lines[at].output, []).append(cost_of(net, known[lot]))
            estimated |= bool(net.quantity) and is_estimated(net, known[lot])
    own = [costs.total(parts.get(line.n, [])) for line in outputs]
    shares = batch(costs.total(parts.get(None, [])), own, [line.mass_mg or line.quantity for line in outputs])
    return [line.lot_id for line, cost in zip(outputs, shares, strict=True)
            if _set(scope, made[line.lot_id], cost, estimated)]  # fmt: skip


def _recost_part(scope: Scope, nets: dict[Key, Net], child: Any) -> list[int]:
    """A part of a lot costs what its parent gave up for it."""
    taken = [net for (_, _, lot), net in nets.items() if lot == child.parent_id]
    parent = lots.by_ids(scope.connection, scope.workshop.id, [child.parent_id])[child.parent_id]
    cost = None if parent.cost_micro is None else -sum(net.cost for net in taken)
    moved = -sum(net.quantity for net in taken)
    return [child.id] if _set(scope, child, cost, parent.estimated, moved) else []


def _recost_return(scope: Scope, child: Any) -> list[int]:
    """What came back is worth what the units of its batch's lot are worth."""
    parent = lots.by_ids(scope.connection, scope.workshop.id, [child.parent_id])[child.parent_id]
    cost = costs.worth(parent.cost_micro, child.quantity, parent.quantity)
    return [child.id] if _set(scope, child, cost, parent.estimated) else []


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


def _set(scope: Scope, lot: Any, cost: int | None, estimated: bool, quantity: int | None = None) -> bool:
    estimated = estimated and cost is not None
    quantity = lot.quantity if quantity is None else quantity
    if (lot.cost_micro, bool(lot.estimated), lot.quantity) == (cost, estimated, quantity):
        return False
    lots.change(scope.connection, scope.workshop.id, lot.id, {"cost_micro": cost, "estimated": estimated, "quantity": quantity})
    return True
