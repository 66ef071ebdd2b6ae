"""Law 13: an item's papers in the order of their happening, and what each drew from which lot.

`Shelves.apply` runs one act on an item's lots. A paper in order runs it once, on the lots as they are; a late one
runs all acts again from its day on, and what differs from the books is appended as corrections. Quantities are in
the item's smallest unit. Source: the laws of the trade's books as DEVELOPERS.md states them (law 6, 7, 13).
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from operator import attrgetter
from typing import Any, NamedTuple

from service.core.stock import draw
from service.core.stock.acts import Assumed, Came, Counted, Divided, Edited, Gone, Lot, Named, Order, Paper
from service.core.stock.kept import Kept

BEYOND = 0  # stands for the unbooked lot in effects
OPEN_TO = {"set_apart": 1, "usable": 2}  # to sales; to production, too
IN_ORDER = attrgetter("order")
OF_PART = ("received_on", "status", "expires_on", "retest_on", "ready_on", "place", "set_apart")  # taken over from its lot


@dataclass(slots=True)
class Open:
    """A draw that is still unbooked."""

    document: int
    line: int
    quantity: int
    day: date
    order: Order
    least: date | None = None  # of a sale: as acts.Assumed has it


class Standing(NamedTuple):
    """A lot with the days on which it may be drawn, while nothing changes them."""

    lot: Lot
    first: date
    last: date
    use_by: date


Key = tuple[int, int, int]  # document, line, lot or BEYOND
Effects = dict[Key, int]  # signed quantities


@dataclass(slots=True)
class Shelves:
    """An item's lots, its unbooked draws (oldest first), and what the acts did."""

    lots: dict[int, Lot] = field(default_factory=dict)
    open: list[Open] = field(default_factory=list)
    effects: Effects = field(default_factory=lambda: defaultdict(int))
    books: dict[int, int] = field(default_factory=dict)  # count -> what the books said
    cleared: dict[tuple[int, int], int] = field(default_factory=dict)  # (document, line) -> by which count
    waited: date | None = None  # the first day of a draw that was unbooked, be it only until a later paper
    ahead: dict[int, dict[str, Any]] = field(default_factory=dict)  # edits of lots that come later
    born: dict[int, dict[str, Any]] = field(default_factory=dict)  # what each part was when it was split off
    kept: "Kept" = field(default_factory=lambda: Kept((), {}))
    _left: dict[tuple[int, int], int] = field(default_factory=dict)
    _first_out: list[Standing] | None = None  # lots in law 6's order, until one changes its place in it or is filled again

    def run(self, papers: Iterable[Paper]) -> None:
        """Apply papers in their order, sparing for named draws what later papers name."""
        in_order = sorted(papers, key=IN_ORDER)
        self.kept = Kept(in_order, {lot.id: lot.place for lot in self.lots.values()})
        for paper in in_order:
            self.apply(paper)

    def apply(self, paper: Paper) -> None:
        """Run one act."""
        match paper.act:
            case Assumed():
                self._assumed(paper, paper.act)
            case Came():
                self._came(paper, paper.act.lot, paper.act.quantity)
            case Edited():
                self._edited(paper, paper.act)
            case Named():
                self._named(paper, paper.act)
            case Gone():
                taken = self._take(paper.document, paper.line, paper.act.lot, paper.act.quantity, paper.day)
                self._beyond(paper, paper.act.quantity - taken)
            case Divided():
                self._divided(paper, paper.act)
            case Counted():
                self._counted(paper, paper.act)

    def _came(self, paper: Paper, lot: Lot, quantity: int) -> None:
        self._there(lot)
        self._move(paper.document, paper.line, lot.id, quantity)
        self._serve_day(paper.day, [lot.id])

    def _there(self, lot: Lot) -> None:
        """A lot is there from now on, with what was told of it before."""
        for name, value in self.ahead.pop(lot.id, {}).items():
            setattr(lot, name, value)
        self.lots[lot.id] = lot
        self._first_out = None

    def _divided(self, paper: Paper, act: Divided) -> None:
        """The part is what its parent was then; it serves nothing of before: the split shows that it was still there."""
        moved = self._take(paper.document, paper.line, act.lot, act.quantity, paper.day, opens=False)
        parent = self.lots.get(act.lot)
        for name in OF_PART if parent is not None else ():
            if name not in act.told:
                setattr(act.child, name, getattr(parent, name))
        self.born[act.child.id] = {name: getattr(act.child, name) for name in OF_PART}
        self._there(act.child)
        self._move(paper.document, paper.line, act.child.id, moved)

    def _edited(self, paper: Paper, act: Edited) -> None:
        lot = self.lots.get(act.lot)
        if lot is None:  # its receipt was corrected to a later day, or it is split off later on this day: the edit waits
            self.ahead.setdefault(act.lot, {}).update(act.facts)
            return
        before = OPEN_TO.get(draw.state(lot, paper.day), 0)
        for name, value in act.facts.items():
            setattr(lot, name, value)
        self._first_out = None
        if OPEN_TO.get(draw.state(lot, paper.day), 0) > before:
            self._serve_day(paper.day, [lot.id])

    def _named(self, paper: Paper, act: Named) -> None:
        left = self._left.get((paper.document, paper.line), act.need)
        for lot, most in act.lots:
            wanted = left if most is None else min(most, left)
            left -= self._take(paper.document, paper.line, lot, wanted, paper.day)
        self._left[(paper.document, paper.line)] = left

    def _assumed(self, paper: Paper, act: Assumed) -> None:
        document, day, line = paper.document, paper.day, paper.line
        wanted = self._left.pop((document, line), act.need) if self._left else act.need
        for lot, first, last, use_by in self._in_first_out():
            if wanted <= 0:
                break
            if not lot.quantity or not first <= day <= last or lot.id in act.without:
                continue
            if lot.set_apart if act.least is None else use_by < act.least:
                continue
            free = lot.quantity - self.kept.after(lot.id, paper.order)
            wanted -= self._take(document, line, lot.id, min(free, wanted), day)
        if wanted > 0:
            self._beyond(paper, wanted, act.least)

    def _in_first_out(self) -> list[Standing]:
        """The lots in law 6's order; emptied ones at its head are left behind."""
        if self._first_out is None:
            self._first_out = sorted(
                (Standing(lot, *draw.window(lot), lot.use_by) for lot in self.lots.values() if lot.quantity),
                key=lambda one: (one.use_by, one.lot.received_on, one.lot.code),
            )
        if self._first_out and not self._first_out[0].lot.quantity:
            self._first_out = [one for one in self._first_out if one.lot.quantity]
        return self._first_out

    def _counted(self, paper: Paper, act: Counted) -> None:
        lots = [lot for lot in self.lots.values() if _is_counted(act, lot)]
        on_hand = sum(lot.quantity for lot in lots)
        for draw_ in list(self.open) if act.place is None else []:
            lack = on_hand - act.counted
            if lack <= 0:
                break
            on_hand -= self._explain(draw_, lots, min(lack, draw_.quantity))
        unbooked = 0
        if act.whole:
            unbooked = sum(draw_.quantity for draw_ in self.open)
            self.cleared |= {(draw_.document, draw_.line): paper.document for draw_ in self.open}
            self.open.clear()
            self._effect(paper.document, paper.line, BEYOND, unbooked)
        self.books[paper.document] = on_hand - unbooked
        if act.counted < on_hand:
            self._lose(paper, lots, on_hand - act.counted)
        elif act.counted > on_hand:
            self._gain(paper, act, lots, act.counted - on_hand)

    def _explain(self, draw_: Open, lots: Sequence[Lot], quantity: int) -> int:
        """What the shelf lacks was used by an unbooked draw, from lots received by its day, unusable ones too."""
        took = draw.take_all_states([lot.shelf() for lot in lots], quantity, draw_.day)
        return self._serve(draw_, [(take.lot_id, take.quantity) for take in took.takes])

    def _lose(self, paper: Paper, lots: Sequence[Lot], quantity: int) -> None:
        """A loss falls in law 6's order, unusable lots too, and spares for as long as it can what later papers name."""
        spared = [lot.shelf(lot.quantity - self.kept.after(lot.id, paper.order)) for lot in lots]
        for shelves in (spared, None):
            there = shelves if shelves is not None else [lot.shelf() for lot in lots]
            for take in draw.take_all_states(there, quantity, paper.day).takes:
                self._move(paper.document, paper.line, take.lot_id, -take.quantity)
                quantity -= take.quantity

    def _gain(self, paper: Paper, act: Counted, lots: Sequence[Lot], quantity: int) -> None:
        newest = draw.newest_usable([lot.shelf() for lot in lots], paper.day)
        if newest is None:
            assert act.own is not None, "a gain without a lot needs one of its own"
            self._there(act.own)
        self._move(paper.document, paper.line, newest.id if newest is not None else act.own.id, quantity)  # type: ignore[union-attr]

    def _serve_day(self, day: date, lots: Collection[int]) -> None:
        """What comes in, or becomes usable, later on a day serves what would else be unbooked of that day."""
        for draw_ in [one for one in self.open if one.day == day]:
            there = [self.lots[lot].shelf(self.lots[lot].quantity - self.kept.after(lot, draw_.order)) for lot in lots]
            drawn = draw.draw(draw.offered(there, draw_.least), draw_.quantity, day)
            self._serve(draw_, [(take.lot_id, take.quantity) for take in drawn.takes])

    def _serve(self, draw_: Open, takes: Sequence[tuple[int, int]]) -> int:
        """Give an unbooked draw its lots after all."""
        moved = 0
        for lot, quantity in takes:
            moved += self._take(draw_.document, draw_.line, lot, quantity, draw_.day)
        self._effect(draw_.document, draw_.line, BEYOND, moved)
        draw_.quantity -= moved
        if not draw_.quantity:
            self.open.remove(draw_)
        return moved

    def _take(self, document: int, line: int, lot: int, wanted: int, day: date, opens: bool = True) -> int:
        """Take up to `wanted` of a lot; the first draw opens it."""
        there = self.lots.get(lot)
        if there is None or wanted <= 0 or not there.quantity:
            return 0
        taken = min(wanted, there.quantity)
        there.quantity -= taken
        self.effects[(document, line, lot)] -= taken
        if opens and there.opened_life_days is not None and not there.opened_by_hand:
            self._open(there, day)
        return taken

    def _open(self, lot: Lot, day: date) -> None:
        """A lot is open since the first day of which something was drawn, be it that a count shows that only now."""
        if lot.opened_on is None or day < lot.opened_on:
            lot.opened_on = day
            self._first_out = None

    def _beyond(self, paper: Paper, short: int, least: date | None = None) -> None:
        if short:
            self._effect(paper.document, paper.line, BEYOND, -short)
            self.open.append(Open(paper.document, paper.line, short, paper.day, paper.order, least))
            self.waited = min(self.waited or paper.day, paper.day)

    def _move(self, document: int, line: int, lot: int, quantity: int) -> None:
        self.lots[lot].quantity += quantity
        if quantity > 0:
            self._first_out = None
        self._effect(document, line, lot, quantity)

    def _effect(self, document: int, line: int, lot: int, quantity: int) -> None:
        if quantity:
            self.effects[(document, line, lot)] += quantity


def _is_counted(act: Counted, lot: Lot) -> bool:
    if act.place is not None:
        return lot.place == act.place
    return act.lot is None or lot.id == act.lot
