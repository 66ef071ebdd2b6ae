"""An office for each engine; a workshop, and receivers, for each test."""

import secrets
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from contract.inprocess import new_database
from sqlalchemy import text
from telling.office import Listener, Maker, Office, opened

from service.actions import access
from service.store.engine import writing
from service.store.writer import run_once


@pytest.fixture(scope="session")
def offices(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Iterator[Callable[[str], Office]]:
    running: dict[str, tuple[Any, Office]] = {}

    def office(engine: str) -> Office:
        if engine not in running:
            folder = tmp_path_factory.mktemp("telling")
            url = f"sqlite:///{folder}/telling.db"
            if engine == "postgresql":
                url = new_database(request.getfixturevalue("postgresql"), "telling")
            manager = opened(url)
            running[engine] = manager, manager.__enter__()
        return running[engine][1]

    yield office
    for manager, _ in running.values():
        manager.__exit__(None, None, None)


@pytest.fixture(params=["sqlite", "postgresql"])
def office(request: pytest.FixtureRequest, offices: Callable[[str], Office]) -> Iterator[Office]:
    made = offices(str(request.param))
    yield made
    made.now = None
    made.house.app.state.door.callers.failures.clear()
    with made.engine.begin() as connection:  # nothing of this test is told in the next
        connection.execute(text("UPDATE dispatch SET state = 'parked' WHERE workshop_id > 0"))
        connection.execute(text("UPDATE workshop SET digest_hour = NULL"))


def new_maker(office: Office) -> Maker:
    def work(connection: Any) -> tuple[int, str]:
        now = datetime.now(UTC)
        made = access.add_workshop(connection, f"Moor workshop {secrets.token_hex(3)}", now)
        return made.id, access.add_token(connection, made.id, made.code, "owner", ["manage"], now)[1]

    workshop, token = run_once(writing(office.engine), work)
    return Maker(office, office.house.client(token), workshop)


@pytest.fixture
def maker(office: Office) -> Iterator[Maker]:
    made = new_maker(office)
    with made.client:
        yield made


@pytest.fixture
def stranger(office: Office) -> Iterator[Maker]:
    made = new_maker(office)
    with made.client:
        yield made


@pytest.fixture
def listener() -> Iterator[Listener]:
    made = Listener()
    yield made
    made.close()


@pytest.fixture
def second() -> Iterator[Listener]:
    made = Listener()
    yield made
    made.close()
