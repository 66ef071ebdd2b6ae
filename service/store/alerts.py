"""Alerts and what became of each."""

import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, func, insert, select, update

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


def by_id(connection: Connection, workshop: int, alert: int) -> Row[Any] | None:
    """An alert by id."""
    return connection.execute(select(ALERT).where(ALERT.c.workshop_id == workshop, ALERT.c.id == alert)).first()


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


_NEXT_STEP = select(func.coalesce(func.max(STEP.c.n), 0) + 1).where(
    STEP.c.workshop_id == bindparam("workshop_id"), STEP.c.alert_id == bindparam("alert_id")
)


def add_steps(connection: Connection, workshop: int, rows: Sequence[dict[str, Any]]) -> None:
    """What happened to alerts, each after what happened to it before."""
    if rows:
        statement = insert(STEP).values(n=_NEXT_STEP.scalar_subquery())
        connection.execute(statement, [{"until": None, "by": None, **row, "workshop_id": workshop} for row in rows])


def steps(connection: Connection, workshop: int, alert: int) -> list[Row[Any]]:
    """What happened to an alert, in order."""
    wanted = (STEP.c.workshop_id == workshop) & (STEP.c.alert_id == alert)
    return list(connection.execute(select(STEP).where(wanted).order_by(STEP.c.n)))
