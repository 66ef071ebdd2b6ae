"""Alerts with what became of them, and when each workshop is looked at."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from service.store.tables.columns import WITHOUT_ROWID, key, moment, of, small, text
from service.store.tables.columns import day as a_day


class Alert(SQLModel, table=True):
    """Something that needs doing, or needed it; of one kind and subject one at a time is open."""

    __tablename__ = "alert"
    __table_args__ = (
        UniqueConstraint("workshop_id", "code"),
        Index(
            "ix_alert_open",
            "workshop_id",
            "kind",
            "subject",
            unique=True,
            sqlite_where=sql("closed_at IS NULL"),
            postgresql_where=sql("closed_at IS NULL"),
        ),
        CheckConstraint("severity IN (1,2,3)", name="severity"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    kind: str = text()
    subject: str = text()  # the code of the item, lot, order or purchase order it is about
    severity: int = small()
    day: date | None = a_day(None)
    sentence: str = text()
    facts: str = text()  # JSON
    act: str = text()  # JSON: what would help, and the request that does it
    opened_at: datetime = moment()
    updated_at: datetime = moment()
    closed_at: datetime | None = moment(None)
    acknowledged_severity: int | None = small(None)  # at which somebody said "seen"
    acknowledged_at: datetime | None = moment(None)
    acknowledged_by: str | None = text(None)
    put_off_until: date | None = a_day(None)
    put_off_by: str | None = text(None)


class AlertStep(SQLModel, table=True):
    """What happened to an alert; `n` counts from 1."""

    __tablename__ = "alert_step"
    __table_args__ = (
        of("alert", "alert_id"),
        CheckConstraint("step IN ('opened','updated','acknowledged','put_off','closed')", name="step"),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    alert_id: int = key()
    n: int = key()
    step: str = text()
    at: datetime = moment()
    severity: int = small()
    sentence: str = text()
    until: date | None = a_day(None)  # of what was put off
    by: str | None = text(None)  # null: the watch


class Watch(SQLModel, table=True):
    """When a workshop is looked at next, and what the last look saw. One process at a time has it, until its claim runs out."""

    __tablename__ = "watch"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    next_at: datetime = moment()
    claimed_by: str | None = text(None)
    claimed_until: datetime | None = moment(None)
    looked_at: datetime | None = moment(None)  # the books of this moment are what the alerts say
    figures: str | None = text(None)  # JSON: what the forecast said last
    error: str | None = text(None)  # why the last look failed
