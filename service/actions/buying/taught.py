"""How long suppliers take: what standing papers taught, with what was stated while it is little."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core.buying.lead_times import LeadTime, learn
from service.store import access, suppliers


@dataclass(frozen=True, slots=True)
class Taught:
    """A supplier's lead time, from how many deliveries, and whether it is only the workshop's usual one."""

    lead: LeadTime
    count: int
    usual: bool


def lead_times(scope: Scope, rows: Sequence[Row[Any]]) -> dict[int, Taught]:
    """The lead times of these suppliers by id; of whom nothing is known, as if it stated the workshop's usual days."""
    if not rows:
        return {}
    seen = suppliers.lead_times(scope.connection, scope.workshop.id, [row.id for row in rows])
    usual = access.workshop(scope.connection, scope.workshop.id).lead_time_days
    found = {}
    for row in rows:
        mine = seen.get(row.id, [])
        unknown = row.lead_time_days is None and not mine
        found[row.id] = Taught(learn(usual if unknown else row.lead_time_days, mine), len(mine), unknown)
    return found


def shown(taught: Taught) -> dict[str, Any]:
    """As an answer."""
    lead = taught.lead
    return {
        "count": taught.count,
        "mean": round(lead.mean, 1),
        "seen_percent": round(100 * lead.seen, 1),
        **{f"within_{share}": lead.within(share / 100) for share in (50, 90, 95)},
    }
