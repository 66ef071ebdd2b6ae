"""A COMMIT that fails is never answered as done, and nothing of the act is kept; the same key then does it once."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from contract.inprocess import House, new_database, running
from contract.registry import World
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import OperationalError

LISTS = ("receipts", "lots?empty=true", "counts", "disposals", "reversals", "runs", "materials", "products", "formulas")


class Gone(Exception):
    """What a driver says when the connection is gone."""

    sqlstate = None


class Fault:
    """Listens to COMMIT; while `mode` is set it goes wrong."""

    def __init__(self) -> None:
        self.mode: str | None = None
        self.met = 0

    def listen(self, engine: Engine) -> None:
        event.listen(engine, "commit", self._commit)

    def _commit(self, connection: Connection) -> None:
        if self.mode is None:
            return
        self.met += 1
        if self.mode == "bug":
            raise RuntimeError("a fault of ours")
        raw: Any = connection.connection.driver_connection
        if self.mode == "kept":  # the database did it, its answer was lost
            raw.commit()
        raise OperationalError("COMMIT", {}, Gone("the connection was lost"))


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/commit.db"
    return new_database(request.getfixturevalue("postgresql"), "commits")


@pytest.fixture
def scene(url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[House, World, Fault]]:
    monkeypatch.setattr("service.app.NOTE_SECONDS", 3600.0)  # only the requests' own transactions meet the fault
    fault = Fault()
    with running(url, fault.listen) as house, house.client(house.new_workshop()) as client:
        yield house, World(client), fault


def books(client: httpx.Client) -> list[str]:
    return [client.get(f"/v1/{name}").text for name in LISTS]


def works(world: World) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        ("POST", "runs", {"product": world.product, "units": 3, "plan": "none"}),
        ("POST", "receipts", {"material": world.oil, "quantity": 10}),
        ("POST", "counts", {"material": world.wax, "counted": 17}),
        ("POST", "disposals", {"lot": world.lot(), "quantity": 1, "reason": "lost"}),
        ("POST", "reversals", {"document": world.disposal()["disposal"], "reason": "twice"}),
        ("POST", "materials", {"code": world.fresh("clay"), "name": "Clay"}),
        ("POST", f"runs/{world.plan()}/completion", {}),
        ("PATCH", f"lots/{world.lot()}", {"place": "shelf 3"}),
    ]


@pytest.mark.parametrize("mode", ["gone", "bug"])
def test_a_failed_commit_is_not_answered_as_done_and_keeps_nothing(scene: tuple[House, World, Fault], mode: str) -> None:
    _, world, fault = scene
    for method, path, body in works(world):
        before, fault.mode, fault.met = books(world.client), mode, 0
        headers = {"Idempotency-Key": world.fresh("key")}
        answer = world.client.request(method, f"/v1/{path}", json=body, headers=headers)
        fault.mode = None
        assert fault.met, "the act never reached COMMIT"
        if mode == "gone":
            assert (answer.status_code, answer.json()["type"]) == (503, "/problems/commit-lost"), answer.text
            assert int(answer.headers["Retry-After"]) >= 1
        else:
            assert (answer.status_code, answer.json()["type"]) == (500, "/problems/unexpected"), answer.text
        assert books(world.client) == before
        again = world.client.request(method, f"/v1/{path}", json=body, headers=headers)
        assert again.status_code in (200, 201), again.text
        assert "Idempotent-Replay" not in again.headers
        after = books(world.client)
        assert after != before
        if method == "POST":
            replayed = world.client.request(method, f"/v1/{path}", json=body, headers=headers)
            assert replayed.headers["Idempotent-Replay"] == "true"
            assert books(world.client) == after


def test_a_commit_that_was_kept_while_its_answer_was_lost_is_not_done_again(scene: tuple[House, World, Fault]) -> None:
    _, world, fault = scene
    for method, path, body in works(world):
        if method != "POST":
            continue
        before, fault.mode, fault.met = books(world.client), "kept", 0
        headers = {"Idempotency-Key": world.fresh("key")}
        answer = world.client.request(method, f"/v1/{path}", json=body, headers=headers)
        fault.mode = None
        assert fault.met
        assert (answer.status_code, answer.json()["type"]) == (503, "/problems/commit-lost"), answer.text
        after = books(world.client)
        assert after != before, "the database did keep it"
        again = world.client.request(method, f"/v1/{path}", json=body, headers=headers)
        assert again.status_code in (200, 201), again.text
        assert again.headers["Idempotent-Replay"] == "true"
        assert books(world.client) == after


def last_use(client: httpx.Client, code: object) -> object:
    return next(one["last_used_on"] for one in client.get("/v1/tokens").json()["items"] if one["code"] == code)


@pytest.mark.parametrize("mode", ["gone", "bug"])
def test_a_failed_note_of_last_uses_ends_neither_the_notes_nor_the_service(
    url: str, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are written beside the requests: whatever goes wrong there, the next ones are written, and the stop is clean."""
    monkeypatch.setattr("service.app.NOTE_SECONDS", 0.05)
    fault = Fault()
    with running(url, fault.listen) as house, house.client(house.new_workshop()) as client:
        fault.mode = mode
        assert client.get("/v1/workshop").status_code == 200
        assert wait_until(lambda: fault.met > 0), "the note never reached COMMIT"
        fault.mode = None
        later = client.post("/v1/tokens", json={"name": "later", "scopes": ["read"]}).json()
        with house.client(later["token"]) as other:
            assert other.get("/v1/workshop").status_code == 200
        assert wait_until(lambda: last_use(client, later["code"]) is not None), "no use was noted after the fault"


def wait_until(true: Callable[[], bool], seconds: float = 5) -> bool:
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True
