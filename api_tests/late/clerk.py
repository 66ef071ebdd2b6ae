"""A second, naive model of law 13: it knows nothing of the service, and replays every paper from nothing each time."""

from datetime import date
from fractions import Fraction
from typing import Any

from late.ledgers import ASSUMED, CAME, GONE, NAMED, NEVER, SPLIT, Books, Key, Lot, Piece, before, key_of, lives, standing
from late.papers import FORMULAS, Count, Disposal, Edit, Paper, Receipt, Run, Split
from late.till import Till


class Clerk(Till):
    """One replay."""

    def __init__(self, told: list[Paper]) -> None:
        self.lots: dict[str, Lot] = {}
        self.pieces: list[Piece] = []
        self.differences: dict[str, int] = {}
        self.costs: dict[str, Fraction | None] = {}
        self.estimated: dict[str, bool] = {}
        self.claims: list[tuple[Key, str, int]] = []  # what papers name, and how much of it
        self.counted: list[tuple[Key, Count]] = []
        self.runs: dict[str, Run] = {}
        self.lives = lives(told)
        acts: list[tuple[Key, Any, Paper]] = []
        for order, paper in standing(told):
            acts += self._acts(order, paper)
        for key, act, paper in sorted(acts, key=lambda one: one[0]):
            act(key, paper)
        self._price()

    # What each paper does, and where in the order.

    def _acts(self, order: int, paper: Paper) -> list[tuple[Key, Any, Paper]]:
        if isinstance(paper, Receipt):
            self._open(paper, order)
            return [(key_of(paper, CAME, order), self._come, paper)]
        if isinstance(paper, Run):
            return self._run_acts(order, paper)
        if isinstance(paper, Disposal):
            key = key_of(paper, GONE, order)
            self.claims.append((key, paper.lot, paper.grams))
            return [(key, self._dispose, paper)]
        if isinstance(paper, Split):
            key = key_of(paper, SPLIT, order)
            self.claims.append((key, paper.lot, paper.grams))
            parent = self.lots[paper.lot]
            self._new(Lot(paper.name, parent.item, parent.received, order, 0, parent.expires, parent=paper.lot))
            return [(key, self._split, paper)]
        if isinstance(paper, Count):
            key = key_of(paper, CAME, order)
            self.counted.append((key, paper))
            return [(key, self._count, paper)]
        assert isinstance(paper, Edit)
        return self._edit(order, paper)

    def _open(self, paper: Receipt, order: int) -> None:
        n = paper.containers
        cost = None if paper.cost is None else Fraction(paper.cost, n)
        for at, name in enumerate(paper.lots):
            lot = self._new(Lot(name, paper.item, paper.day, order + at / 100, paper.grams // n, paper.expires, cost))
            lot.statuses.append(((date.min,), paper.status))
            lot.places.append(((date.min,), paper.place))

    def _new(self, lot: Lot) -> Lot:
        lot.life = self.lives.get(lot.item)
        self.lots[lot.name] = lot
        return lot

    def _run_acts(self, order: int, paper: Run) -> list[tuple[Key, Any, Paper]]:
        self.runs[paper.name] = paper
        made = self._new(Lot(paper.name, paper.formula, paper.day, order, paper.grams, batch=True))
        made.statuses.append(((date.min,), paper.started))
        made.places.append(((date.min,), None))
        named = key_of(paper, NAMED, order)
        for material, share in FORMULAS[paper.formula].items():
            need = paper.grams * share // 100
            some = [(lot, grams) for one, lot, grams in paper.named if one == material]
            for lot, grams in some:
                told = need if grams is None and len(some) == 1 else min(need, grams or 0)
                self.claims.append((named, lot, told))
                need -= told
        return [
            (key_of(paper, CAME, order), self._come, paper),
            (named, self._draw_named, paper),
            (key_of(paper, ASSUMED, order), self._draw_assumed, paper),
        ]

    def _edit(self, order: int, paper: Edit) -> list[tuple[Key, Any, Paper]]:
        key = key_of(paper, CAME, order)
        lot = self.lots[paper.lot]
        if paper.status is not None:
            lot.statuses.append((key, paper.status))
        if paper.place is not None:
            lot.places.append((key, paper.place))
        return [(key, self._edited, paper)]

    # The acts.

    def _come(self, key: Key, paper: Paper) -> None:
        for name in paper.lots if isinstance(paper, Receipt) else [paper.name]:
            lot = self.lots[name]
            lot.arrived, lot.came, lot.on_hand = True, key, lot.quantity
            self._serve_its_day(lot, key)

    def _edited(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Edit)
        lot = self.lots[paper.lot]
        waited = lot.arrived and not lot.drawable(before(key))
        lot.open_since(paper.opened)
        if waited:
            self._serve_its_day(lot, key)

    def _serve_its_day(self, lot: Lot, key: Key) -> None:
        """What came in (or became usable) later on a day serves what else would be unbooked of that day."""
        if lot.drawable(key):
            for piece in self._open_pieces(lot.item):
                if piece.key[0] == key[0] and not self._descends(lot.name, piece.paper):
                    self._settle(piece, lot, self._free(lot, key))

    def _dispose(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Disposal)
        lot = self._named(paper.lot)
        taken = min(lot.on_hand, paper.grams)
        self._take(paper.name, lot, taken, key)
        self._leave_unbooked(paper.name, lot.item, paper.grams - taken, key)

    def _split(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Split)
        parent, lot = self.lots[paper.lot], self.lots[paper.name]
        moved = min(parent.on_hand, paper.grams)
        parent.on_hand -= moved
        lot.arrived, lot.on_hand, lot.quantity = True, moved, moved
        lot.statuses.insert(0, ((date.min,), parent.status(key)))
        lot.places.insert(0, ((date.min,), paper.place if paper.place is not None else parent.place(key)))
        if not lot.by_hand:
            lot.open_since(paper.opened)

    def _draw_named(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Run)
        for material, share in FORMULAS[paper.formula].items():
            need = over = paper.grams * share // 100
            for one, name, grams in paper.named:
                if one == material:
                    lot = self._named(name)
                    told = need if grams is None else min(grams, over)  # what is named over the need names nothing
                    over -= 0 if grams is None else told
                    taken = min(lot.on_hand if lot.arrived else 0, told, need)
                    self._take(paper.name, lot, taken, key)
                    need -= taken

    def _draw_assumed(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Run)
        for material, share in FORMULAS[paper.formula].items():
            taken = sum(one.grams for one in self.pieces if one.paper == paper.name and one.item == material)
            self._draw(paper.name, material, paper.grams * share // 100 - taken, key)

    def _draw(self, paper: str, item: str, need: int, key: Key) -> None:
        for lot in self._shelf(item):
            if lot.drawable(key) and not self._descends(lot.name, paper):
                taken = min(need, self._free(lot, key))
                self._take(paper, lot, taken, key)
                need -= taken
        self._leave_unbooked(paper, item, need, key)

    def _count(self, key: Key, paper: Paper) -> None:
        assert isinstance(paper, Count)
        if paper.lot is not None:
            self._count_lot(key, paper, self._named(paper.lot))
        elif paper.place is not None:
            self._count_place(key, paper)
        else:
            self._count_item(key, paper)

    def _count_lot(self, key: Key, paper: Count, lot: Lot) -> None:
        for piece in self._open_pieces(lot.item):
            if lot.received <= piece.key[0]:
                self._settle(piece, lot, max(0, lot.on_hand - paper.counted))
        self.differences[paper.name] = paper.counted - lot.on_hand
        lot.on_hand, lot.arrived = paper.counted, lot.arrived or paper.counted > 0

    def _count_item(self, key: Key, paper: Count) -> None:
        self._take_as_used(paper)
        shelf = self._shelf(paper.item)
        open_ = self._open_pieces(paper.item)
        on_hand = sum(one.on_hand for one in shelf)
        self.differences[paper.name] = paper.counted - on_hand + sum(piece.grams for piece in open_)
        for piece in open_:
            piece.cleared = True
        self._correct_shelf(key, paper, shelf, paper.counted - on_hand)

    def _take_as_used(self, paper: Count) -> None:
        """What the shelf lacks was used by unbooked draws; only a loss spares what later papers name."""
        for piece in self._open_pieces(paper.item):
            shelf = self._shelf(paper.item)
            for lot in shelf:
                if lot.received <= piece.key[0] and not self._descends(lot.name, piece.paper):
                    lack = sum(one.on_hand for one in shelf) - paper.counted
                    self._settle(piece, lot, max(0, min(lack, lot.on_hand)))

    def _count_place(self, key: Key, paper: Count) -> None:
        shelf = [lot for lot in self._shelf(paper.item) if lot.place(key) == paper.place]
        difference = paper.counted - sum(lot.on_hand for lot in shelf)
        self.differences[paper.name] = difference
        self._correct_shelf(key, paper, shelf, difference)

    def _correct_shelf(self, key: Key, paper: Count, shelf: list[Lot], difference: int) -> None:
        lacking = max(0, -difference)
        for spare in (True, False):
            for lot in shelf:
                lost = min(lacking, self._free(lot, key) if spare else lot.on_hand)
                lot.on_hand -= lost
                lacking -= lost
        if difference > 0:
            newest = sorted(shelf, key=lambda lot: (lot.usable(key), lot.received, not lot.batch, lot.order))
            lot = newest[-1] if newest else self._own_lot(key, paper, difference)
            lot.on_hand += difference

    def _own_lot(self, key: Key, paper: Count, grams: int) -> Lot:
        lot = self._new(Lot(f"own {paper.name}", paper.item, paper.day, key[4], grams, arrived=True))
        lot.statuses.append(((date.min,), "released"))
        lot.places.append(((date.min,), paper.place))
        return lot

    def _named(self, name: str) -> Lot:
        """The lot of a name; one that a count had found by what was told before may not be there as known now."""
        if name not in self.lots:
            key, count = next(one for one in self.counted if name == f"own {one[1].name}")
            self._own_lot(key, count, 0).arrived = False
        return self.lots[name]

    # The small steps.

    def _open_pieces(self, item: str) -> list[Piece]:
        found = [one for one in self.pieces if one.item == item and one.lot is None and not one.cleared and one.grams]
        return sorted(found, key=lambda one: one.key)

    def _free(self, lot: Lot, key: Key) -> int:
        """What is in a lot less what later papers name of it, up to its next count (alone or with its item)."""
        until = min((at for at, count in self.counted if at > key and self._counts(count, lot, at)), default=(NEVER,))
        named = sum(grams for at, name, grams in self.claims if name == lot.name and key < at < until)
        return max(0, lot.on_hand - named)

    def _counts(self, count: Count, lot: Lot, at: Key) -> bool:
        if count.lot is not None:
            return count.lot == lot.name
        return count.item == lot.item and count.place in (None, lot.place(at))

    def _take(self, paper: str, lot: Lot, grams: int, key: Key) -> None:
        if grams:
            lot.on_hand -= grams
            lot.first_drawn(key[0])
            self.pieces.append(Piece(paper, lot.item, lot.name, grams, key))

    def _leave_unbooked(self, paper: str, item: str, grams: int, key: Key) -> None:
        if grams:
            self.pieces.append(Piece(paper, item, None, grams, key))

    def _settle(self, piece: Piece, lot: Lot, most: int) -> None:
        taken = min(piece.grams, most)
        if taken:
            piece.grams -= taken
            self._take(piece.paper, lot, taken, piece.key)

    @property
    def books(self) -> Books:
        return Books(self.lots, self.pieces, self.differences, self.costs, self.estimated, set(self.runs))
