"""Law 12: every acknowledged write survives a killed process, once; no other is half there (SIGKILL under load)."""

import random
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from conftest import SOAK, Bench, Server
from contract.inprocess import new_database
from durability.clients import Asked, Desk, answered, at_work, code_of, desks, set_up, tally
from durability.moment import kill
from durability.proof import faults, snapshot

CLIENTS = 6
KILLS = 20 if SOAK else 4  # of one database, which then is left for a new one: verify draws everything again
MOST = 3 * KILLS  # in case none has met an open transaction by then
DATABASES = 10 if SOAK else 1


@dataclass
class Report:
    """What the kills met."""

    engine: str
    kills: int = 0
    met: int = 0  # an open transaction
    unanswered: int = 0
    kept: int = 0  # unanswered, yet committed: only the answer was lost
    acknowledged: int = 0

    def __str__(self) -> str:
        lost = f"{self.unanswered} requests without an answer ({self.kept} of them were kept)"
        return f"{self.engine}: {self.kills} kills, {self.met} met an open transaction; {self.acknowledged} acknowledged, {lost}"


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_a_killed_server_keeps_what_it_acknowledged_and_nothing_by_halves(
    engine: str, tmp_path: Path, request: pytest.FixtureRequest, record_property: Callable[[str, object], None]
) -> None:
    report = Report(engine)
    for number in range(DATABASES):
        if engine == "sqlite":
            url = f"sqlite:///{tmp_path}/{number}.db"
        else:
            url = new_database(request.getfixturevalue("postgresql"), "kills")
        killed_often(Server(url, tmp_path / "log"), report)
    print(report)
    record_property("kills", str(report))
    assert report.met, f"no kill met an open transaction: {report}"
    assert report.unanswered, report


def killed_often(server: Server, report: Report) -> None:
    server.start()
    try:
        with server.client(server.owner) as client:
            before = set_up(Bench(client))
        seed = random.randrange(1 << 30)
        working = desks(server.base, server.owner, CLIENTS, seed)
        kills, met = 0, 0
        while kills < KILLS or (not met and kills < MOST):
            met += one_kill(server, working, before, report, seed)
            kills += 1
        expect_tally(server, working)
    finally:
        server.stop()


def one_kill(server: Server, working: list[Desk], before: set[str], report: Report, seed: int) -> bool:
    begun = [len(desk.asked) for desk in working]
    threads, over = at_work(working)
    time.sleep(random.uniform(0.2, 0.9))  # any moment will do: the writer is seldom idle
    met = kill(server)
    over.set()
    for thread in threads:
        thread.join(60)
    waiting = [one for desk in working for one in desk.unanswered()]
    report.kills, report.met, report.unanswered = report.kills + 1, report.met + met, report.unanswered + len(waiting)
    report.acknowledged += sum(one.answer is not None for desk in working for one in desk.asked[begun[desk.number] :])
    server.start()
    said = f"{report} (seed {seed})"
    expect_whole(server, working, before, said)
    report.kept += ask_again(working[0], waiting)
    expect_whole(server, working, before, said)
    proved = server.command("verify")
    assert proved.returncode == 0, f"{proved.stdout}{proved.stderr}{said}"
    assert not [one for desk in working for one in desk.surprises], said
    return met


def expect_whole(server: Server, working: list[Desk], before: set[str], said: str) -> None:
    """Nothing by halves; under the key of each answer that very answer, and its document once (see `faults`)."""
    books = snapshot(server.url)
    found, kept = list(faults(books, before)), books.keys
    assert not found, f"{found[:5]}: {said}"
    for desk in working:
        for one in desk.asked:
            if one.answer is not None:
                assert one.key in kept, f"{one.path} {one.code} was acknowledged and is gone: {said}"
                assert httpx.Response(201, text=kept[one.key].answer).json() == one.answer, said
            elif one.refused is not None:
                assert one.key not in kept, f"{one.path} {one.body} was refused and is there: {said}"


def ask_again(desk: Desk, waiting: list[Asked]) -> int:
    """Everything without an answer, each twice at once with its key: one paper. How many had been kept before."""
    kept = 0
    with desk.client() as client, ThreadPoolExecutor(8) as pool:
        for first in waiting:
            second = Asked(first.key, first.path, first.body)
            list(pool.map(lambda one: desk.post(client, one), (first, second)))
            assert (first.answer, first.refused) == (second.answer, second.refused)
            assert first.answer is not None or first.refused is not None, desk.surprises
            kept += first.replayed and second.replayed
    return kept


def expect_tally(server: Server, working: list[Desk]) -> None:
    """Runs by their batch codes exactly once in the list, and tins and jars as arithmetic says."""
    with server.client(server.owner) as client:
        bench = Bench(client)
        for code, wanted in tally(working).items():
            shown = bench.get(f"{'materials' if code == 'tin' else 'products'}/{code}")
            assert shown["on_hand"] - shown["unbooked"] == wanted, code  # type: ignore[operator]
        listed: list[str] = []
        page: str | None = "/v1/runs?limit=200"
        while page:
            said = client.get(page)
            listed += [code_of("runs", one) for one in said.json()["items"]]
            page = said.links["next"]["url"] if "next" in said.links else None
    assert sorted(listed) == sorted(one.code for one in answered(working, "runs"))
