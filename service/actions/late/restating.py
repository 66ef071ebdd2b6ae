"""Papers stated anew: a correction with lines of its own, that stand instead of the paper's."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.late.redraw import Redraw
from service.actions.scope import Scope
from service.store import items, ledger, lots, replay
from service.store import papers as paper_store
from service.store.ledger import Paper, Stated


def standing(scope: Scope, row: Row[Any]) -> Row[Any]:
    """The paper, or the correction that states it now."""
    last = replay.restated(scope.connection, scope.workshop.id, [row.id]).get(row.id, row.id)
    return paper_store.by_ids(scope.connection, scope.workshop.id, [last])[last]


def since(scope: Scope, row: Row[Any], stated: Sequence[Row[Any]]) -> dict[int, date]:
    """From which day each item of a paper is drawn again when the paper changes: its own, or the first of a lot it names."""
    days = dict.fromkeys((line.item_id for line in stated), row.happened_on)
    if row.kind == "count" and any(line.lot_id is None for line in stated):
        return dict.fromkeys(days, date.min)
    named = replay.named_by_all(scope.connection, scope.workshop.id, [row.id]).get(row.id, {})
    ids = {lot for some in named.values() for lot, _ in some} | {line.lot_id for line in stated if line.lot_id is not None}
    for lot in lots.by_ids(scope.connection, scope.workshop.id, ids).values():
        if lot.item_id in days:
            days[lot.item_id] = min(days[lot.item_id], lot.received_on)
    return days


def as_stated(scope: Scope, document: int) -> list[Stated]:
    """The lines of a paper as they stand now, with the lots they name."""
    named = replay.named_by_all(scope.connection, scope.workshop.id, [document]).get(document, {})
    return [
        Stated(line.item_id, line.paper, line.quantity, line.lot_id, line.instead_of_id, line.output, line.mass_mg,
               tuple(named.get(line.n, ())))
        for line in replay.lines(scope.connection, scope.workshop.id, [document])[document]
    ]  # fmt: skip


def restate(
    scope: Scope, redraw: Redraw, row: Row[Any], lines: Sequence[Stated], when: tuple[date, datetime | None], **facts: Any
) -> Paper:
    """Post a correction that states a paper's lines anew; the paper's place in the order of recording stays."""
    paper = papers.new_paper(scope, "correction", when, corrects_id=row.id, caused_by_id=redraw.books.cause.id, facts=facts)
    ledger.post(scope.connection, scope.workshop.id, paper, lines)
    redraw.books.adopt(row.id, paper)
    return paper


def without_lots(scope: Scope, redraw: Redraw, run: int, lost: Collection[int]) -> dict[int, date]:
    """State a run anew without naming these lots; answers from which day its items are drawn again."""
    row = paper_store.by_ids(scope.connection, scope.workshop.id, [run])[run]
    lines = as_stated(scope, run)
    days = since(scope, row, replay.lines(scope.connection, scope.workshop.id, [run])[run])
    touched = {line.item_id for line in lines for lot, _ in line.named if lot in lost}
    items.lock(scope.connection, scope.workshop.id, sorted(touched))
    left = [replace(line, named=tuple((lot, most) for lot, most in line.named if lot not in lost)) for line in lines]
    restate(scope, redraw, row, left, (row.happened_on, row.happened_at), unnamed=True)
    return {item: day for item, day in days.items() if item in touched}
