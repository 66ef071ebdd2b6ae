"""Column types, keys and names that all tables share."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Date,
    DateTime,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    Text,
    TypeDecorator,
)
from sqlmodel import Field, SQLModel

SQLModel.metadata.naming_convention = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
).naming_convention
SQLModel.model_config["defer_build"] = True  # tables validate nothing: what would do it is not built at the start

WITHOUT_ROWID = {"sqlite_with_rowid": False}


class UtcTime(TypeDecorator[datetime]):
    """An aware UTC time on both engines (SQLite's own type forgets the zone)."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        """Aware times only."""
        if value is None:
            return None
        assert value.tzinfo is not None, "a time without a zone"
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        """As UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def key() -> Any:
    """A 63-bit part of the primary key, made in the process."""
    return Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})


def big(default: Any = ...) -> Any:
    """A 64-bit integer column (NULL allowed when the default is None)."""
    return Field(default=default, sa_type=BigInteger, nullable=default is None)


def text(default: Any = ...) -> Any:
    """A text column (NULL allowed when the default is None)."""
    return Field(default=default, sa_type=Text, nullable=default is None)


def day(default: Any = ...) -> Any:
    """A date column."""
    return Field(default=default, sa_type=Date, nullable=default is None)


SORTED = Text().with_variant(Text(collation="C"), "postgresql")  # by its bytes, as SQLite does


def label(default: Any = ...) -> Any:
    """A code or name that lists are sorted by: alike on both engines."""
    return Field(default=default, sa_type=SORTED, nullable=default is None)


def moment(default: Any = ...) -> Any:
    """A UTC time column."""
    return Field(default=default, sa_type=UtcTime, nullable=default is None)


def flag(default: bool) -> Any:
    """A boolean column."""
    return Field(default=default, sa_type=Boolean, nullable=False)


def answer() -> Any:
    """A question's answer: yes, no, or not answered yet."""
    return Field(default=None, sa_type=Boolean, nullable=True)


def small(default: Any = ...) -> Any:
    """A 32-bit integer column (days, counters of lines)."""
    return Field(default=default, sa_type=Integer, nullable=default is None)


def of(table: str, *columns: str, name: str | None = None) -> ForeignKeyConstraint:
    """A foreign key within one workshop."""
    return ForeignKeyConstraint(["workshop_id", *columns], [f"{table}.workshop_id", f"{table}.id"], name=name)
