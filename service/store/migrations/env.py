"""Alembic's environment: `store.migrate` gives the connection; Alembic's own command line uses the settings."""

from alembic import context
from sqlalchemy import Connection
from sqlmodel import SQLModel

import service.store.tables  # noqa: F401  (fills the metadata)
from service.store.migrations import statistics, triggers


def run(connection: Connection) -> None:
    """Run what was asked for in the connection's own transaction."""
    context.configure(
        connection=connection,
        target_metadata=SQLModel.metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        transactional_ddl=True,
        compare_type=True,
    )
    context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
    triggers.install(given)
    statistics.install(given)
else:  # `alembic check`, `alembic revision --autogenerate`: they compare, and change no database
    from service.settings import Settings
    from service.store.engine import make_engine

    with make_engine(Settings.from_environment().database_url).connect() as own:
        run(own)
