"""Generated from the OpenAPI page: every operation with the right token, none, an unknown one, too weak a one, another's."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from conftest import Server
from contract.inprocess import openapi
from contract.registry import ENTRIES, Ask, World, entry, operations, send, succeeded

OPERATIONS = operations(openapi())
BY_ADDRESS = "GET /v1/calendar.ics"  # its token stands in its address: `telling/test_calendar.py`
WALLED = sorted(name for name in OPERATIONS if name.split(" ")[1].startswith("/v1") and name != BY_ADDRESS)
WEAKER = {"record": ("read",), "manage": ("read", "record")}
LISTS = ("materials", "formulas", "products", "receipts", "lots", "counts", "disposals", "reversals", "runs", "tokens", "orders",
         "shipments", "returns", "customers", "webhooks", "mail-receivers", "dispatches", "calendar-feeds")  # fmt: skip


@dataclass
class Neighbours:
    """Two workshops on one server, and the tokens of the first."""

    server: Server
    world: World
    owner: str
    other: str
    weak: dict[str, str]

    def asks(self) -> dict[str, Ask]:
        """A valid request for every operation behind the wall."""
        return {name: entry(name).make(self.world) for name in WALLED}

    def books(self) -> dict[str, Any]:
        """All that the first workshop's owner can see of it (tokens without their last use)."""
        seen: dict[str, Any] = {"workshop": self.world.client.get("/v1/workshop").json()}
        for name in LISTS:
            address: str | None = f"/v1/{name}?limit=200" + ("&empty=true" if name == "lots" else "")
            seen[name] = []
            while address:
                answer = self.world.client.get(address)
                seen[name] += answer.json()["items"]
                address = answer.links.get("next", {}).get("url")
        for token in seen["tokens"]:
            del token["last_used_on"]
        return seen

    def all_succeed(self, asks: dict[str, Ask]) -> None:
        """The requests that were refused were right: the owner's token gets every one done."""
        wrong = []
        for name, ask in asks.items():
            answer = send(self.world.client, name, ask)
            if answer.status_code != succeeded(OPERATIONS[name]):
                wrong.append((name, answer.status_code, answer.text))
        assert not wrong


@pytest.fixture
def neighbours(server: Server) -> Iterator[Neighbours]:
    owner, other = server.new_workshop(), server.new_workshop()
    with server.client(owner) as client:
        world = World(client)
        weak = {scope: str(world.token(scope)["token"]) for scope in ("read", "record")}
        yield Neighbours(server, world, owner, other, weak)


def test_every_operation_has_a_valid_request_and_every_request_an_operation(server: Server) -> None:
    with server.client(None) as client:
        served = operations(client.get("/openapi.json").json())
    assert served == OPERATIONS
    missing = sorted(served.keys() - ENTRIES.keys())
    assert not missing, f"no valid request in api_tests/contract/registry.py for {missing}: add an entry for each"
    assert not ENTRIES.keys() - served.keys()


def test_only_health_and_the_calendar_need_no_header() -> None:
    assert {name for name, one in ENTRIES.items() if one.needs is None} == {"GET /health/live", "GET /health/ready", BY_ADDRESS}
    for name, operation in OPERATIONS.items():
        assert (operation.get("security") == [{"token": []}]) == (entry(name).needs is not None), name


OF_ITS_OWN = {"POST /v1/reversals", "POST /v1/receipts/{receipt}/correction", "POST /v1/runs/{batch}/correction"}


def test_every_operation_succeeds_with_the_weakest_right_token(neighbours: Neighbours) -> None:
    """First of all: so that no refusal of the other tests passes by accident."""
    wrong = []
    for name in sorted(OPERATIONS):
        needs = entry(name).needs
        token = None if needs is None else neighbours.weak.get(needs, neighbours.owner)
        if name in OF_ITS_OWN:  # a phone takes back what it recorded itself: tested below
            token = neighbours.owner
        with neighbours.server.client(token) as client:
            answer = send(client, name, entry(name).make(neighbours.world))
        if answer.status_code != succeeded(OPERATIONS[name]):
            wrong.append((name, answer.status_code, answer.text))
    assert not wrong


def test_no_token_and_unknown_tokens_are_401(neighbours: Neighbours) -> None:
    asks, before, wrong = neighbours.asks(), neighbours.books(), []
    workshop, _, secret = neighbours.owner.partition(".")
    near = [f"{workshop}.{secret[:-1]}", f"{workshop}.{secret}x", f"{workshop}.", f".{secret}", f"other.{secret}", secret]
    sent = [f"Bearer {token}" for token in ("unknown.token", "unknown", *near)]
    sent += [f"Basic {neighbours.owner}", neighbours.owner, "Bearer", f"Bearer{neighbours.owner}"]
    with neighbours.server.client(None) as client:
        for name, ask in asks.items():
            for headers in ({}, *({"Authorization": value} for value in sent)):
                answer = send(client, name, ask, headers=headers)
                kept = answer.status_code == 401 and answer.json()["type"] == "/problems/token-needed"
                if not kept or not answer.headers["WWW-Authenticate"].startswith("Bearer"):
                    wrong.append((name, headers, answer.status_code, answer.text))
    assert not wrong
    assert neighbours.books() == before
    neighbours.all_succeed(asks)


def test_a_token_with_too_weak_a_scope_is_403(neighbours: Neighbours) -> None:
    asks, wrong = neighbours.asks(), []
    before, seen = neighbours.books(), 0
    for name, ask in asks.items():
        needs = str(entry(name).needs)
        for scope in WEAKER.get(needs, ()):
            seen += 1
            with neighbours.server.client(neighbours.weak[scope]) as client:
                answer = send(client, name, ask)
            said = answer.json()
            if answer.status_code != 403 or said["type"] != "/problems/scope-missing" or said["needs"] != needs:
                wrong.append((name, scope, answer.status_code, answer.text))
    assert not wrong
    assert seen >= 20
    assert neighbours.books() == before
    neighbours.all_succeed(asks)


def test_another_workshops_token_finds_nothing_here(neighbours: Neighbours) -> None:
    asks, before, wrong = neighbours.asks(), neighbours.books(), []
    with neighbours.server.client(neighbours.other) as stranger:
        for name, ask in asks.items():
            answer = send(stranger, name, ask)
            kind = entry(name).stranger
            if kind == "absent":
                right = answer.status_code == 404 and answer.json()["type"] == "/problems/not-found"
            elif kind == "empty":
                right = (answer.status_code, answer.json()) == (200, {"items": []})
            else:  # it names nothing of this workshop: it works, in the stranger's own
                mine = neighbours.world.mark in answer.text and neighbours.world.mark not in str(ask)
                right = answer.status_code == succeeded(OPERATIONS[name]) and not mine
            if not right:
                wrong.append((name, answer.status_code, answer.text))
    assert not wrong
    assert neighbours.books() == before
    neighbours.all_succeed(asks)


def test_a_code_of_another_workshop_in_a_body_is_404(neighbours: Neighbours) -> None:
    """A stranger with a catalogue of its own, one of whose codes is the neighbour's."""
    theirs = neighbours.world
    for _ in range(10):  # lots are numbered in each workshop: go on to a number that the stranger does not have
        lot = theirs.lot()
    with neighbours.server.client(neighbours.other) as client:
        mine = World(client)
        rest = {"material": mine.wax, "percent": "rest"}
        asked: list[tuple[str, dict[str, Any]]] = [
            ("formulas", {"code": "x", "name": "X", "lines": [{"material": theirs.oil, "percent": 1}, rest]}),
            ("formulas", {"code": "x", "name": "X", "lines": [{"material": theirs.balm, "percent": 1}, rest]}),
            ("products", {"code": "x", "name": "X", "formula": theirs.balm, "fill_g": 1}),
            ("products", {"code": "x", "name": "X", "contains": [{"product": theirs.product}]}),
            ("products", {**mine.filled("x"), "packaging": [{"material": theirs.tin}]}),
            ("runs", {"product": mine.product, "units": 1, "lots": [{"material": mine.oil, "lot": lot}]}),
            ("runs", {"product": mine.product, "units": 1, "used": [{"material": theirs.oil, "quantity": 1}]}),
            ("runs", {"formula": mine.balm, "batch_g": 100, "filled": [{"product": theirs.product, "units": 1}]}),
            ("runs", {"product": mine.product, "units": 1, "bulk": lot}),
            ("counts", {"lot": lot, "counted": 1}),
            ("checks", {"wants": [{"product": mine.product, "units": 1}, {"formula": theirs.balm, "batch_g": 1}]}),
            ("checks", {"order": theirs.order()}),
            ("orders", {"lines": [{"product": mine.product, "units": 1}, {"product": theirs.product, "units": 1}]}),
            ("market-days", {"lines": [{"product": theirs.product, "units": 1}]}),
            ("runs", {"product": mine.product, "units": 1, "status": "planned", "order": theirs.order()}),
        ]
        before = neighbours.books()
        answers = [(path, body, client.post(f"/v1/{path}", json=body)) for path, body in asked]
    assert not [(path, body, answer.text) for path, body, answer in answers if answer.status_code != 404]
    assert neighbours.books() == before


def test_a_bench_token_sets_a_lots_place_and_no_more(neighbours: Neighbours) -> None:
    """The scope of these depends on the body, or on who recorded the paper."""
    world = neighbours.world
    lot = world.lot()
    with neighbours.server.client(neighbours.weak["record"]) as bench:
        for change in ({"status": "rejected"}, {"expires_on": "2099-01-01"}, {"certificate": "C"}, {"retest_on": "2099-01-01"}):
            assert bench.patch(f"/v1/lots/{lot}", json=change).status_code == 403, change
        assert bench.patch(f"/v1/lots/{lot}", json={"place": "shelf", "opened_on": None}).status_code == 200
        theirs = {"document": world.disposal()["disposal"], "reason": "not mine"}
        assert bench.post("/v1/reversals", json=theirs).status_code == 403
        own = bench.post("/v1/disposals", json={"lot": lot, "quantity": 1, "reason": "tester"}).json()["disposal"]
        assert bench.post("/v1/reversals", json={"document": own, "reason": "mine"}).status_code == 201


def test_a_revoked_token_is_401_at_once(neighbours: Neighbours) -> None:
    made = neighbours.world.token("manage")
    with neighbours.server.client(str(made["token"])) as client:
        assert client.get("/v1/workshop").status_code == 200
        assert neighbours.world.client.delete(f"/v1/tokens/{made['code']}").status_code == 204
        assert client.get("/v1/workshop").status_code == 401
