"""A look asks the database as much for many things as for few, and writes only what is new."""

from pathlib import Path

from contract.inprocess import running
from contract.registry import World
from contract.test_statements import Statements, grow


def test_a_look_takes_as_many_statements_for_ten_as_for_three(tmp_path: Path) -> None:
    statements = Statements()
    taken = []
    with running(f"sqlite:///{tmp_path}/look.db", statements.listen) as house, house.client(house.new_workshop()) as client:
        world, have = World(client), 0
        for upto in (3, 10):
            grow(world, upto, have)
            have = upto
            world.alert()  # something new, so that it is written; the next look finds it there
            house.forget()
            statements.said = []
            assert len(client.get("/v1/alerts?limit=200").json()["items"]) >= 1
            taken.append(list(statements.said))
    assert len(taken[0]) == len(taken[1])
    assert not [one for one in taken[1] if one.startswith(("INSERT", "UPDATE", "DELETE"))]
