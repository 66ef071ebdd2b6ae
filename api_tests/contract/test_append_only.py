"""Law 2 on books that the API wrote: the database itself refuses to change or to take away what was recorded."""

from collections.abc import Iterator

import pytest
from conftest import Bench, Server
from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DBAPIError

from service.store.engine import make_engine

TABLES = ("document", "line", "movement")


@pytest.fixture
def books(server: Server, stocked: Bench) -> Iterator[Engine]:
    """The served database, opened beside the service, after a run, a count and a reversal."""
    stocked.post("runs", product="balm-50", units=2)
    counted = stocked.post("counts", material="oil", counted=3000)
    stocked.post("reversals", document=counted["count"], reason="counted the wrong shelf")
    engine = make_engine(server.url, 2)
    yield engine
    engine.dispose()


def rows(connection: Connection, table: str) -> list[tuple[object, ...]]:
    return sorted((tuple(row) for row in connection.execute(text(f"SELECT * FROM {table}"))), key=repr)


def refuse(engine: Engine, table: str, statement: str) -> None:
    with engine.connect() as connection:
        before = rows(connection, table)
        assert before, "nothing was recorded: the test would prove nothing"
        connection.rollback()
        with pytest.raises(DBAPIError, match=f"{table} is append-only"):
            connection.execute(text(statement))
        connection.rollback()
        assert rows(connection, table) == before


@pytest.mark.parametrize("table", TABLES)
def test_no_column_of_what_was_recorded_can_be_changed(books: Engine, table: str) -> None:
    columns = [column["name"] for column in inspect(books).get_columns(table)]
    assert len(columns) >= 6
    for column in columns:
        refuse(books, table, f"UPDATE {table} SET {column} = {column}")
    refuse(books, table, f"UPDATE {table} SET workshop_id = workshop_id + 1")


@pytest.mark.parametrize("table", TABLES)
def test_nothing_recorded_can_be_deleted(books: Engine, table: str) -> None:
    refuse(books, table, f"DELETE FROM {table}")
    refuse(books, table, f"DELETE FROM {table} WHERE workshop_id = (SELECT max(workshop_id) FROM {table})")
    if books.dialect.name == "postgresql":
        refuse(books, table, f"TRUNCATE {table} CASCADE")


@pytest.mark.parametrize("table", TABLES)
def test_nothing_recorded_can_be_written_over(books: Engine, table: str) -> None:
    """Each engine's way to insert over a row that is there."""
    if books.dialect.name == "sqlite":
        refuse(books, table, f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
        refuse(books, table, f"UPDATE OR IGNORE {table} SET workshop_id = workshop_id + 1")
        return
    keys = ", ".join(inspect(books).get_pk_constraint(table)["constrained_columns"])
    over = f"ON CONFLICT ({keys}) DO UPDATE SET workshop_id = excluded.workshop_id"
    refuse(books, table, f"INSERT INTO {table} SELECT * FROM {table} {over}")
