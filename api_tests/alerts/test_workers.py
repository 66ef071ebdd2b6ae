"""`python -m service worker`, any number of processes on one PostgreSQL; one is killed while it looks."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import ROOT
from contract.inprocess import new_database, running
from sqlalchemy import Engine, text

from service.store.engine import make_engine

TURNS_SECONDS = 60


@contextmanager
def worker(url: str, log: Path, **more: str) -> Iterator[subprocess.Popen[bytes]]:
    environment = {**os.environ, "STILLROOM_DATABASE_URL": url, "STILLROOM_WATCH_SECONDS": "2", **more}
    with log.open("ab") as out:
        process = subprocess.Popen([sys.executable, "-m", "service", "worker"], cwd=ROOT, env=environment, stdout=out, stderr=out)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            assert process.wait(20) == 0, log.read_text()


def ask(engine: Engine, statement: str) -> list[Any]:
    with engine.connect() as connection:
        return list(connection.execute(text(statement)))


def until(found: Any, what: str, log: Path) -> Any:
    """What a query finds, as soon as it finds something."""
    end = time.monotonic() + TURNS_SECONDS
    while time.monotonic() < end:
        if rows := found():
            return rows
        time.sleep(0.01)
    raise AssertionError(f"{what}: {log.read_text()[-2000:]}")


def busy_workshop(client: httpx.Client) -> None:
    """Something to compute: orders, and a material that does not last."""
    lines = [{"material": "oil", "percent": "rest"}]
    rows = ["order,date,channel,product,units"]
    rows += [
        f"o{week}-{day},2026-{1 + week // 4:02}-{1 + 7 * (week % 4) + day:02},online,p,3" for week in range(40) for day in (0, 3)
    ]
    for path, body in (
        ("materials", {"code": "oil", "name": "Oil"}),
        ("formulas", {"code": "f", "name": "F", "lines": lines}),
        ("products", {"code": "p", "name": "P", "formula": "f", "fill_g": 100}),
        ("receipts", {"material": "oil", "quantity": 500, "expires_on": "2020-01"}),
        ("imports/orders", {"csv": "\n".join(rows) + "\n"}),
    ):
        answer = client.post(f"/v1/{path}", json=body)
        assert answer.status_code == 201, answer.text


def test_a_killed_worker_is_replaced_and_every_alert_opens_once(postgresql: str, tmp_path: Path) -> None:
    url, log = new_database(postgresql, "workers"), tmp_path / "log"
    with running(url) as house:
        for _ in range(3):
            with house.client(house.new_workshop()) as client:
                busy_workshop(client)
    engine = make_engine(url, 2)
    claimed = "SELECT claimed_by, workshop_id FROM watch WHERE claimed_by IS NOT NULL"
    with worker(url, log) as first, worker(url, log) as second:
        owner, workshop = until(lambda: ask(engine, claimed), "nobody claimed anything", log)[0]
        pid = int(owner.split("-")[-2])
        assert pid in (first.pid, second.pid)
        os.kill(pid, signal.SIGKILL)
        (first if pid == first.pid else second).wait(10)
        gone = f"SELECT 1 FROM watch WHERE workshop_id = {workshop} AND (claimed_by IS NULL OR claimed_by <> '{owner}')"
        taken = f"{gone} AND looked_at IS NOT NULL"
        until(lambda: ask(engine, taken), "the killed worker's workshop was not taken over", log)
        every = "SELECT 1 FROM watch WHERE looked_at IS NOT NULL"
        until(lambda: len(ask(engine, every)) == 3, "not every workshop was looked at", log)
        time.sleep(2.5)  # another interval: nothing opens twice
    told = ask(engine, "SELECT workshop_id, kind, count(*) FROM alert GROUP BY workshop_id, kind ORDER BY workshop_id, kind")
    kinds = [[kind for number, kind, _ in told if number == workshop] for workshop in (1, 2, 3)]
    assert kinds[0] == kinds[1] == kinds[2]
    assert {"expired-on-the-shelf", "order-now"} <= set(kinds[0])
    assert {count for _, _, count in told} == {1}
    assert ask(engine, claimed) == []
    engine.dispose()


@pytest.mark.parametrize(
    ("url", "seconds", "said"),
    [
        ("sqlite:///x.db", "300", "the process that serves a SQLite file watches it too"),
        ("postgresql://nobody@127.0.0.1:1/none", "0", "STILLROOM_WATCH_SECONDS is 0"),
    ],
)
def test_a_worker_that_would_do_nothing_says_so_in_a_line(url: str, seconds: str, said: str, tmp_path: Path) -> None:
    environment = {**os.environ, "STILLROOM_DATABASE_URL": url, "STILLROOM_WATCH_SECONDS": seconds}
    command = [sys.executable, "-m", "service", "worker"]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (ROOT / "x.db").exists()
