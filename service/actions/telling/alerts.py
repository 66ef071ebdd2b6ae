"""Alerts: listed, shown, acknowledged, put off. What they say is found by a look (look.py)."""

import json
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.paging import onward
from service.actions.scope import Scope
from service.actions.telling import figures, outbox
from service.core.alerts.alerts import NOTHING, NOTHING_ALIKE, told, turn
from service.core.alerts.facts import Act, Alert, Cause, Severity
from service.errors import Conflict, FieldError, Invalid, NotFound
from service.shapes.alerts import AcknowledgementIn, PostponementIn
from service.store import alerts


def today(scope: Scope) -> list[dict[str, Any]]:
    """The open alerts that are told today, most urgent first."""
    return [one for one in (shown(scope, row) for row in _rows(scope)) if one["speaks"]]


def text(shown: Iterable[Mapping[str, Any]]) -> str:
    """What needs doing, one sentence a line, in the order given; that there is nothing where there is none."""
    return told(one["sentence"] for one in shown)


def list_(
    scope: Scope, state: str, kind: str | None, after: int | None, limit: int
) -> tuple[dict[str, Any], int | None]:  # fmt: skip
    """Open alerts by urgency; closed ones, or all, newest first. What needs doing today beside them, and the next place."""
    standing = [row for row in _rows(scope) if kind in (None, row.kind)]
    if state == "open":
        rows, more = _part(scope, standing, after, limit)
    else:
        found = alerts.page(scope.connection, scope.workshop.id, kind, state == "closed", after, limit + 1)
        rows, more = found[:limit], found[limit - 1].id if len(found) > limit else None
    return {
        "as_of": scope.today,
        "forecast_as_of": figures.day(scope),
        "sentence": told(
            (row.sentence for row in standing if core(scope, row).speaks(scope.today)), NOTHING if kind is None else NOTHING_ALIKE
        ),
        "items": [shown(scope, row) for row in rows],
    }, more


def _part(scope: Scope, rows: list[Row[Any]], after: int | None, limit: int) -> tuple[list[Row[Any]], int | None]:
    """A page of what is in order of urgency, after an alert (which may be closed by now)."""
    if after is not None:
        last = alerts.by_ids(scope.connection, scope.workshop.id, [after]).get(after)
        rows = [row for row in rows if last is not None and _turn(row) > _turn(last)]
    return rows[:limit], onward(rows, limit)


def _turn(row: Row[Any]) -> tuple[int, date, int, str]:
    return turn(row.kind, row.subject, row.severity, row.day)


def _rows(scope: Scope) -> list[Row[Any]]:
    return sorted(alerts.still_open(scope.connection, scope.workshop.id), key=_turn)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """An alert with its history."""
    row = _found(scope, code)
    steps = alerts.steps(scope.connection, scope.workshop.id, row.id)
    history = [
        {
            "step": one.step, "at": papers.local(scope, one.at), "by": one.by, "severity": named(one.severity),
            "sentence": one.sentence, "until": one.until,
        }
        for one in steps
    ]  # fmt: skip
    return shown(scope, row) | {"history": history}


def acknowledge(scope: Scope, code: str, _: AcknowledgementIn) -> dict[str, Any]:
    """Somebody has seen it: it is quiet until it becomes more pressing."""
    row = _to_change(scope, code)
    said = {"acknowledged_severity": row.severity, "acknowledged_at": scope.now, "acknowledged_by": scope.actor.name}
    return _changed(scope, row, said, {"step": "acknowledged"})


def postpone(scope: Scope, code: str, body: PostponementIn) -> dict[str, Any]:
    """It is quiet until a day, unless it becomes more pressing."""
    row = _to_change(scope, code)
    if body.until <= scope.today:
        raise Invalid.field("#/until", "is not a day to come", str(body.until), f"from {scope.today + timedelta(days=1)}")
    said = {"put_off_until": body.until, "put_off_by": scope.actor.name}
    return _changed(scope, row, said, {"step": "put_off", "until": body.until})


def _to_change(scope: Scope, code: str) -> Row[Any]:
    row = _found(scope, code, lock=True)
    if row.closed_at is not None:
        raise Conflict(f"alert {code} is closed: its cause is gone", closed_at=papers.local(scope, row.closed_at))
    return row


def _found(scope: Scope, code: str, lock: bool = False) -> Row[Any]:
    row = alerts.by_code(scope.connection, scope.workshop.id, code, lock)
    if row is None:
        raise NotFound(f"there is no alert '{code}'", errors=[FieldError("is not there", parameter="code", given=code[:64])])
    return row


def _changed(scope: Scope, row: Row[Any], said: dict[str, Any], step: dict[str, Any]) -> dict[str, Any]:
    """Keep what a person said of an alert, and tell it."""
    alerts.change(scope.connection, scope.workshop.id, row.id, said)
    more = {"alert_id": row.id, "at": scope.now, "severity": row.severity, "sentence": row.sentence, "by": scope.actor.name}
    alerts.add_steps(scope.connection, scope.workshop.id, [step | more])
    answer = shown(scope, _found(scope, row.code))
    outbox.tell(scope, "alert.updated", answer)
    return answer


def named(severity: int) -> str:
    """`urgent`, `warning` or `notice`."""
    return Severity(severity).name.lower()


def shown(scope: Scope, row: Row[Any]) -> dict[str, Any]:
    """An alert as the API shows it."""
    act = json.loads(row.act)
    asks = [{"field": field, "says": says} for field, says in act["asks"].items()]
    seen = row.acknowledged_severity
    return {
        "alert": row.code,
        "kind": row.kind,
        "subject": row.subject,
        "severity": named(row.severity),
        "day": row.day,
        "sentence": row.sentence,
        "facts": json.loads(row.facts),
        "act": act | {"body": None if act["method"] == "GET" else act["body"], "asks": asks},
        "state": "open" if row.closed_at is None else "closed",
        "speaks": core(scope, row).speaks(scope.today),
        "opened_at": papers.local(scope, row.opened_at),
        "updated_at": papers.local(scope, row.updated_at),
        "closed_at": papers.local(scope, row.closed_at),
        "acknowledged": None if seen is None else named(seen),
        "acknowledged_at": papers.local(scope, row.acknowledged_at),
        "acknowledged_by": row.acknowledged_by,
        "put_off_until": row.put_off_until,
        "put_off_by": row.put_off_by,
    }


def core(scope: Scope, row: Row[Any]) -> Alert:
    """An alert as the core sees it."""
    act, seen = json.loads(row.act), row.acknowledged_severity
    cause = Cause(row.kind, row.subject, Severity(row.severity), row.day, row.sentence, json.loads(row.facts), Act(**act))
    return Alert(
        cause,
        row.opened_at.astimezone(scope.zone).date(),
        row.updated_at.astimezone(scope.zone).date(),
        None if row.closed_at is None else row.closed_at.astimezone(scope.zone).date(),
        None if seen is None else Severity(seen),
        row.put_off_until,
    )
