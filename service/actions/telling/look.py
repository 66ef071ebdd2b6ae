"""One look at a workshop: read its books in one snapshot, compute beside them, keep what changed in one short transaction."""

import logging
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Row

from service.actions import papers
from service.actions.compute import CHILD, Failed
from service.actions.scope import Scope
from service.actions.telling import alerts, figures, gathering, outbox
from service.core.alerts.alerts import Changes, by_urgency, step
from service.core.alerts.facts import Alert, Facts
from service.errors import Busy
from service.store import alerts as store
from service.store import watches
from service.store.writer import Reader, SyncWriter

log = logging.getLogger("stillroom")
ScopeOf = Callable[[Connection], Scope]
Key = tuple[str, str]


def look(reader: Reader, writer: SyncWriter, scope_of: ScopeOf) -> str | None:
    """Let the alerts say what the books say now; why the forecast could not be asked, if it could not.

    Without a new forecast its last figures serve: their days are dates. Of two looks at once the one at newer books stands.
    A look that finds nothing new writes nothing.
    """
    books, row, old = reader.read(lambda connection: _read(scope_of(connection)))
    before = figures.kept(None if row is None else row.figures)
    error, found = None, before
    try:
        found = books.figures(None if books.task is None else CHILD.run(*books.task))
    except Busy as busy:
        error = busy.detail
        log.warning("the alerts go by the forecast's last figures: %s", error)
    except Failed as failed:  # a bug: all that needs no forecast is told all the same
        error = str(failed)
        log.exception("the alerts go by the forecast's last figures")
    facts = books.facts(found)
    changed = step(old, facts)
    if found != before or changed.opened or changed.updated or changed.closed:
        writer.write(lambda connection: _keep(scope_of(connection), books.scope, facts, found))
    return error


def _read(scope: Scope) -> tuple[gathering.Books, Row[Any] | None, list[Alert]]:
    row = watches.of(scope.connection, scope.workshop.id)
    old = [alerts.core(scope, one) for one in store.still_open(scope.connection, scope.workshop.id)]
    return gathering.gather(scope), row, old


def _keep(scope: Scope, seen: Scope, facts: Facts, found: dict[str, Any]) -> None:
    """What changed, unless newer books were looked at meanwhile; `seen` is the scope in which the books were read."""
    row = watches.hold(scope.connection, scope.workshop.id, scope.now)
    if row.looked_at is not None and row.looked_at > seen.now:
        return
    rows = {(one.kind, one.subject): one for one in store.still_open(scope.connection, scope.workshop.id)}
    changed = step([alerts.core(seen, one) for one in rows.values()], facts)
    _store(scope, changed, rows)
    watches.looked(scope.connection, scope.workshop.id, seen.now, found)


def _store(scope: Scope, changed: Changes, rows: dict[Key, Row[Any]]) -> None:
    """The changes with their history, each told."""
    connection, workshop = scope.connection, scope.workshop.id
    opened = by_urgency(changed.opened)
    made = [_new(scope, alert) for alert in opened]
    store.add(connection, workshop, made)
    ids = {(one["kind"], one["subject"]): one["id"] for one in made} | {key: row.id for key, row in rows.items()}
    for alert in changed.updated:
        store.change(connection, workshop, ids[alert.cause.key], _cause(alert) | _quiet(alert, rows) | {"updated_at": scope.now})
    store.close(connection, workshop, [ids[alert.cause.key] for alert in changed.closed], scope.now)
    told = [("opened", one) for one in opened] + [("updated", one) for one in changed.updated]
    told += [("closed", one) for one in changed.closed]
    steps = [
        {
            "alert_id": ids[one.cause.key], "step": what, "at": scope.now, "severity": int(one.cause.severity),
            "sentence": one.cause.sentence,
        }
        for what, one in told
    ]  # fmt: skip
    store.add_steps(connection, workshop, steps)
    now = store.by_ids(connection, workshop, [one["alert_id"] for one in steps])
    for step_ in steps:
        outbox.tell(scope, f"alert.{step_['step']}", alerts.shown(scope, now[step_["alert_id"]]))


def _new(scope: Scope, alert: Alert) -> dict[str, Any]:
    times = {"opened_at": scope.now, "updated_at": scope.now}
    return {"id": scope.new_id(), "code": papers.code_for(scope, "A"), **_cause(alert), **times}


def _cause(alert: Alert) -> dict[str, Any]:
    cause = alert.cause
    return {
        "kind": cause.kind, "subject": cause.subject, "severity": int(cause.severity), "day": cause.day,
        "sentence": cause.sentence, "facts": dict(cause.facts), "act": asdict(cause.act),
    }  # fmt: skip


def _quiet(alert: Alert, rows: dict[Key, Row[Any]]) -> dict[str, Any]:
    """What has become more pressing is not put off any more."""
    if alert.put_off_until is not None or rows[alert.cause.key].put_off_until is None:
        return {}
    return {"put_off_until": None, "put_off_by": None}
