"""Marks on the calendar: closed days, promotions, market days."""

from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from service.store.tables import CalendarMark

MARK = CalendarMark.__table__  # type: ignore[attr-defined]


def add(connection: Connection, workshop: int, values: dict[str, Any]) -> None:
    """A new mark."""
    connection.execute(insert(MARK), {**values, "workshop_id": workshop})


def change(connection: Connection, workshop: int, mark: int, values: dict[str, Any]) -> None:
    """Change a mark."""
    connection.execute(update(MARK).where(MARK.c.workshop_id == workshop, MARK.c.id == mark).values(**values))


def remove(connection: Connection, workshop: int, mark: int) -> None:
    """Take a mark away."""
    connection.execute(delete(MARK).where(MARK.c.workshop_id == workshop, MARK.c.id == mark))


def by_code(connection: Connection, workshop: int, code: str, lock: bool = False) -> Row[Any] | None:
    """A mark by its code; `lock` holds it until the end of the act."""
    statement = select(MARK).where(MARK.c.workshop_id == workshop, MARK.c.code == code)
    return connection.execute(statement.with_for_update() if lock else statement).first()


def page(connection: Connection, workshop: int, after: int | None, limit: int) -> list[Row[Any]]:
    """Marks, the newest first; `after` is the last id seen."""
    told = [MARK.c.workshop_id == workshop] + ([MARK.c.id < after] if after is not None else [])
    return list(connection.execute(select(MARK).where(*told).order_by(MARK.c.id.desc()).limit(limit)))


def every(connection: Connection, workshop: int) -> list[Row[Any]]:
    """Every mark, by its first day."""
    return list(connection.execute(select(MARK).where(MARK.c.workshop_id == workshop).order_by(MARK.c.from_on, MARK.c.id)))
