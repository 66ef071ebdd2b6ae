"""The service against the clerk, after every paper: papers in any order of recording, on both engines."""

from random import Random
from typing import Any

import pytest
from conftest import SOAK
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from late.desk import Desk, House, Refused
from late.histories import Teller
from late.papers import Correction, Disposal, Paper, Reversal, Split
from late.shorter import judged, shortest

pytest_plugins = ["late.rooms"]


class Floor(RuleBasedStateMachine):
    """A workshop whose papers come in any order; `at` is set by the engine's test."""

    at: House

    @initialize()
    def open(self) -> None:
        self.desk = Desk(self.at)
        self.number = 0

    @rule(seed=st.integers(0, 2**32 - 1))
    def a_paper_comes(self, seed: int) -> None:
        self.number += 1
        paper = Teller(Random(f"{seed} {self.number}"), self.desk.told, self.number).next()
        if paper is not None:
            self.tell(paper)

    def tell(self, paper: Paper) -> None:
        try:
            self.desk.tell(paper)
        except Refused as no:
            if not may_refuse(paper, no, self.desk.told):
                pytest.fail(str(no))
            return
        except AssertionError:
            pytest.fail(shortest(self.at, [*self.desk.told, paper]))
        if wrong := judged(self.desk):
            pytest.fail(shortest(self.at, self.desk.told) + "\n".join(["", "At first:", *wrong]))


def may_refuse(paper: Paper, no: Refused, told: list[Paper]) -> bool:
    """A receipt or a batch that is still named, a disposal of more than the lot can have held; a lot whose day was corrected."""
    if no.type == "/problems/lot-not-there-yet":
        return any(isinstance(one, Correction) and "day" in one.fields for one in [*told, paper])
    if isinstance(paper, Reversal):
        return no.type == "/problems/still-in-use"
    return isinstance(paper, Disposal | Split) and no.type == "/problems/not-enough-stock"


def campaign(at: House, examples: int, steps: int) -> None:
    machine: Any = type("Floor", (Floor,), {"at": at})
    chosen = settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        print_blob=False,
        phases=[Phase.generate],  # a failing story is made shorter by `shorter`, paper by paper
    )
    run_state_machine_as_test(machine, settings=chosen)


def test_the_books_are_the_clerks(at: House) -> None:
    many, few = (7_000, 20) if at.engine.dialect.name == "sqlite" else (3_000, 8)
    campaign(at, many if SOAK else few, 16 if SOAK else 10)
    assert at.proof() == []
