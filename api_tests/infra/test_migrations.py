"""Migrations on both engines: no drift, the append-only triggers, a newer database refused."""

import secrets
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, make_url, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

from service.store import lots, migrate, tables
from service.store.engine import make_engine
from service.store.migrations import triggers

assert tables


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    if request.param == "sqlite":
        made = make_engine(f"sqlite:///{tmp_path}/new.db", 2)
    else:
        url = request.getfixturevalue("postgresql")
        admin = make_engine(url, 1)
        with admin.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            name = f"migrations_{secrets.token_hex(4)}"  # a new one each time; the server goes with the tests
            connection.execute(text(f"CREATE DATABASE {name}"))
        admin.dispose()
        made = make_engine(make_url(url).set(database=name).render_as_string(hide_password=False), 2)
    assert migrate.migrate(made)
    yield made
    made.dispose()


def test_the_tables_are_what_the_code_says(engine: Engine) -> None:
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, SQLModel.metadata) == []


def test_the_head_that_the_start_compares_is_the_newest_script() -> None:
    scripts = ScriptDirectory(str(migrate.FOLDER))
    assert scripts.get_current_head() == migrate.HEAD
    assert {one.revision for one in scripts.walk_revisions()} == set(migrate.KNOWN)


def test_migrating_again_does_nothing(engine: Engine) -> None:
    assert not migrate.migrate(engine)


def test_every_trigger_is_there(engine: Engine) -> None:
    found = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if engine.dialect.name == "sqlite"
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
    )
    with engine.connect() as connection:
        assert sorted(connection.scalars(text(found))) == triggers.names(engine.dialect.name)


@pytest.mark.parametrize("table", triggers.APPEND_ONLY)
def test_what_was_recorded_is_not_changed_or_deleted(engine: Engine, table: str) -> None:
    statements = [f"UPDATE {table} SET workshop_id = 2", f"DELETE FROM {table}"]
    rows = {
        "document": "INSERT INTO document (workshop_id, id, code, kind, happened_on, recorded_at, recorded_by, facts)"
        " VALUES (1, 1, 'd', 'count', '2027-01-01', '2027-01-01', 'me', '{}')",
        "line": "INSERT INTO line (workshop_id, document_id, n, item_id, paper, quantity) VALUES (1, 1, 1, 1, 1, 1)",
        "named_lot": "INSERT INTO named_lot (workshop_id, document_id, n, k, lot_id) VALUES (1, 1, 1, 0, 1)",
        "lot_edit": "INSERT INTO lot_edit (workshop_id, document_id, lot_id, facts) VALUES (1, 1, 1, '{}')",
        "movement": "INSERT INTO movement (workshop_id, document_id, n, line, lot_id, quantity) VALUES (1, 1, 1, 1, 1, 1)",
    }
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            connection.connection.driver_connection.execute("PRAGMA foreign_keys=OFF")  # type: ignore[union-attr]
        else:
            connection.execute(text("SET session_replication_role = replica"))  # the row's parents are not the matter here
        connection.execute(text(rows[table]))
        connection.commit()
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = origin"))
            connection.commit()
            statements.append(f"TRUNCATE {table} CASCADE")
        for statement in statements:
            with pytest.raises(DBAPIError, match="append-only"):
                connection.execute(text(statement))
            connection.rollback()
        assert connection.scalar(text(f"SELECT count(*) FROM {table}")) == 1


def test_a_database_of_a_newer_version_is_refused_in_one_line(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(migrate.NewerDatabase) as told:
        migrate.migrate(engine)
    assert "9999" in str(told.value)
    assert "\n" not in str(told.value)


def test_a_start_on_the_newest_shape_leaves_alembic_alone(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/same.db"
    program = (
        "import sys\nfrom service.store.engine import make_engine\nfrom service.store.migrate import migrate\n"
        f"print(migrate(make_engine({url!r})), 'alembic' in sys.modules)"
    )
    said = [subprocess.check_output([sys.executable, "-c", program], text=True).split() for _ in range(2)]
    assert said == [["True", "True"], ["False", "False"]]


def test_draws_read_only_lots_that_hold_something(tmp_path: Path) -> None:
    """SQLite's planner takes the partial index: thousands of emptied lots cost a draw nothing."""
    engine = make_engine(f"sqlite:///{tmp_path}/plan.db", 2)
    migrate.migrate(engine)
    said = lots._WITH_STOCK._text(engine.dialect, 4)
    with engine.connect() as connection:
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {said.sql}", (1,) * said.sql.count("?")).all()
    engine.dispose()
    assert ["ix_lot_open" in row[3] for row in plan] == [True]
