"""When each workshop is looked at, by whom, and what the last look saw. A claim is one guarded UPDATE that runs out by itself."""

import json
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, or_, select, update
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from service.store.tables import Watch

WATCH = Watch.__table__  # type: ignore[attr-defined]


def of(connection: Connection, workshop: int) -> Row[Any] | None:
    """A workshop's row; None while nobody has looked."""
    return connection.execute(select(WATCH).where(WATCH.c.workshop_id == workshop)).first()


def hold(connection: Connection, workshop: int, now: datetime) -> Row[Any]:
    """A workshop's row, made where there is none, and held until the end of the transaction."""
    make: Any = postgresql_insert if connection.dialect.name == "postgresql" else sqlite_insert
    connection.execute(make(WATCH).values(workshop_id=workshop, next_at=now).on_conflict_do_nothing())
    return connection.execute(select(WATCH).where(WATCH.c.workshop_id == workshop).with_for_update()).one()


def claim(connection: Connection, workshop: int, name: str, now: datetime, until: datetime) -> bool:
    """Take a workshop that is due and that nobody has, or whose claim has run out; whether it was taken."""
    hold(connection, workshop, now)
    free = or_(WATCH.c.claimed_until.is_(None), WATCH.c.claimed_until < now)
    due = (WATCH.c.workshop_id == workshop) & (WATCH.c.next_at <= now) & free
    return connection.execute(update(WATCH).where(due).values(claimed_by=name, claimed_until=until)).rowcount == 1


def release(connection: Connection, workshop: int, name: str, next_at: datetime, error: str | None) -> None:
    """The look is over; nothing is changed where the claim had run out and another has it."""
    mine = (WATCH.c.workshop_id == workshop) & (WATCH.c.claimed_by == name)
    values = {"claimed_by": None, "claimed_until": None, "next_at": next_at, "error": error}
    connection.execute(update(WATCH).where(mine).values(**values))


def looked(connection: Connection, workshop: int, at: datetime, figures: dict[str, Any]) -> None:
    """What a look saw."""
    values = {"looked_at": at, "figures": json.dumps(figures, ensure_ascii=False)}
    connection.execute(update(WATCH).where(WATCH.c.workshop_id == workshop).values(**values))
