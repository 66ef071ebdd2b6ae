"""What was told long ago is deleted with what became of it, a batch a look; what still matters stays."""

import pytest
from contract.guard import Guard
from telling.office import MORNING, Listener, Maker, Office, later

from service.actions import access
from service.actions.telling import old_messages
from service.actions.telling.old_messages import KEPT_DAYS, delete_old
from service.actions.telling.outbox import tell
from service.actions.telling.watch import Watch
from service.store import outbox
from service.store.engine import make_engine
from service.store.writer import Reader, SyncWriter

pytest_plugins = ["telling.rooms"]


def look(office: Office, maker: Maker) -> None:
    """A watcher's look at this workshop."""
    watch = Watch(office.reader, SyncWriter(office.engine), office.clock, 300, "watcher")
    [workshop] = [one for one in office.reader.read(access.list_workshops) if one.id == maker.workshop]
    watch._look(workshop)


def say(maker: Maker, text: str, event: str = "digest") -> None:
    maker.act(lambda scope: tell(scope, event, {"alert": "A-none", "text": text}))


def kept(maker: Maker) -> list[tuple[str, str]]:
    """What is left, oldest first: what it says, and what became of it."""
    shown = [maker.get(f"dispatches/{one['code']}") for one in maker.dispatches()]
    return [(one["body"]["data"].get("text") or one["body"]["data"]["kind"], one["state"]) for one in shown]


def messages(office: Office, maker: Maker) -> int:
    with office.engine.connect() as connection:
        asked = f"SELECT count(*) FROM message WHERE workshop_id = {maker.workshop}"
        return int(connection.exec_driver_sql(asked).scalar_one())


def test_what_arrived_and_what_was_parked_goes_after_ninety_days(office: Office, maker: Maker, listener: Listener) -> None:
    office.now = MORNING
    maker.webhook(listener.url("/digest"), events=["digest"])
    gone = maker.webhook(listener.url("/gone"), events=["alert.closed"])
    say(maker, "arrived")
    assert office.round() == 1
    say(maker, "given up", "alert.closed")
    maker.ask("DELETE", f"webhooks/{gone['code']}", 204)
    off = maker.webhook(listener.url("/off"), events=["alert.updated"])
    say(maker, "waits", "alert.updated")
    maker.patch(f"webhooks/{off['code']}", active=False)
    maker.webhook(listener.url("/opened"), events=["alert.opened"])
    for code in ("oil", "clay"):
        maker.post("materials", code=code, name=code.title())
    maker.post(
        "receipts", material="oil", quantity=5, expires_on="2026-03-09", received_on="2026-03-01"
    )  # it is never cleared away
    lot = maker.post("receipts", material="clay", quantity=5, expires_on="2026-03-12", received_on="2026-03-01")["lot"]
    maker.get("alerts")
    assert office.round() == 2
    maker.post("disposals", lot=lot, quantity=5, reason="expired")
    maker.get("alerts")
    office.now = later(MORNING, days=1)
    say(maker, "the day after")
    assert office.round() == 1
    told = [
        ("arrived", "sent"), ("given up", "parked"), ("waits", "waiting"), ("expired-on-the-shelf", "sent"),
        ("expires-soon", "sent"), ("the day after", "sent"),
    ]  # fmt: skip
    assert kept(maker) == told
    office.now = later(MORNING, days=KEPT_DAYS)
    look(office, maker)
    assert kept(maker) == told, "not a moment before"
    office.now = later(MORNING, days=KEPT_DAYS, seconds=1)
    look(office, maker)
    assert kept(maker) == told[2:4] + told[5:], "what waits stays, and what was told of an alert that is open"
    assert messages(office, maker) == 3
    maker.get("alerts")
    assert office.round() == 0, "nothing is told again"


def test_a_look_deletes_one_batch_the_oldest_first(
    office: Office, maker: Maker, stranger: Maker, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    office.now = MORNING
    for desk in (maker, stranger):
        desk.webhook(listener.url(), events=["digest"])
        for number in range(8):
            say(desk, str(number))
    assert office.round() == 16
    office.now = later(MORNING, days=KEPT_DAYS + 1)
    monkeypatch.setattr(old_messages, "BATCH", 3)
    guard, engine = Guard(), make_engine(office.settings.database_url, 2)
    guard.listen(engine)
    left = []
    for _ in range(4):
        delete_old(Reader(engine), SyncWriter(engine), maker.workshop, office.clock())
        left.append([text for text, _ in kept(maker)])
    engine.dispose()
    assert left == [["3", "4", "5", "6", "7"], ["6", "7"], [], []]
    assert messages(office, maker) == 0
    assert messages(office, stranger) == 8
    assert not guard.refused
    assert guard.seen >= 4


def test_what_is_tried_again_meanwhile_stays(office: Office, maker: Maker, listener: Listener) -> None:
    office.now = MORNING
    hook = maker.webhook(listener.url(), events=["digest"])
    listener.reply = lambda _, handler: handler.send_response_only(410) or handler.end_headers()
    for text in ("first", "second"):
        maker.patch(f"webhooks/{hook['code']}", active=True)
        say(maker, text)
        assert office.round() == 1
    maker.patch(f"webhooks/{hook['code']}", active=True)
    office.now = later(MORNING, days=KEPT_DAYS + 1)
    old = office.reader.read(lambda connection: outbox.old(connection, maker.workshop, office.clock(), 10))
    assert len(old) == 2
    maker.post(f"dispatches/{maker.dispatches()[0]['code']}/retry", 200)
    assert SyncWriter(office.engine).write(lambda connection: outbox.delete(connection, maker.workshop, old)) == 1
    assert kept(maker) == [("first", "waiting")]
