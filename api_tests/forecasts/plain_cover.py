"""The same cover, day by day and unit by unit, written without looking at the service's way: plain loops, no arrays."""

from dataclasses import dataclass

from service.core.demand.planning import Books, Lot


@dataclass
class Heap:
    """Lots that are eaten first expired, first out."""

    lots: list[Lot]

    def __post_init__(self) -> None:
        self.left = [lot.quantity for lot in self.lots]
        self.lost = [0.0] * len(self.lots)

    def eat(self, day: int, wanted: float) -> float:
        """What is missing."""
        last = [float("inf") if lot.last is None else lot.last for lot in self.lots]
        for at in sorted(range(len(self.lots)), key=lambda n: (last[n], n)):
            if self.lots[at].first <= day <= last[at]:
                taken = min(self.left[at], wanted)
                self.left[at] -= taken
                wanted -= taken
        return wanted

    def end(self, day: int) -> None:
        """What expires tonight is lost."""
        for at, lot in enumerate(self.lots):
            if lot.last is not None and lot.last == day:
                self.lost[at], self.left[at] = self.left[at], 0.0


def plain(daily: list[list[float]], books: Books, days: int) -> tuple[list[int], list[list[float]]]:
    """One path: `daily[day][product]` units; for each node the day it runs out (`days`: never) and what its lots lose."""
    products = len(daily[0])
    finished = [Heap(books.finished.get(product, [])) for product in range(products)]
    missing: list[list[float]] = []  # what is not served by finished stock, by the day it is sold
    for day in range(len(daily)):
        units = list(daily[day])
        done = set()
        for outer, inner, each in books.sets:
            if outer not in done:
                units[outer] = finished[outer].eat(day, units[outer])
                done.add(outer)
            units[inner] += each * units[outer]
        for product in range(products):
            if product not in done:
                units[product] = finished[product].eat(day, units[product])
        for heap in finished:
            heap.end(day)
        missing.append(units)
    heaps = [Heap(books.lots.get(node, [])) for node in range(books.nodes)]
    out = [days] * books.nodes
    for day in range(days):
        need = [0.0] * books.nodes
        for product, node, each in books.goes:
            rest = books.rest[product]
            first = 0 if day == 0 else day + rest
            need[node] += each * sum(missing[on][product] for on in range(first, day + rest + 1))
        for node, on, quantity in books.planned:
            need[node] += quantity if on == day else 0.0
        for bulk in dict.fromkeys(source for source, _, _ in books.bulk):
            made = heaps[bulk].eat(day, need[bulk])
            for source, node, each in books.bulk:
                if source == bulk:
                    need[node] += each * made
        for node, heap in enumerate(heaps):
            if node not in {source for source, _, _ in books.bulk}:
                short = heap.eat(day, need[node])
                if short > 1e-6 * max(need[node], 1.0) and out[node] == days:
                    out[node] = day
            heap.end(day)
    return out, [heap.lost for heap in heaps]
