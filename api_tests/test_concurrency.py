"""Sixteen clients at once: no error, no lost or doubled gram."""

import random
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from pathlib import Path
from typing import Any

import httpx
from conftest import PLAIN, SOAK, Bench, Server
from durability.clients import COUNTED, LATE, MATERIALS, START, USUAL, Asked, Desk, answered, desks, each_posts, set_up, tally
from durability.proof import PATHS

CLIENTS = 16
PAPERS = 100 if SOAK else 6  # a client


def test_overlapping_runs_deduct_every_gram_once(server: Server, stocked: Bench) -> None:
    headers = dict(stocked.client.headers)

    def client(number: int) -> list[int]:
        with httpx.Client(base_url=server.base, headers=headers, timeout=60, verify=PLAIN) as mine:
            body = {"product": "balm-50", "units": 1}
            return [mine.post("/v1/runs", json=body).status_code for _ in range(5)]

    with ThreadPoolExecutor(16) as pool:
        statuses = [status for found in pool.map(client, range(16)) for status in found]
    assert set(statuses) == {201}
    assert stocked.get("materials/tin")["on_hand"] == 20
    assert stocked.get("products/balm-50")["on_hand"] == 80
    batch = sum(line["quantity"] for line in stocked.get("formulas/balm/sheet?product=balm-50&units=1")["lines"])
    left = sum(float(str(stocked.get(f"materials/{code}")["on_hand"])) for code in ("shea", "oil", "wax"))
    assert round(11_000 - left, 3) == round(80 * batch, 3)


def test_papers_of_every_kind_at_once_lose_and_double_nothing(server: Server, owner: httpx.Client) -> None:
    expect_sound(server, owner, {"run": 5, "receipt": 3, "count": 1, "disposal": 1, "reversal": 1})


def test_backdated_papers_at_once_lose_and_double_nothing(server: Server, owner: httpx.Client) -> None:
    expect_sound(server, owner, LATE)


def test_one_key_sent_by_all_at_once_is_one_run(server: Server, owner: httpx.Client) -> None:
    set_up(Bench(owner))
    token = str(owner.headers["Authorization"]).removeprefix("Bearer ")
    working = desks(server.base, token, CLIENTS, 0)
    for number in range(3):
        copies = [Asked(f"same-{number}", "runs", {"product": "balm-50", "units": 2}) for _ in working]

        def ask(desk: Desk, copy: Asked) -> None:
            with desk.client() as client:
                desk.post(client, copy)

        with ThreadPoolExecutor(CLIENTS) as pool:
            list(pool.map(ask, working, copies))
        assert not [said for desk in working for said in desk.surprises]
        assert len({copy.code for copy in copies}) == 1
        assert sum(copy.replayed for copy in copies) == CLIENTS - 1
    assert Bench(owner).get("products/balm-50")["on_hand"] == 6


class Narrow(Server):
    """A server at which no more than two writes may wait."""

    def environment(self) -> dict[str, str]:
        return {**super().environment(), "STILLROOM_QUEUE_LIMIT": "2"}


def test_writes_told_to_come_back_are_kept_once_when_they_do(tmp_path: Path) -> None:
    server = Narrow(f"sqlite:///{tmp_path}/x.db", tmp_path / "log")
    server.start()
    try:
        with server.client(server.owner) as owner:
            busy = expect_sound(server, owner, USUAL)
    finally:
        server.stop()
    assert busy, "nothing had to wait: this proves nothing"


def expect_sound(server: Server, owner: httpx.Client, mix: dict[str, int]) -> int:
    """Post at once; every answer is one that is allowed, and the books add up in three ways. How often it was busy."""
    bench = Bench(owner)
    set_up(bench)
    seed = random.randrange(1 << 30)
    token = str(owner.headers["Authorization"]).removeprefix("Bearer ")
    working = desks(server.base, token, CLIENTS, seed, mix)
    each_posts(working, PAPERS)
    busy = sum(desk.busy for desk in working)
    said = f"seed {seed}, busy {busy} times"
    assert not [one for desk in working for one in desk.surprises], said
    if busy:
        documented = owner.get("/openapi.json").json()["paths"]
        assert all("503" in documented[f"/v1/{path}"]["post"]["responses"] for path in PATHS.values())
    assert not [one for desk in working for one in desk.unanswered()], said
    assert len(answered(working, "runs")) > CLIENTS, said
    for code, wanted in tally(working).items():
        shown = bench.get(f"{'materials' if code == 'tin' else 'products'}/{code}")
        assert figure(shown, "on_hand") - figure(shown, "unbooked") == wanted * 1000, f"{code}: {said}"
    for code in MATERIALS:
        expect_sums(owner, code, said)
    expect_law_3(owner, said)
    proved = server.command("verify")
    assert proved.returncode == 0, f"{proved.stdout}{proved.stderr}{said}"
    return busy


def figure(shown: dict[str, Any], name: str) -> int:
    """In milligrams or thousandths of a piece, so that sums are exact."""
    return round(float(shown[name]) * 1000)


def all_of(client: httpx.Client, path: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    page: str | None = f"/v1/{path}{'&' if '?' in path else '?'}limit=200"
    while page:
        answer = client.get(page)
        assert answer.status_code == 200, answer.text
        found += answer.json()["items"]
        page = answer.links["next"]["url"] if "next" in answer.links else None
    return found


def expect_sums(client: httpx.Client, code: str, said: str) -> None:
    """Each lot's balance is the sum of its movements; what has no lot is unbooked."""
    sums: dict[str | None, int] = {}
    for move in all_of(client, f"materials/{code}/movements"):
        sums[move["lot"]] = sums.get(move["lot"], 0) + figure(move, "quantity")
    unbooked = sums.pop(None, 0)
    lots = {lot["code"]: figure(lot, "on_hand") for lot in all_of(client, f"lots?item={code}&empty=true")}
    assert sums == lots, f"{code}: {said}"
    assert -unbooked == figure(Bench(client).get(f"materials/{code}"), "unbooked"), f"{code}: {said}"


def expect_law_3(client: httpx.Client, said: str) -> None:
    """Received = on hand - unbooked + used + disposed + what counts found missing, from the documents as known now."""
    papers = {path: [one for one in all_of(client, path) if not one["reversed"]] for path in ("receipts", "counts", "disposals")}
    runs = [run for run in all_of(client, "runs") if run["state"] == "completed"]
    used = list(chain.from_iterable(run["used"] for run in runs))
    for code in MATERIALS:
        shown = Bench(client).get(f"materials/{code}")
        received = sum(figure(one, "quantity") for one in papers["receipts"] if one["material"] == code)
        gone = sum(figure(one, "quantity") for one in used if one["material"] == code)
        gone += sum(figure(one, "quantity") for one in papers["disposals"] if one["item"] == code)
        gone -= sum(figure(one, "difference") for one in papers["counts"] if one["item"] == code)
        assert received >= START[code] * 1000, code
        assert received == figure(shown, "on_hand") - figure(shown, "unbooked") + gone, f"{code}: {said}"
    assert not {one["item"] for one in papers["counts"]} - {COUNTED}
