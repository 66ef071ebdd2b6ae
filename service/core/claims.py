"""Law 14: what open plans speak for. Computed, never stored."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Plan:
    """An open plan: its own lines (bulk as bulk), in smallest units by item."""

    run_id: int
    code: str
    planned_on: date | None
    needs: Mapping[int, int]


def by_item(plans: Iterable[Plan]) -> dict[int, int]:
    """What all open plans claim of each item."""
    claimed: Counter[int] = Counter()
    for plan in plans:
        claimed.update(dict(plan.needs))
    return dict(claimed)


def now_short(plans: Iterable[Plan], usable: Mapping[int, int]) -> list[Plan]:
    """The plans that usable stock no longer covers, served in the order of their days, then codes."""
    left = dict(usable)
    short = []
    for plan in sorted(plans, key=lambda one: (one.planned_on or date.max, one.code)):
        known = {item: need for item, need in plan.needs.items() if item in left}
        if any(need > left[item] for item, need in known.items()):
            short.append(plan)
        for item, need in known.items():
            left[item] = max(0, left[item] - need)
    return short
