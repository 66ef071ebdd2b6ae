"""Older books: every item is drawn again once, in the way of every late paper (law 13)."""

from datetime import date

from service.actions import papers, stock
from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.scope import Scope
from service.store import items, ledger


def draw_again(scope: Scope) -> int:
    """Draw all items of older books again; what differs is appended under one paper. Answers how many items."""
    wanted = items.older(scope.connection, scope.workshop.id)
    if not wanted:
        return 0
    items.lock(scope.connection, scope.workshop.id, wanted)
    paper = papers.new_paper(scope, "edit", (scope.today, scope.now))
    paper.facts = {"note": "older books drawn again"}
    ledger.add_papers(scope.connection, scope.workshop.id, [paper])
    redraw = Redraw.begin(scope, paper)
    known = stock.items_of(scope, wanted)
    for item in wanted:
        redraw.item(known[item], date.min)
        items.drawn_again(scope.connection, scope.workshop.id, item)
    late.finish(scope, redraw)
    return len(wanted)
