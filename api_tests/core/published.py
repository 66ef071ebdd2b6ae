"""The published checks of cases.json as parameters; each carries the publication it was taken from."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

Case = dict[str, Any]
# Numbers stay decimal: a published figure must not pass through a float on its way into a check.
CASES: list[Case] = json.loads((Path(__file__).parent / "cases.json").read_text(), parse_float=Decimal)


def source(case: Case) -> str:
    """The publication, for the message of a failing check."""
    return str(case["source"]) + ("" if case["confirmed"] else " [from memory]")


def cases(*topics: str) -> list[Any]:
    """The cases of some topics, named by id."""
    chosen = [case for case in CASES if case["topic"] in topics]
    assert chosen, f"no published case about {topics}"
    return [pytest.param(case, id=case["id"] + ("" if case["confirmed"] else " from memory")) for case in chosen]


def check(case: Case, what: str, got: Decimal | int, expected: Decimal | int) -> None:
    """Hold a figure to the published one, within the tolerance the case states."""
    allowed = case["tolerance"]
    most = Decimal(allowed["abs"]) if "abs" in allowed else Decimal(allowed["rel"]) * abs(expected)
    assert abs(Decimal(got) - expected) <= most, f"{what}: {got}, published {expected} +- {most}; {source(case)}"
