"""What the service asks the database: lists in a constant number of statements, and never past the workshop's wall."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from contract.guard import Guard, open_tables
from contract.inprocess import House, new_database, openapi, running
from contract.registry import World, entry, operations, send, succeeded
from sqlalchemy import Connection, Engine, and_, delete, event, insert, or_, select, text, update

from service.store.tables import Item, Lot, Movement, Token, Workshop

LOT, ITEM, MOVEMENT, TOKEN, WORKSHOP = (one.__table__ for one in (Lot, Item, Movement, Token, Workshop))  # type: ignore[attr-defined]
OPERATIONS = operations(openapi())
LISTS = sorted(name for name in OPERATIONS if name.startswith("GET /v1") and "items" in str(OPERATIONS[name]["responses"]["200"]))
LEAST, MOST = 2, 9


class Statements:
    """Every statement that goes to the driver, except the notes of tokens' last use, which are made beside requests."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def listen(self, engine: Engine) -> None:
        event.listen(engine, "before_cursor_execute", self._note)

    def _note(self, _: Connection, __: Any, statement: str, *___: Any) -> None:
        if "last_used_at=" not in statement.replace(" ", "") and not statement.startswith("BEGIN"):
            self.said.append(statement)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/statements.db"
    return new_database(request.getfixturevalue("postgresql"), "statements")


def grow(world: World, upto: int, have: int) -> None:
    """Everything that a list shows, `upto` times: with lots, packaging, versions, movements and plans."""
    for _ in range(have, upto):
        oil = world.fresh("oil")
        world.post("materials", code=oil, name=f"Oil {oil}")
        for _ in range(2):
            world.delivery(oil, 1000, cost=9)
        code = world.fresh("salve")
        lines = [{"material": oil, "percent": 60}, {"material": world.wax, "percent": "rest"}]
        world.post("formulas", code=code, name=code, lines=lines)
        world.post(f"formulas/{code}/versions", lines=lines, usual_batch_g=500)
        made = {**world.filled(world.fresh("tin")), "formula": code}
        world.post("products", **made)
        world.post("runs", product=made["code"], units=1)
        world.post("runs", product=made["code"], units=1, status="planned", planned_on="2100-01-01")
        world.run()
        world.disposal()
        world.reversal()
        world.count()
        world.token()
        world.tried_out()
        world.mail_receiver()
        world.calendar_feed()
        world.order()
        world.mark_day()
        world.sent_back()
        half = world.order()
        world.post(f"orders/{half}/shipments", lines=[{"product": world.product, "units": 1}])
        world.drafted()
        world.delivered()
        part = world.placed()
        world.post(f"purchase-orders/{part}/deliveries", lines=[{"line": 1, "packs": 1}])


def count(house: House, world: World, statements: Statements, name: str) -> tuple[int, int]:
    """How many statements a list took, and how many items it showed."""
    ask = entry(name).make(world)
    house.forget()  # so that each request asks once who its token is
    statements.said = []
    answer = send(world.client, name, ask)
    assert answer.status_code == 200, answer.text
    return len(statements.said), len(answer.json()["items"])


def test_a_list_takes_as_many_statements_for_nine_as_for_two(url: str) -> None:
    statements = Statements()
    assert len(LISTS) >= 10
    with running(url, statements.listen) as house, house.client(house.new_workshop()) as client:
        world = World(client)
        grow(world, LEAST, 0)
        few = {name: count(house, world, statements, name) for name in LISTS}
        grow(world, MOST, LEAST)
        many = {name: count(house, world, statements, name) for name in LISTS}
    assert {name: taken for name, (taken, _) in many.items()} == {name: taken for name, (taken, _) in few.items()}
    assert max(taken for taken, _ in many.values()) <= 14  # a run is shown as known now: lines, movements, lots, concerns
    grown = [name for name in LISTS if many[name][1] >= MOST > few[name][1] >= LEAST]
    needed = {"GET /v1/materials", "GET /v1/products", "GET /v1/runs", "GET /v1/lots", "GET /v1/formulas"}
    assert needed <= set(grown), (few, many)


@pytest.fixture
def guarded(url: str) -> Iterator[tuple[House, Guard]]:
    guard = Guard()
    with running(url, guard.listen) as house:
        yield house, guard


def test_no_operation_looks_past_the_wall(guarded: tuple[House, Guard]) -> None:
    house, guard = guarded
    with house.client(house.new_workshop()) as client:
        world = World(client)
        grow(world, 1, 0)
        wrong = []
        for name in sorted(OPERATIONS):
            before = guard.seen
            answer = send(client, name, entry(name).make(world), headers={"Idempotency-Key": world.fresh("key")})
            if answer.status_code != succeeded(OPERATIONS[name]) or (guard.seen == before and name != "GET /health/live"):
                wrong.append((name, answer.status_code, answer.text, guard.refused[-1:]))
    assert not guard.refused
    assert not wrong


HERE = LOT.c.workshop_id == 7
other = LOT.alias("other")
TIED = LOT.c.workshop_id == MOVEMENT.c.workshop_id
LEAKS: list[tuple[Any, list[Any]]] = [
    (select(LOT), []),
    (select(LOT).where(LOT.c.id == 1), []),
    (select(LOT).where(or_(HERE, LOT.c.id == 1)), []),
    (select(LOT).where(LOT.c.workshop_id != 7), []),
    (select(LOT).where(LOT.c.workshop_id == LOT.c.workshop_id), []),
    (select(LOT, MOVEMENT).join(MOVEMENT, MOVEMENT.c.lot_id == LOT.c.id).where(HERE), []),
    (select(LOT, MOVEMENT).join(MOVEMENT, and_(TIED, MOVEMENT.c.lot_id == LOT.c.id)), []),
    (select(LOT, other).join(other, other.c.id == LOT.c.id).where(HERE), []),
    (select(MOVEMENT, LOT).outerjoin(LOT, and_(TIED, MOVEMENT.c.workshop_id == 7)), []),
    (select(ITEM).where(ITEM.c.workshop_id == 7, ITEM.c.id.in_(select(LOT.c.item_id))), []),
    (select(select(LOT.c.id).subquery()), []),
    (select(TOKEN).join(WORKSHOP, WORKSHOP.c.id == TOKEN.c.workshop_id), []),
    (update(LOT).where(LOT.c.id == 1).values(place="x"), []),
    (delete(LOT), []),
    (insert(LOT), [{"id": 1}]),
    (insert(LOT), []),
    (text("SELECT * FROM lot"), []),
]
WALLED: list[tuple[Any, list[Any]]] = [
    (select(LOT).where(HERE, or_(LOT.c.id == 1, LOT.c.id == 2)), []),
    (select(LOT, MOVEMENT).join(MOVEMENT, TIED).where(HERE), []),
    (select(MOVEMENT, LOT).outerjoin(LOT, TIED).where(MOVEMENT.c.workshop_id == 7), []),
    (select(LOT, other).join(other, other.c.workshop_id == LOT.c.workshop_id).where(HERE), []),
    (select(TOKEN).join(WORKSHOP, WORKSHOP.c.id == TOKEN.c.workshop_id).where(WORKSHOP.c.code == "a"), []),
    (update(LOT).where(HERE).values(place="x"), []),
    (insert(LOT), [{"id": 1, "workshop_id": 7}]),
    (insert(LOT).values(id=1, workshop_id=7), []),
    (select(WORKSHOP), []),
]


@pytest.mark.parametrize("at", range(len(LEAKS)))
def test_the_guard_finds_a_leak(at: int) -> None:
    assert open_tables(*LEAKS[at]), str(LEAKS[at][0])


@pytest.mark.parametrize("at", range(len(WALLED)))
def test_the_guard_lets_a_walled_statement_pass(at: int) -> None:
    assert not open_tables(*WALLED[at]), str(WALLED[at][0])
