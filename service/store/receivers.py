"""Who is told: webhooks and mail addresses."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from service.store.tables import Dispatch, Receiver

RECEIVER = Receiver.__table__  # type: ignore[attr-defined]
DISPATCH = Dispatch.__table__  # type: ignore[attr-defined]


def add(connection: Connection, workshop: int, values: Mapping[str, Any]) -> None:
    """A new receiver."""
    connection.execute(insert(RECEIVER), {**values, "workshop_id": workshop})


def page(connection: Connection, workshop: int, kind: str, after: int | None, limit: int) -> list[Row[Any]]:
    """Standing receivers of a kind, newest first; `after` is the last id seen."""
    wanted = [RECEIVER.c.workshop_id == workshop, RECEIVER.c.kind == kind, RECEIVER.c.removed_at.is_(None)]
    if after is not None:
        wanted.append(RECEIVER.c.id < after)
    return list(connection.execute(select(RECEIVER).where(*wanted).order_by(RECEIVER.c.id.desc()).limit(limit)))


def by_code(connection: Connection, workshop: int, kind: str, code: str, lock: bool = False) -> Row[Any] | None:
    """A standing receiver of a kind; `lock` holds it until the end of the act."""
    wanted = [
        RECEIVER.c.workshop_id == workshop,
        RECEIVER.c.kind == kind,
        RECEIVER.c.code == code,
        RECEIVER.c.removed_at.is_(None),
    ]
    statement = select(RECEIVER).where(*wanted)
    return connection.execute(statement.with_for_update(key_share=True) if lock else statement).first()


def told(connection: Connection, workshop: int) -> list[Row[Any]]:
    """The receivers that are told of what happens now: `id`, `kind`, `wants`."""
    wanted = [RECEIVER.c.workshop_id == workshop, RECEIVER.c.active.is_(True), RECEIVER.c.removed_at.is_(None)]
    statement = select(RECEIVER.c.id, RECEIVER.c.kind, RECEIVER.c.wants).where(*wanted).order_by(RECEIVER.c.id)
    return list(connection.execute(statement))


def change(connection: Connection, workshop: int, receiver: int, values: Mapping[str, Any]) -> None:
    """Change a receiver."""
    connection.execute(update(RECEIVER).where(RECEIVER.c.workshop_id == workshop, RECEIVER.c.id == receiver).values(**values))


def remove(connection: Connection, workshop: int, receiver: int, now: datetime) -> None:
    """Tell a receiver nothing more; its secrets are forgotten, and what still waits for it is parked."""
    change(connection, workshop, receiver, {"removed_at": now, "active": False, "secrets": "[]"})
    mine = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.receiver_id == receiver, DISPATCH.c.state == "waiting"]
    connection.execute(update(DISPATCH).where(*mine).values(state="parked", error="the receiver was removed"))
