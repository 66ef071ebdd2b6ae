"""The previous version's file is migrated: its papers mean what they meant, and every item is drawn again once."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.actions.verify import verify
from service.serve import open_database, owner_scope
from service.settings import Settings
from service.store import migrate
from service.store.writer import Reader

OLDER = Path(__file__).with_name("older_0001.sql")  # what the first version wrote: invented papers


@pytest.fixture
def upgraded(tmp_path: Path) -> Iterator[Engine]:
    file = tmp_path / "older.db"
    books = sqlite3.connect(file)
    books.executescript(OLDER.read_text(encoding="utf-8"))
    assert books.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    books.close()
    engine = open_database(Settings(database_url=f"sqlite:///{file}"))
    yield engine
    engine.dispose()


def test_it_has_this_versions_shape_and_the_books_add_up(upgraded: Engine) -> None:
    with upgraded.connect() as connection:
        assert migrate.version(connection) == migrate.HEAD
        assert connection.execute(text("SELECT COUNT(*) FROM item WHERE NOT redrawn")).scalar() == 0
    assert Reader(upgraded).read(verify) == []


def test_a_receipt_that_came_late_then_settles_now(upgraded: Engine) -> None:
    """24 tins were used of 20 on the books; the 50 that had come the week before were written down afterwards."""
    from service.actions import access, materials, runs

    def work(connection: object) -> tuple[dict[str, object], dict[str, object]]:
        scope = owner_scope(connection, access.first_workshop(connection))  # type: ignore[arg-type]
        return materials.show(scope, "tin"), runs.show(scope, "B-0001")

    tin, run = Reader(upgraded).read(work)
    assert (tin["on_hand"], tin["unbooked"]) == (20 + 50 - 24 - 1, 0)
    assert sum(use["quantity"] for use in run["used"] if use["material"] == "tin") == 24  # type: ignore[index,attr-defined]
    assert all(use["lot"] for use in run["used"])  # type: ignore[attr-defined]
    assert run["estimated"] is False


def test_what_was_named_stays_named(upgraded: Engine) -> None:
    from service.actions import access, runs

    def work(connection: object) -> dict[str, object]:
        return runs.show(owner_scope(connection, access.first_workshop(connection)), "B-0002")  # type: ignore[arg-type]

    run = Reader(upgraded).read(work)
    named = [use["quantity"] for use in run["used"] if use["chosen"] == "named"]  # type: ignore[attr-defined]
    assert named == [100]
