"""Published rules of HTTP, read from the cases: what the service answers where the rule applies to it."""

import json
from pathlib import Path
from typing import Any

import pytest
from conftest import Bench

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "core" / "cases.json").read_text("utf-8"))}


def rule(id_: str, name: str) -> Any:
    """What the publication expects of one of its cases."""
    case = CASES[id_]
    return case["expected"]["status"][case["inputs"]["cases"].index(name)]


def test_idempotency_keys_follow_the_draft(stocked: Bench) -> None:
    """draft-ietf-httpapi-idempotency-key-header-06, 2.6 and 2.7.

    A missing key is a 400 only where a resource says that it needs one: here none does. While the first is running the
    draft says 409; here the second waits for the first instead (a 409 only tells a client to ask again).
    """
    assert CASES["8.idempotency"]["source"]
    key = {"Idempotency-Key": '"published-1"'}
    first = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 2}, headers=key)
    again = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 2}, headers=key)
    other = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 3}, headers=key)
    bare = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 2}, headers={"Idempotency-Key": "published-1"})
    assert first.status_code == 201
    assert rule("8.idempotency", "same key after completion") == "same result as first"
    assert (again.status_code, again.json()) == (bare.status_code, bare.json()) == (first.status_code, first.json())
    assert other.status_code == rule("8.idempotency", "same key other payload")
    without = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 2})
    assert without.status_code == 201 != rule("8.idempotency", "missing key")
    assert stocked.get("materials/tin")["on_hand"] == 100 - 2 - 2


@pytest.mark.parametrize("path", ["materials/shea", "products/balm-50", "formulas/balm", "workshop"])
def test_conditional_requests_follow_the_standard(stocked: Bench, path: str) -> None:
    """RFC 9110, 13.1.1 and 13.1.2; a precondition is never required here, so there is no 428 (RFC 6585, 3)."""
    assert CASES["8.http_cond"]["source"]
    tag = stocked.client.get(f"/v1/{path}").headers["etag"]
    not_modified = stocked.client.get(f"/v1/{path}", headers={"If-None-Match": tag})
    assert not_modified.status_code == rule("8.http_cond", "If-None-Match match on GET")
    assert not_modified.content == b""
    assert stocked.client.get(f"/v1/{path}", headers={"If-None-Match": '"another"'}).status_code == 200
    stale = stocked.client.patch(f"/v1/{path}", json={"name": "Other"}, headers={"If-Match": '"another"'})
    assert stale.status_code == rule("8.http_cond", "If-Match false on PUT")
    assert stocked.client.get(f"/v1/{path}").headers["etag"] == tag, "a refused change changes nothing"
    assert stocked.client.patch(f"/v1/{path}", json={"name": "Other"}, headers={"If-Match": tag}).status_code == 200
    assert stocked.client.patch(f"/v1/{path}", json={"name": "Third"}).status_code == 200
