"""Drawing for a paper: at once where it comes in order, by running its items' papers again where it comes late (law 13)."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions.late import late
from service.actions.late.redraw import Redraw
from service.actions.making import run_draw, run_named, run_target
from service.actions.making.run_draw import Drawn
from service.actions.making.run_now import drawn_now
from service.actions.scope import Scope
from service.core.stock import happening
from service.core.stock.netted import netted
from service.store import items as item_store
from service.store import ledger, replay
from service.store.items import ItemRow
from service.store.ledger import Paper, Stated


def draw(
    scope: Scope, paper: Paper, stated: Sequence[Stated], needs: list[run_target.Need], named: Sequence[run_target.NamedLots],
    rows: dict[int, Row[Any]], items: Mapping[int, ItemRow], locked: Mapping[int, item_store.Locked],
    least: date | None = None,
) -> tuple[Drawn, Redraw | None, dict[int, date]]:  # fmt: skip
    """Draw from the books as they are; items whose later papers it comes before are drawn again from its day on.

    The paper is posted only where something is drawn again (the redraw is answered, and from which day for each item).
    `least` makes it a sale: from any place, of lots whose last usable day is not before it.
    """
    day = paper.happened_on
    by_name, by_guess = (happening.rank(day, paper.happened_at, act) for act in (happening.NAMED, happening.ASSUMED))
    low = {need.item_id: by_name for at, need in enumerate(needs) if named[at]}
    drawn_items = {need.item_id for need in needs if items[need.item_id].stocked}
    behind = {item for item in drawn_items if not late.in_order(locked[item], low.get(item, by_guess))}
    drawn = run_draw.draw_all(scope, needs, named, rows, day, items, behind, least)
    more = run_named.too_small(drawn, named)
    if more:
        drawn = run_draw.draw_all(scope, needs, named, rows, day, items, behind | more, least)
    if not behind | more:
        return drawn, None, {}
    since = dict.fromkeys(behind | more, day)
    for some in named:
        for lot, _ in some:
            item = rows[lot].item_id
            if item in since:
                since[item] = min(since[item], rows[lot].received_on)
    ledger.post(scope.connection, scope.workshop.id, paper, stated, drawn.entries)
    redraw = Redraw.begin(scope, paper)
    redraw.books.continue_at(paper.id, len(drawn.entries.movements))
    for item in sorted(since):
        redraw.item(items[item], since[item])
    redraw.books.write()
    nets = netted(replay.movements(scope.connection, scope.workshop.id, [paper.id]))
    return drawn_now(scope, needs, named, nets, items), redraw, since
