"""Schemathesis over the OpenAPI page of the running service, in a workshop with real stock and real codes.

No 5xx, no status that is not documented, no answer off its schema or media type; and at least half of the operations
were really done (2xx), so that the silence does not come from refusals alone.
"""

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Callable
from typing import Any

import hypothesis
import pytest
import schemathesis
from conftest import SOAK, Server
from contract.registry import World, entry
from schemathesis.checks import not_a_server_error
from schemathesis.core import NotSet
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
EXAMPLES = 150 if SOAK else 8  # generated requests an operation
ENGINES = ["sqlite", "postgresql"] if SOAK else ["sqlite"]


class Mixer:
    """Puts real codes into what was generated: as it came, on a real thing, or a valid request with some of it changed."""

    def __init__(self, world: World) -> None:
        self.world = world

    def mix(self, case: Any) -> None:
        given = {"path": dict(case.path_parameters or {}), "query": dict(case.query or {}), "body": repr(case.body)}
        dice = hashlib.sha256(json.dumps(given, sort_keys=True, default=repr).encode()).digest()
        if dice[0] % 4 == 0:
            return  # as it came
        valid = entry(case.operation.label).make(self.world)
        case.path_parameters = dict(valid.path)
        if dice[0] % 4 == 1 or valid.body is None:
            case.query = dict(valid.query) if dice[1] % 2 and valid.query else case.query
            return
        keep_all = dice[0] % 4 == 2
        case.body = valid.body if keep_all or not isinstance(case.body, dict) else self._half(valid.body, case.body, dice)
        case.query = dict(valid.query)

    def _half(self, valid: dict[str, Any], made: dict[str, Any], dice: bytes) -> dict[str, Any]:
        """The valid body with up to three generated fields in it."""
        names = sorted(made)
        chosen = {names[dice[at] % len(names)] for at in (2, 3, 4)} if names else set()
        return valid | {name: made[name] for name in chosen}


class Answers:
    """What every operation answered, and what was wrong with it."""

    def __init__(self) -> None:
        self.statuses: dict[str, Counter[int]] = defaultdict(Counter)
        self.wrong: dict[str, str] = {}

    def take(self, case: Any, headers: dict[str, str]) -> None:
        label = case.operation.label
        answer = case.call(headers=headers, timeout=60)  # the service itself gives up after 30 s
        self.statuses[label][answer.status_code] += 1
        try:
            case.validate_response(answer, checks=CHECKS)
        except FailureGroup as failures:
            for failure in failures.exceptions:
                sent = (case.path_parameters, case.query, None if isinstance(case.body, NotSet) else case.body)
                said = f"{type(failure).__name__}: {failure} | sent {sent!r} | {answer.status_code} {answer.text[:300]}"
                self.wrong.setdefault(f"{label} {type(failure).__name__} {answer.status_code}", said)

    def done(self) -> set[str]:
        return {label for label, found in self.statuses.items() if any(200 <= status < 300 for status in found)}


def fuzz(operation: Any, answers: Answers, mixer: Mixer, headers: dict[str, str], seed: int) -> None:
    """What fits the operation's schema, mixed with real codes; and what does not fit it, as it came."""

    def ask(case: Any) -> None:
        mixer.mix(case)
        answers.take(case, headers)

    _run(operation.as_strategy(), ask, EXAMPLES, seed)
    if list(operation.iter_parameters()) or operation.body:
        unfit = operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)
        _run(unfit, lambda case: answers.take(case, headers), EXAMPLES // 2, seed)


def _run(cases: Any, ask: Callable[[Any], None], examples: int, seed: int) -> None:
    def each(case: Any) -> None:
        ask(case)

    settings = hypothesis.settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[hypothesis.Phase.generate],
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.seed(seed)(settings(hypothesis.given(case=cases)(each)))()


@pytest.mark.parametrize("server", ENGINES, indirect=True)
def test_nothing_undocumented_is_answered_and_the_books_still_add_up(server: Server) -> None:
    headers = {"Authorization": f"Bearer {server.new_workshop()}"}
    schema = schemathesis.openapi.from_url(f"{server.base}/openapi.json")
    answers = Answers()
    with server.client(headers["Authorization"].removeprefix("Bearer ")) as client:
        mixer = Mixer(World(client))
        operations = [found.ok() for found in schema.get_all_operations()]
        for number, operation in enumerate(operations):
            fuzz(operation, answers, mixer, headers, number)
    seen = "\n".join(f"{label}: {dict(found)}" for label, found in sorted(answers.statuses.items()))
    print(seen)
    assert not answers.wrong, "\n".join(answers.wrong.values())
    assert len(answers.statuses) == len(operations) >= 40
    assert len(answers.done()) >= len(operations) / 2, seen
    assert sum(count for found in answers.statuses.values() for count in found.values()) >= 5 * len(operations)
    verified = server.command("verify")
    assert verified.returncode == 0, verified.stdout
