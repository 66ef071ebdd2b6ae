"""One application in this process for each engine and module."""

from collections.abc import Iterator

import pytest
from late.desk import Desk, House, house


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def at(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    file = f"sqlite:///{tmp_path_factory.mktemp('late')}/stillroom.db"
    with house(file if request.param == "sqlite" else request.getfixturevalue("postgresql")) as made:
        yield made


@pytest.fixture
def desk(at: House) -> Iterator[Desk]:
    made = Desk(at)
    yield made
    assert at.proof(made.workshop) == []
