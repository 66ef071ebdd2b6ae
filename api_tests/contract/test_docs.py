"""The page a caller reads is part of the product: every operation explained, every example true, every name in the README."""

import argparse
import json
import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import ROOT, Server
from contract.inprocess import openapi
from contract.registry import operations, succeeded

from service import errors
from service.api import problems
from service.cli import parser
from service.settings import Settings

PAGE = openapi()
OPERATIONS = operations(PAGE)
PROBLEM = re.compile(r"`/problems/([a-z-]+)`")
ALWAYS = {"token-needed", "scope-missing", "too-many-failed-tokens", "busy"}
FOR_TESTS = {"STILLROOM_BENCH_DATA", "STILLROOM_SOAK", "STILLROOM_TEST_POSTGRES_URL"}


def documented(operation: dict[str, Any]) -> dict[int, set[str]]:
    """The problem types an operation names, by status."""
    said = {int(status): answer["description"] for status, answer in operation["responses"].items()}
    return {status: set(PROBLEM.findall(text)) for status, text in said.items() if status >= 400}


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_every_operation_is_explained(name: str) -> None:
    operation = OPERATIONS[name]
    assert operation["summary"]
    assert operation["description"].strip() not in ("", operation["summary"])
    assert operation["tags"]
    answer = operation["responses"][str(succeeded(operation))]
    assert answer["description"] not in ("", "Successful Response") or name.startswith("GET /health")
    if succeeded(operation) != 204:
        assert all(media["schema"] for media in answer["content"].values())
        assert answer["content"].keys() & {"application/json", "text/calendar"}


def test_no_two_operations_have_the_same_summary() -> None:
    summaries = [operation["summary"] for operation in OPERATIONS.values()]
    assert len(set(summaries)) == len(summaries)


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_every_status_names_its_problem_types(name: str) -> None:
    types = {kind.type: kind.status for kind in errors.ALL}
    found = documented(OPERATIONS[name])
    for status, named in found.items():
        assert named, f"{status} names no problem type"
        assert {types[one] for one in named} == {status}
        content = OPERATIONS[name]["responses"][str(status)]["content"]
        assert content.keys() == {"application/problem+json", "text/plain"}
    if name.split(" ")[1].startswith("/v1"):
        assert set().union(*found.values()) >= ALWAYS
    if "requestBody" in OPERATIONS[name]:
        assert found.keys() >= {413, 415, 422}
    if "{" in name:
        assert "not-found" in found[404]


def test_every_problem_type_is_documented_somewhere() -> None:
    found = set().union(*(types for operation in OPERATIONS.values() for types in documented(operation).values()))
    assert found == {kind.type for kind in errors.ALL}


def test_keys_and_tags_are_documented_where_they_work() -> None:
    for name, operation in OPERATIONS.items():
        headers = {one["name"] for one in operation.get("parameters", []) if one["in"] == "header"}
        method, path = name.split(" ")
        recorded = method == "POST" and path not in ("/v1/checks", "/v1/cover", "/v1/batch-plans")
        assert ("Idempotency-Key" in headers) == recorded, name
        assert ("If-Match" in headers) == (method == "PATCH"), name
        assert ("If-None-Match" in headers) == ("304" in operation["responses"]), name


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A service that has just made its demo workshop."""

    class Demo(Server):
        def environment(self) -> dict[str, str]:
            return {**super().environment(), "STILLROOM_SEED": "demo"}

    folder = tmp_path_factory.mktemp("demo")
    served = Demo(f"sqlite:///{folder}/demo.db", folder / "log")
    served.start()
    with served.client(served.owner) as client:
        yield client
    served.stop()


def address(operation: str, examples: dict[str, Any]) -> str:
    """The address with the examples of the page in it; every part of a path has one."""
    path = operation.split(" ")[1]
    for name in re.findall(r"{(\w+)}", path):
        assert name in examples, f"{operation}: no example of {name}"
        path = path.replace(f"{{{name}}}", str(examples.pop(name)))
    return path


def given(operation: dict[str, Any]) -> dict[str, Any]:
    """The examples of an operation's path and query; what must be given has one."""
    found = {one["name"]: one["example"] for one in operation.get("parameters", []) if "example" in one}
    needed = {one["name"] for one in operation.get("parameters", []) if one.get("required")}
    assert needed <= found.keys(), f"no example of {needed - found.keys()}"
    return found


MADE = {  # by what stands in its path: where one is made, and of what
    "/v1/webhooks/{code}": ("webhooks", {"url": "https://receiver.example/"}),
    "/v1/mail-receivers/{code}": ("mail-receivers", {"address": "maker@workshop.example"}),
    "/v1/calendar-feeds/{code}": ("calendar-feeds", {"name": "phone"}),
}


def prepare(client: httpx.Client, name: str, examples: dict[str, Any]) -> None:
    """What no example can know: a token's code is random."""
    if name == "DELETE /v1/tokens/{code}":
        assert re.fullmatch(r"t-[0-9a-f]{8}", examples["code"])
        tokens = client.get("/v1/tokens").json()["items"]
        examples["code"] = next(one["code"] for one in tokens if one["name"] == "phone at the bench")
    path = name.split(" ")[1]
    for start, (noun, body) in MADE.items():
        if path.startswith(start):
            examples["code"] = client.post(f"/v1/{noun}", json=body).json()["code"]
    if path.startswith("/v1/dispatches/{code}"):
        webhook = client.post("/v1/webhooks", json={"url": "https://receiver.example/"}).json()["code"]
        examples["code"] = client.post(f"/v1/webhooks/{webhook}/test").json()["code"]
    if path == "/v1/calendar.ics":
        address = client.post("/v1/calendar-feeds", json={"name": "phone"}).json()["secret_address"]
        examples["token"] = address.partition("?token=")[2]


def as_sent(kind: str, example: Any) -> dict[str, Any]:
    """An example as a client sends it in this media type."""
    if kind == "multipart/form-data":
        rest = {name: json.dumps(value) for name, value in example.items() if name != "file"}
        return {"files": {"file": ("orders.csv", example["file"])}, "data": rest}
    if kind == "text/csv":
        return {"content": example, "headers": {"Content-Type": kind}}
    return {"json" if kind == "application/json" else "data": example}


def test_the_page_says_how_to_send_a_file() -> None:
    """A generated client can send the file itself, alone or in a form, with the same fields beside it."""
    operation = OPERATIONS["POST /v1/imports/orders"]
    body = operation["requestBody"]["content"]
    assert body.keys() == {"application/json", "multipart/form-data", "text/csv"}
    form = body["multipart/form-data"]["schema"]
    assert form["properties"]["file"]["format"] == "binary"
    beside = form["properties"].keys() - {"file"}
    assert beside == PAGE["components"]["schemas"]["OrderImportIn"]["properties"].keys() - {"csv"}
    assert beside == {one["name"] for one in operation["parameters"] if one["in"] == "query"}


def test_answers_that_say_when_to_ask_again_document_it() -> None:
    for name, operation in OPERATIONS.items():
        for status, answer in operation["responses"].items():
            assert ("Retry-After" in answer.get("headers", {})) == (status in ("429", "503")), (name, status)


def test_every_example_works_on_the_demo_data_from_the_top_of_the_page_to_its_end(demo: httpx.Client) -> None:
    """In the order of the page, as a reader tries them out; each answers its documented success."""
    wrong, bodies = [], 0
    for name, operation in OPERATIONS.items():
        examples = given(operation)
        prepare(demo, name, examples)
        path = address(name, examples)
        media = operation.get("requestBody", {}).get("content", {"": None})
        for kind, body in media.items():
            sent: dict[str, Any] = {}
            if body is not None:
                assert "example" in body, f"{name}: no example of a body"
                sent = as_sent(kind, body["example"])
                bodies += 1
            answer = demo.request(name.split(" ")[0], path, params=examples, **sent)
            if answer.status_code != succeeded(operation):
                wrong.append((name, kind, answer.status_code, answer.text))
    assert not wrong
    assert bodies >= 15


def test_every_problem_has_a_page(demo: httpx.Client) -> None:
    kinds = {kind.type for kind in problems.KINDS}
    assert kinds > {kind.type for kind in errors.ALL}
    for kind in problems.KINDS:
        page = demo.get(f"/problems/{kind.type}", headers={"Authorization": ""})
        assert page.status_code == 200, kind.type
        assert page.headers["content-type"].startswith("text/html")
        assert kind.title.split("'")[0] in page.text
        assert str(kind.status) in page.text
    assert demo.get("/problems/no-such").status_code == 404


README = ROOT / "README.md"


def commands(of: argparse.ArgumentParser, before: str = "") -> Iterator[str]:
    """Every command of the command line, with the acts of those that have some."""
    for action in of._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, inner in action.choices.items():
                acts = list(commands(inner, f"{before}{name} "))
                yield from acts or [f"{before}{name}"]


def test_the_readme_names_every_setting_and_no_other() -> None:
    text = README.read_text(encoding="utf-8")
    known = {f"STILLROOM_{one.name.upper()}" for one in fields(Settings)}
    assert len(known) >= 10
    named = set(re.findall(r"\bSTILLROOM_[A-Z_]*[A-Z]\b", text))
    assert not known - named, "not in the README"
    assert not named - known - FOR_TESTS, "in the README, but no setting"


def test_the_readme_names_every_command() -> None:
    text = README.read_text(encoding="utf-8")
    known = list(commands(parser()))
    assert {"serve", "token add", "workshop list"} <= set(known)
    missing = [one for one in known if not re.search(rf"(?:service |`){re.escape(one)}\b", text)]
    assert not missing, "not in the README"


def test_the_readme_names_every_target_of_make() -> None:
    text = README.read_text(encoding="utf-8")
    targets = re.findall(r"^([a-z]+):.*## ", Path(ROOT / "Makefile").read_text(encoding="utf-8"), re.M)
    assert {"run", "test"} <= set(targets)
    assert not [one for one in targets if f"make {one}" not in text]
