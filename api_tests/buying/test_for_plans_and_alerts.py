"""What plans and alerts take from buying without HTTP; and that verify sees an order that says otherwise than its receipts."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from contract.inprocess import running
from contract.registry import World
from sqlalchemy import Connection, text

from service.actions import access
from service.actions.buying import awaited, offers, purchase_orders
from service.actions.scope import Actor, Scope
from service.actions.verify import verify
from service.store import ids
from service.store.engine import make_engine, writing
from service.store.writer import Reader, run_once

PLANNER = Actor(0, "planner", "planner", frozenset(("manage", "record", "read")))


def scope_of(connection: Connection, later: int = 0) -> Scope:
    now = datetime.now(UTC) + timedelta(days=later)
    return Scope(connection, access.first_workshop(connection), PLANNER, now, now.date(), ids.new_id)


def test_a_plan_makes_drafts_and_an_alert_finds_late_orders(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/books.db"
    with running(url) as house, house.client(house.new_workshop()) as client:
        world = World(client)
        offer, half = world.offered(), world.placed()
        world.post(f"purchase-orders/{half}/deliveries", lines=[{"line": 1}])
        engine = house.engine

        def planned(connection: Connection) -> str:
            scope = scope_of(connection)
            (found,) = [one for one in offers.standing(scope) if one.row.code == offer["code"]]
            assert found.offer is not None
            assert found.terms is not None
            assert (found.offer.cost(5), found.terms.charge(found.offer.cost(5))) == (40_000_000, 5_000_000)
            return purchase_orders.create_draft(scope, offer["supplier"], [(offer["code"], 5)], "for March")

        code = run_once(writing(engine), planned)
        draft = client.get(f"/v1/purchase-orders/{code}").json()
        assert (draft["state"], draft["note"], draft["recorded_by"]) == ("draft", "for March", "planner")
        assert [(line["offer"], line["packs"], line["cost"]) for line in draft["lines"]] == [(offer["code"], 5, 40)]
        reader = Reader(engine)
        (found,) = reader.read(lambda connection: awaited.placed(scope_of(connection)))
        order = client.get(f"/v1/purchase-orders/{half}").json()
        assert (found.code, found.supplier_name, str(found.expected_on)) == (half, f"Mill {world.mark}", order["expected_on"])
        wait = (found.expected_on - found.placed_on).days
        assert reader.read(lambda connection: awaited.placed(scope_of(connection, wait), late=True)) == []
        assert reader.read(lambda connection: awaited.placed(scope_of(connection, wait + 1), late=True)) == [found]
        world.post(f"purchase-orders/{half}/deliveries")
        assert reader.read(lambda connection: awaited.placed(scope_of(connection))) == []


def test_verify_sees_a_purchase_order_whose_state_is_not_what_its_receipts_make_it(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/books.db"
    with running(url) as house, house.client(house.new_workshop()) as client:
        world = World(client)
        half = world.placed()
        world.post(f"purchase-orders/{half}/deliveries", lines=[{"line": 1}])
    engine = make_engine(url, 2)
    assert Reader(engine).read(verify) == []
    with engine.begin() as connection:
        connection.execute(text("UPDATE purchase_order SET state = 'received' WHERE workshop_id IS NOT NULL"))
    assert [said.partition(": ")[2] for said in Reader(engine).read(verify)] == [
        f"law 3: purchase order {half} says received, its receipts make it partly_received"
    ]
    engine.dispose()
