"""The clerk's money: what each paper's draws cost, from the lots up; null where a cost beneath is unknown."""

from fractions import Fraction

from late.ledgers import Lot, Piece
from late.papers import Run


class Till:
    """The half of the clerk that counts money, once all is drawn."""

    lots: dict[str, Lot]
    pieces: list[Piece]
    costs: dict[str, Fraction | None]
    estimated: dict[str, bool]
    runs: dict[str, Run]

    def _price(self) -> None:
        for piece_owner in {one.paper for one in self.pieces}:
            self._cost_of(piece_owner)

    def _cost_of(self, paper: str) -> None:
        """The cost of what one paper drew; null when a part of it is."""
        if paper in self.costs:
            return
        total: Fraction | None = Fraction(0)
        guessed = False
        for one in (one for one in self.pieces if one.paper == paper and one.grams):
            rate, guess = self._rate(one.lot) if one.lot is not None else self._guess(one)
            guessed |= guess
            total = None if total is None or rate is None else total + rate * one.grams
        self.costs[paper], self.estimated[paper] = total, guessed

    def _rate(self, name: str) -> tuple[Fraction | None, bool]:
        """Cost per gram of a lot, and whether it rests on a guess."""
        lot = self.lots[name]
        if lot.parent is not None:
            return self._rate(lot.parent)
        if name in self.runs:
            self._cost_of(name)
            lot.cost, lot.estimated = self.costs[name], self.estimated[name]
        return (None if lot.cost is None else lot.cost / lot.quantity, lot.estimated)

    def _guess(self, piece: Piece) -> tuple[Fraction | None, bool]:
        """Unbooked stock is costed at the newest lot of known cost received by then."""
        for lot in sorted(self._shelf(piece.item), key=lambda one: (one.received, not one.batch, one.order), reverse=True):
            if lot.received <= piece.key[0] and lot.parent is None and not self._descends(lot.name, piece.paper):
                rate = self._rate(lot.name)[0]
                if rate is not None:
                    return rate, True
        return None, False

    def _shelf(self, item: str) -> list[Lot]:
        """The lots of an item that are there, in law 6's order."""
        return sorted((lot for lot in self.lots.values() if lot.item == item and lot.arrived), key=lambda lot: lot.law6)

    def _descends(self, lot: str, paper: str) -> bool:
        """Whether a lot is what a run made, or was made from it."""
        if lot == paper:
            return True
        parent = self.lots[lot].parent
        if parent is not None and self._descends(parent, paper):
            return True
        return any(one.lot and self._descends(one.lot, paper) for one in self.pieces if one.paper == lot and one.lot != lot)
