"""What needs doing today: alerts that open once, update in place and close by themselves."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from service.core.alerts.causes import KINDS, causes
from service.core.alerts.facts import Alert, Cause, Facts

NOTHING = "Nothing needs doing today."
NOTHING_ALIKE = "Nothing of that kind needs doing today."


@dataclass(frozen=True, slots=True)
class Changes:
    """What became of the alerts: all of them now (open ones by urgency, then those just closed), and what changed."""

    alerts: tuple[Alert, ...]
    opened: tuple[Alert, ...]
    updated: tuple[Alert, ...]
    closed: tuple[Alert, ...]


def step(old: Iterable[Alert], facts: Facts) -> Changes:
    """The alerts of today from those of before and the facts of today; the same twice changes nothing."""
    open_before = {alert.cause.key: alert for alert in old if alert.closed_on is None}
    present = {cause.key: cause for cause in causes(facts, open_before.keys())}
    opened, updated, kept = [], [], []
    for key, cause in present.items():
        before = open_before.get(key)
        if before is None:
            opened.append(Alert(cause, facts.today, facts.today))
        elif before.cause != cause:
            updated.append(_updated(before, cause, facts.today))
        else:
            kept.append(before)
    gone = [alert for key, alert in open_before.items() if key not in present]
    closed = [replace(alert, closed_on=facts.today, updated_on=facts.today) for alert in gone]
    return Changes((*by_urgency([*opened, *updated, *kept]), *closed), tuple(opened), tuple(updated), tuple(closed))


def _updated(before: Alert, cause: Cause, today: date) -> Alert:
    """The same alert with new facts; what has become more pressing is told again, put off or not."""
    worse = cause.severity < before.cause.severity
    return replace(before, cause=cause, updated_on=today, put_off_until=None if worse else before.put_off_until)


def turn(kind: str, subject: str, severity: int, day: date | None) -> tuple[int, date, int, str]:
    """The place of an alert among others, most urgent first: by severity, then by day, then by kind and name."""
    return severity, day or date.max, KINDS.index(kind), subject


def by_urgency(alerts: Iterable[Alert]) -> list[Alert]:
    """Most urgent first."""
    causes_of = ((one, one.cause) for one in alerts)
    ranked = [(turn(cause.kind, cause.subject, cause.severity, cause.day), one) for one, cause in causes_of]
    return [one for _, one in sorted(ranked, key=lambda pair: pair[0])]


def told(sentences: Iterable[str], nothing: str = NOTHING) -> str:
    """Sentences that are in order, one a line; or that there is nothing."""
    return "\n".join(sentences) or nothing
