"""Law 13's order of happening: by day; within a day first what was told without a time, then the rest by its time."""

from datetime import UTC, date, datetime, time

DAY = 1_100_000_000_000  # ranks in a day: four for each microsecond of the three UTC days a local day touches
TIMED = 10
MICROS_A_DAY = 86_400_000_000
A_MINUTE = 4 * 60_000_000

# What was told without a time, in this order within its day.
CAME, SPLIT, NAMED, GONE, ASSUMED = range(5)
# Counts come last of their moment, of lots before of the item.
OF_LOTS, OF_ITEM = 2, 3


def rank(day: date, at: datetime | None, act: int = CAME, count: int = 0) -> int:
    """Where an act stands among all others of its item; `count` is 0, OF_LOTS or OF_ITEM (without a time it ends its day)."""
    return moment(day, at) + within(at is not None, act, count)


def moment(day: date, at: datetime | None) -> int:
    """Where a paper's day begins in the order, or its time stands."""
    base = day.toordinal() * DAY
    if at is None:
        return base
    return base + TIMED + 4 * ((at - datetime.combine(day, time(), UTC)) // _MICRO + MICROS_A_DAY)


def within(timed: bool, act: int, count: int = 0) -> int:
    """What an act's kind adds to its paper's moment; what was counted comes last of it."""
    if timed:
        return count
    return DAY - 10 + count if count else act


_MICRO = datetime(1, 1, 1, 0, 0, 0, 1) - datetime(1, 1, 1)
