"""What later papers name of each lot: an assumed draw leaves that alone (law 13, "known beats guessed")."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence

from service.core.stock.acts import Act, Assumed, Came, Counted, Divided, Edited, Gone, Named, Order, Paper


class Kept:
    """What papers after a moment name of a lot, up to its next count (of the lot, of its place, of the item)."""

    def __init__(self, in_order: Sequence[Paper], places: Mapping[int, str | None]) -> None:
        self._at: dict[int, list[Order]] = defaultdict(list)  # papers that name a lot
        self._to: dict[int, list[int]] = defaultdict(list)  # what they name, summed up from the first
        self._ends: dict[int | None, list[Order]] = defaultdict(list)  # counts, by lot; None: of the item
        self._places = dict(places)
        self._ahead: dict[int, str | None] = {}  # places told of lots that come later, as `Shelves.ahead`
        for paper in in_order:
            if not isinstance(paper.act, Assumed):  # it names nothing
                self._walk(paper)

    def _walk(self, paper: Paper) -> None:
        match paper.act:
            case Came():
                self._places[paper.act.lot.id] = self._ahead.pop(paper.act.lot.id, paper.act.lot.place)
            case Edited():
                if "place" in paper.act.facts:
                    there = self._places if paper.act.lot in self._places else self._ahead
                    there[paper.act.lot] = paper.act.facts["place"]
            case Divided():
                told = "place" in paper.act.told
                place = paper.act.child.place if told else self._places.get(paper.act.lot)
                self._places[paper.act.child.id] = self._ahead.pop(paper.act.child.id, place)
            case Counted():
                for lot in self._counted(paper.act):
                    self._ends[lot].append(paper.order)
                if (own := paper.act.own) is not None:  # where a gain falls that no lot is there for
                    self._places.setdefault(own.id, self._ahead.pop(own.id, own.place))
        for lot, quantity in _names(paper.act):
            self._at[lot].append(paper.order)
            self._to[lot].append((self._to[lot][-1] if self._to[lot] else 0) + quantity)

    def _counted(self, act: Counted) -> list[int | None]:
        if act.place is not None:
            return [lot for lot, place in self._places.items() if place == act.place]
        return [act.lot]

    def after(self, lot: int, order: Order) -> int:
        """What papers after this place in the order name of a lot before it is counted again."""
        if lot not in self._at:
            return 0
        ends = [some[at] for some in (self._ends[lot], self._ends[None]) if (at := bisect_right(some, order)) < len(some)]
        first = bisect_right(self._at[lot], order)
        last = bisect_right(self._at[lot], min(ends)) if ends else len(self._at[lot])
        if last <= first:
            return 0
        sums = self._to[lot]
        return sums[last - 1] - (sums[first - 1] if first else 0)


def _names(act: Act) -> list[tuple[int, int]]:
    """What an act names of lots: named draws with a quantity or of a line's only lot, disposals, splits."""
    match act:
        case Named():
            sole = len(act.lots) == 1
            named = [(lot, act.need if most is None else most) for lot, most in act.lots if most is not None or sole]
            return [(lot, min(quantity, act.need)) for lot, quantity in named]
        case Gone() | Divided():
            return [(act.lot, act.quantity)]
        case _:
            return []
