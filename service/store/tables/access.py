"""Workshops, tokens, kept answers, counters of codes."""

from datetime import date, datetime

from sqlalchemy import Text, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.store.tables.columns import WITHOUT_ROWID, big, day, key, label, moment, small, text


class Workshop(SQLModel, table=True):
    """The business every row belongs to."""

    __tablename__ = "workshop"
    id: int = key()
    code: str = Field(sa_type=Text, unique=True)
    name: str = text()
    time_zone: str = text("UTC")
    currency: str = text("EUR")
    week_start: str = text("monday")
    expiry_warning_days: int = small(30)
    service_level_ppm: int = big(950_000)  # how sure it wants to be of its stock
    lead_time_days: int = small(14)  # of materials that say none
    digest_hour: int | None = small(None)  # of its day, from which the digest is told; null: none
    digest_told_on: date | None = day(None)  # its last day whose digest was told
    capital_ppm: int = big(100_000)  # a year, of what lies on the shelf
    created_at: datetime = moment()


class Token(SQLModel, table=True):
    """A caller; only the hash of its secret is kept."""

    __tablename__ = "token"
    __table_args__ = (UniqueConstraint("workshop_id", "code"), UniqueConstraint("workshop_id", "secret_hash"))
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    name: str = text()
    scopes: str = text()
    secret_hash: str = text()
    expires_on: date | None = day(None)
    created_at: datetime = moment()
    last_used_at: datetime | None = moment(None)
    revoked_at: datetime | None = moment(None)


class Idempotency(SQLModel, table=True):
    """The first answer to a key, kept in the transaction of its work."""

    __tablename__ = "idempotency"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    key: str = Field(primary_key=True, sa_type=Text)
    fingerprint: str = text()
    status: int = small()
    answer: str = text()
    created_at: datetime = moment()


class Counter(SQLModel, table=True):
    """The last number of each series of readable codes (`R`, `L`, ...)."""

    __tablename__ = "counter"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    series: str = Field(primary_key=True, sa_type=Text)
    last: int = big()
