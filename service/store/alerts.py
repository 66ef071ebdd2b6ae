"""Alerts and what became of each."""

import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

from service.store.tables import Alert, AlertStep

ALERT = Alert.__table__  # type: ignore[attr-defined]
STEP = AlertStep.__table__  # type: ignore[attr-defined]


def still_open(connection: Connection, workshop: int) -> list[Row[Any]]:
    """The open alerts, oldest first."""
    wanted = (ALERT.c.workshop_id == workshop) & ALERT.c.closed_at.is_(None)
    return list(connection.execute(select(ALERT).where(wanted).order_by(ALERT.c.id)))


def by_code(connection: Connection, workshop: int, code: str, lock: bool = False) -> Row[Any] | None:
    """An alert by its code; `lock` holds it until the end of the act."""
    statement = select(ALERT).where(ALERT.c.workshop_id == workshop, ALERT.c.code == code)
    return connection.execute(statement.with_for_update(key_share=True) if lock else statement).first()


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Alerts by id."""
    if not ids:
        return {}
    wanted = (ALERT.c.workshop_id == workshop) & ALERT.c.id.in_(sorted(ids))
    return {row.id: row for row in connection.execute(select(ALERT).where(wanted))}


def page(
    connection: Connection, workshop: int, kind: str | None, closed: bool, after: int | None, limit: int
) -> list[Row[Any]]:  # fmt: skip
    """Alerts, newest first, all of them or those that are closed; `after` is the last id seen."""
    wanted: list[Any] = [ALERT.c.workshop_id == workshop]
    if kind is not None:
        wanted.append(ALERT.c.kind == kind)
    if closed:
        wanted.append(ALERT.c.closed_at.is_not(None))
    if after is not None:
        wanted.append(ALERT.c.id < after)
    return list(connection.execute(select(ALERT).where(*wanted).order_by(ALERT.c.id.desc()).limit(limit)))


def add(connection: Connection, workshop: int, rows: Sequence[dict[str, Any]]) -> None:
    """New alerts."""
    if rows:
        connection.execute(insert(ALERT), [_kept(row) | {"workshop_id": workshop} for row in rows])


def change(connection: Connection, workshop: int, alert: int, values: dict[str, Any]) -> None:
    """Change an alert."""
    wanted = (ALERT.c.workshop_id == workshop) & (ALERT.c.id == alert)
    connection.execute(update(ALERT).where(wanted).values(**_kept(values)))


def close(connection: Connection, workshop: int, ids: Collection[int], at: datetime) -> None:
    """The causes of these are gone."""
    if ids:
        wanted = (ALERT.c.workshop_id == workshop) & ALERT.c.id.in_(sorted(ids))
        connection.execute(update(ALERT).where(wanted).values(closed_at=at, updated_at=at))


def _kept(values: dict[str, Any]) -> dict[str, Any]:
    """`facts` and `act` as text."""
    dumped = {name: json.dumps(values[name], ensure_ascii=False) for name in ("facts", "act") if name in values}
    return values | dumped


def add_steps(connection: Connection, workshop: int, rows: Sequence[dict[str, Any]]) -> None:
    """What happened to alerts (one thing to each), after what happened to them before."""
    if not rows:
        return
    mine = (STEP.c.workshop_id == workshop) & STEP.c.alert_id.in_(sorted(row["alert_id"] for row in rows))
    latest = select(STEP.c.alert_id, func.max(STEP.c.n).label("n")).where(mine).group_by(STEP.c.alert_id)
    last = {row.alert_id: row.n for row in connection.execute(latest)}
    numbered = [{**row, "n": last.get(row["alert_id"], 0) + 1, "workshop_id": workshop} for row in rows]
    connection.execute(insert(STEP), [{"until": None, "by": None, **row} for row in numbered])


def steps(connection: Connection, workshop: int, alert: int) -> list[Row[Any]]:
    """What happened to an alert, in order."""
    wanted = (STEP.c.workshop_id == workshop) & (STEP.c.alert_id == alert)
    return list(connection.execute(select(STEP).where(wanted).order_by(STEP.c.n)))
