"""When a product was out of stock, from its finished stock's movements: weeks that say "at least this much". No numpy here."""

from collections.abc import Mapping, Sequence

FROM_STOCK = 0.8  # share of units sold on days with stock from which a product counts as sold from stock


def gaps(moves: Mapping[int, int], sold: Mapping[int, float], today: int) -> list[tuple[int, int]]:
    """First and last days without stock, after stock first came. `moves`: change by day; `sold`: units ordered by day.

    A product made when it is ordered never has stock for long: its days without stock are no gaps. Days on which it was
    ordered all the same are none either.
    """
    empty = _empty(sorted(moves), moves, today)
    if not empty or not from_stock(moves, sold, today):
        return []
    return [part for first, last in empty for part in _without(first, last, sold)]


def from_stock(moves: Mapping[int, int], sold: Mapping[int, float], today: int) -> bool:
    """Whether a product is made to stock: since stock first came, most of what was sold was ordered on days with stock."""
    days = sorted(moves)
    if not days:
        return False
    empty = _empty(days, moves, today)
    since = [(day, units) for day, units in sold.items() if days[0] <= day < today]
    total = sum(units for _, units in since)
    without = sum(units for day, units in since if any(first <= day <= last for first, last in empty))
    return total > 0 and without <= (1 - FROM_STOCK) * total


def _empty(days: Sequence[int], moves: Mapping[int, int], today: int) -> list[tuple[int, int]]:
    """Runs of days that began and ended with nothing."""
    found, level, since = [], 0, None
    for day in days:
        if since is not None and day > since:
            found.append((since, day - 1))
        level += moves[day]
        since = day + 1 if level <= 0 else None
    if since is not None and since < today:
        found.append((since, today - 1))
    return found


def _without(first: int, last: int, sold: Mapping[int, float]) -> list[tuple[int, int]]:
    """A run without the days on which something was ordered."""
    parts, begin = [], first
    for day in range(first, last + 2):
        if day == last + 1 or sold.get(day):
            if begin < day:
                parts.append((begin, day - 1))
            begin = day + 1
    return parts
