"""What could be made of a lot that the forecast leaves unused: products that contain it, as many as are likely to be sold."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from sqlalchemy import Row

from service.actions import stock
from service.actions.histories import Told
from service.actions.scope import Scope
from service.actions.stockbooks import Shelves
from service.core.alerts import use_up
from service.core.alerts.facts import UseUp
from service.core.alerts.use_up import Candidate
from service.store.items import ItemRow

MOST = 1_000_000  # units of a run


@dataclass(slots=True)
class Uses:
    """What each product takes of everything, and what of that is there, worked out when the first lot asks."""

    scope: Scope
    told: Told
    shelves: Shelves
    items: Mapping[int, ItemRow]
    rows: Sequence[Row[Any]]
    claimed: Mapping[int, int]
    _needs: dict[str, list[dict[str, int]]] = field(default_factory=dict)
    _available: dict[str, int] | None = None

    def ways(self, item: ItemRow, quantity: int, figures: Mapping[str, Any]) -> tuple[UseUp, ...]:
        """Products that would use this much of an item up, best first; `figures`: what sells a week, by product."""
        if item.code not in self._needs:
            self._needs[item.code] = self._of_each(item.id)
        candidates = [
            Candidate(row.code, row.name, needs, self._sells(at, figures.get(row.code, {})))
            for at, (row, needs) in enumerate(zip(self.told.products, self._needs[item.code], strict=True))
            if row.active and item.code in needs
        ]
        names = {one.code: (one.name, one.unit) for one in self.items.values()}
        return use_up.ways(item.code, quantity, candidates, self._there(), names)

    def _sells(self, at: int, figures: Mapping[str, Any]) -> int:
        """Units of a batch made today that are likely to be sold; none where nothing is known of what sells."""
        life = self.items[self.told.products[at].id].shelf_life_days
        there = sum(lot.quantity for lot in self.shelves.books.finished.get(at, ()))
        return min(MOST, use_up.likely_sold(figures.get("weekly", 0), there, self.shelves.books.rest[at], life))

    def _there(self) -> dict[str, int]:
        """What is available of each item today."""
        if self._available is None:
            usable = stock.usable_by_item(self.scope, self.rows, self.scope.today)
            self._available = {
                item.code: max(0, usable.get(id_, 0) - self.claimed.get(id_, 0)) for id_, item in self.items.items()
            }
        return self._available

    def _of_each(self, kept: int) -> list[dict[str, int]]:
        """What a unit of each product takes, through bulk to materials; the item that is asked about is taken as it is."""
        codes = [item.code for item in self.shelves.nodes]
        takes: list[dict[int, float]] = [{} for _ in self.told.products]
        for product, node, each in self.shelves.books.goes:
            takes[product][node] = takes[product].get(node, 0.0) + each
        inside: dict[int, list[tuple[int, float]]] = {}
        for bulk, node, each in self.shelves.books.bulk:
            if self.shelves.nodes[bulk].id != kept:
                inside.setdefault(bulk, []).append((node, each))
        for bulk, lines in inside.items():  # each bulk before the bulk inside it
            for mine in takes:
                much = mine.pop(bulk, 0.0)
                for node, each in lines if much else ():
                    mine[node] = mine.get(node, 0.0) + much * each
        return [{codes[node]: ceil(much) for node, much in mine.items() if much > 0} for mine in takes]
