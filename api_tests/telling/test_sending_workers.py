"""Several workers, and workers killed in the middle: nothing twice while all live, nothing lost when one does not."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from datetime import UTC, datetime

import pytest
from conftest import ROOT
from contract.guard import Guard
from telling.office import Listener, Maker, Office, Plain, later

from service.actions.telling import alerts, sending
from service.actions.telling.outbox import tell
from service.store.engine import make_engine
from service.store.writer import Reader

pytest_plugins = ["telling.rooms"]

WORKER = """
import sys
from datetime import datetime
from telling.office import Plain
from service.actions.telling import sending
from service.settings import Settings
from service.store.engine import make_engine
from service.store.writer import Reader
engine = make_engine(sys.argv[1], 8)
settings = Settings(database_url=sys.argv[1], webhook_private=True)
print(sending.round(Reader(engine), Plain(engine), settings, datetime.fromisoformat(sys.argv[2])))
"""


def start(office: Office, now: datetime) -> "subprocess.Popen[str]":
    """A worker's round in a process of its own."""
    command = [sys.executable, "-c", WORKER, office.settings.database_url, now.isoformat()]
    paths = os.pathsep.join([str(ROOT), str(ROOT / "api_tests")])
    return subprocess.Popen(command, env={**os.environ, "PYTHONPATH": paths}, stdout=subprocess.PIPE, text=True)


def test_what_a_killed_worker_was_sending_is_taken_over_under_the_same_id(
    office: Office, maker: Maker, listener: Listener
) -> None:  # fmt: skip
    office.now = datetime.now(UTC)
    made = maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "digest", {"text": "Nothing."}))
    maker.act(lambda scope: tell(scope, "alert.closed", {"alert": "A-0001"}))
    listener.reply = lambda *_: time.sleep(20)
    worker = start(office, office.now)
    assert listener.arrived.wait(20), "the worker began to send"
    worker.send_signal(signal.SIGKILL)
    assert worker.wait(10) == -signal.SIGKILL
    assert worker.stdout is not None
    worker.stdout.close()
    listener.reply = lambda got, handler: handler.send_response_only(204) or handler.end_headers()
    assert office.round() == 0, "its claim still holds"
    assert [one["attempts"] for one in maker.dispatches()] == [0, 0]
    office.now = later(office.now, seconds=sending.CLAIM_SECONDS + 1)
    assert office.round() == 2
    ids = [got.headers["webhook-id"] for got in listener.got]
    assert len(ids) == 3
    assert ids[0] == ids[1] != ids[2], "the one that was under way is sent again, the other once"
    assert listener.got[0].body == listener.got[1].body
    assert [one["state"] for one in maker.dispatches(f"&webhook={made['code']}")] == ["sent", "sent"]


def test_no_round_looks_past_a_wall(office: Office, maker: Maker, listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alerts, "today", lambda _: [{"sentence": "Shea butter is to be ordered today."}])
    maker.webhook(listener.url())
    maker.patch("workshop", digest_hour=0)
    maker.post("mail-receivers", address="maker@workshop.example")
    maker.act(lambda scope: tell(scope, "alert.opened", {"alert": "A-0001", "severity": "urgent", "sentence": "Now."}))
    guard = Guard()
    engine = make_engine(office.settings.database_url, 8)
    guard.listen(engine)
    for status in (410, 200):  # what comes of a refusal, and of an arrival
        listener.reply = lambda _, handler, status=status: handler.send_response_only(status) or handler.end_headers()
        sending.round(Reader(engine), Plain(engine), office.settings, office.clock())
        for hook in maker.get("webhooks")["items"]:
            maker.patch(f"webhooks/{hook['code']}", active=True)
    engine.dispose()
    assert not guard.refused
    assert guard.seen > 10
    assert {one["state"] for one in maker.dispatches()} == {"waiting", "parked", "sent"}


def test_workers_at_once_send_each_message_once(office: Office, maker: Maker, stranger: Maker, listener: Listener) -> None:
    for at in range(3):
        maker.webhook(listener.url(f"/{at}"))
    stranger.webhook(listener.url("/stranger"))
    for n in range(6):
        for desk in (maker, stranger):
            desk.act(lambda scope, n=n: tell(scope, "alert.opened", {"alert": f"A-{n}"}))
    engines = [make_engine(office.settings.database_url, 8) for _ in range(4)]
    tried: list[int] = []
    ready = threading.Barrier(len(engines))

    def work(at: int) -> None:
        ready.wait()
        for _ in range(4):
            tried.append(sending.round(Reader(engines[at]), Plain(engines[at]), office.settings, office.clock()))

    workers = [threading.Thread(target=work, args=(at,)) for at in range(len(engines))]
    for one in workers:
        one.start()
    for one in workers:
        one.join(60)
    for engine in engines:
        engine.dispose()
    came = Counter((got.path, got.headers["webhook-id"]) for got in listener.got)
    assert len(came) == 4 * 6
    assert set(came.values()) == {1}
    assert sum(tried) == 4 * 6
    for desk in (maker, stranger):
        assert {(one["state"], one["attempts"]) for one in desk.dispatches()} == {("sent", 1)}


def test_a_round_that_is_told_to_stop_gives_back_what_is_left(office: Office, maker: Maker, listener: Listener) -> None:
    """What is under way is finished; nobody has to wait until a claim ends."""
    maker.webhook(listener.url())
    for n in range(3):
        maker.act(lambda scope, n=n: tell(scope, "digest", {"text": str(n)}))
    stopped = threading.Event()
    listener.reply = lambda _, handler: stopped.set() or handler.send_response_only(204) or handler.end_headers()
    now = office.now = office.clock()
    assert sending.round(office.reader, office.writer, office.settings, now, stopped) == 1
    assert [(one["state"], one["attempts"]) for one in maker.dispatches()] == [("sent", 1), ("waiting", 0), ("waiting", 0)]
    assert sending.round(office.reader, office.writer, office.settings, now, stopped) == 0
    assert office.round() == 2, "at the same moment"
    assert len({got.headers["webhook-id"] for got in listener.got}) == len(listener.got) == 3


def test_who_comes_too_late_undoes_nothing(office: Office, maker: Maker, listener: Listener) -> None:
    """A worker so slow that its claim has ended: what it finds out late never takes back what arrived."""
    office.now = datetime.now(UTC)
    maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "digest", {"text": "Nothing."}))
    meanwhile: list[int] = []

    def reply(_: object, handler: object) -> None:
        if not meanwhile:  # while the first worker waits for its answer, another takes over and succeeds
            meanwhile.append(0)
            late = later(office.clock(), seconds=sending.CLAIM_SECONDS + 1)
            meanwhile[0] = sending.round(office.reader, office.writer, office.settings, late)
            handler.send_response_only(500)  # type: ignore[attr-defined]
        else:
            handler.send_response_only(200)  # type: ignore[attr-defined]
        handler.end_headers()  # type: ignore[attr-defined]

    listener.reply = reply  # type: ignore[assignment]
    assert office.round() == 1
    assert meanwhile == [1]
    (one,) = maker.dispatches()
    assert (one["state"], one["last_error"], one["attempts"]) == ("sent", None, 1)
    office.now = later(office.now, hours=1)
    assert office.round() == 0
