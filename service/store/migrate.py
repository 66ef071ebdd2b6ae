"""Bring a database to the newest shape; Alembic is imported only when there is something to do."""

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text

HEAD = "0013"
KNOWN = tuple(f"{number:04}" for number in range(1, 14))
FOLDER = Path(__file__).parent / "migrations"
LOCK = 0x5711  # one migration at a time on PostgreSQL


class NewerDatabase(Exception):
    """The database belongs to a newer version of the service."""


def version(connection: Connection) -> str | None:
    """The database's version, None when it is new."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def migrate(engine: Engine) -> bool:
    """Upgrade to the newest version; answers whether anything was done. NewerDatabase when we are too old."""
    with engine.connect() as connection:
        now = version(connection)
    if now == HEAD:
        return False
    if now is not None and now not in KNOWN:
        raise NewerDatabase(f"the database has version {now}, this service knows up to {HEAD}: use the newer service")
    if engine.dialect.name == "sqlite":
        _upgrade_sqlite(engine)
    else:
        _upgrade_postgresql(engine)
    return True


def _upgrade_sqlite(engine: Engine) -> None:
    """One transaction; foreign keys are off round it (a pragma does nothing inside) and checked at its end."""
    with engine.connect().execution_options(begin="IMMEDIATE") as connection:
        raw: Any = connection.connection.driver_connection
        raw.execute("PRAGMA foreign_keys=OFF")
        try:
            with connection.begin():
                _run_alembic(connection)
                broken = connection.execute(text("PRAGMA foreign_key_check")).all()
                assert not broken, f"the migration left broken references: {broken[:5]}"
        finally:
            raw.execute("PRAGMA foreign_keys=ON")


def _upgrade_postgresql(engine: Engine) -> None:
    with engine.connect() as connection, connection.begin():
        connection.execute(text("SET LOCAL lock_timeout = '5s'"))
        connection.execute(text("SET LOCAL statement_timeout = 0"))
        connection.execute(text(f"SELECT pg_advisory_xact_lock({LOCK})"))
        _run_alembic(connection)


def _run_alembic(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
