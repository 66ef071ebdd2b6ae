"""What later papers name of each lot: an assumed draw leaves that alone (law 13, "known beats guessed")."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence

from service.core.acts import Act, Counted, Divided, Gone, Named, Paper


class Kept:
    """What later papers name of each lot, up to its next count: an assumed draw leaves that alone."""

    def __init__(self, in_order: Sequence[Paper]) -> None:
        self._at: dict[int, list[int]] = defaultdict(list)  # ranks of papers that name a lot
        self._to: dict[int, list[int]] = defaultdict(list)  # what they name, summed up from the first
        self._ends: dict[int | None, list[int]] = defaultdict(list)  # ranks of counts, by lot; None: of the item
        for paper in in_order:
            if isinstance(paper.act, Counted):
                for lot in paper.act.lots if paper.act.lots is not None else (None,):
                    self._ends[lot].append(paper.rank)
            for lot, quantity in _names(paper.act):
                self._at[lot].append(paper.rank)
                self._to[lot].append((self._to[lot][-1] if self._to[lot] else 0) + quantity)

    def after(self, lot: int, rank: int) -> int:
        """What papers after a rank name of a lot before it is counted again."""
        if lot not in self._at:
            return 0
        ends = [ranks[at] for ranks in (self._ends[lot], self._ends[None]) if (at := bisect_right(ranks, rank)) < len(ranks)]
        first = bisect_right(self._at[lot], rank)
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
