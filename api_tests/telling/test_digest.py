"""The digest: once a workshop and day, at its hour, whatever clocks and workers do."""

import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from telling.office import MORNING, Listener, Maker, Office, Plain, later

from service.actions.telling import alerts, digest
from service.store.engine import make_engine
from service.store.writer import Reader

pytest_plugins = ["telling.rooms"]

TODO = [{"alert": "A-0001", "sentence": "Shea butter is to be ordered today."}]


@pytest.fixture(autouse=True)
def to_do(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What needs doing; a test may empty it."""
    found = list(TODO)
    monkeypatch.setattr(alerts, "today", lambda _: list(found))
    return found


def told(maker: Maker) -> list[dict[str, Any]]:
    return [maker.get(f"dispatches/{one['code']}") for one in maker.dispatches()]


@pytest.mark.parametrize(
    ("zone", "hour", "first", "changes"),
    [
        ("Europe/Vienna", 2, datetime(2026, 3, 28, tzinfo=UTC), "2026-03-29"),  # 2:00 is leapt over
        ("Europe/Vienna", 2, datetime(2026, 10, 24, tzinfo=UTC), "2026-10-25"),  # 2:00 comes twice
        ("America/Santiago", 0, datetime(2026, 9, 4, 6, tzinfo=UTC), "2026-09-06"),  # midnight is leapt over
        ("Pacific/Auckland", 23, datetime(2026, 4, 3, 6, tzinfo=UTC), "2026-04-05"),
    ],
)
def test_once_a_day_over_the_changes_of_clocks(
    office: Office, maker: Maker, zone: str, hour: int, first: datetime, changes: str
) -> None:  # fmt: skip
    there = ZoneInfo(zone)
    noon = datetime.fromisoformat(f"{changes}T12:00").replace(tzinfo=there)
    assert noon.utcoffset() != (noon - timedelta(days=1)).utcoffset(), "the clocks do change"
    maker.webhook("https://receiver.example/", events=["digest"])
    maker.patch("workshop", time_zone=zone, digest_hour=hour)
    moments: list[datetime] = []
    days = [(first + timedelta(minutes=15 * n)) for n in range(4 * 24 * 3)]
    for moment in days:
        before = moment - timedelta(minutes=15)
        digest.tell_due(office.reader, office.writer, moment)
        moments.append(before)
    by_day = Counter(one["body"]["data"]["day"] for one in told(maker))
    full = {str((first.astimezone(there) + timedelta(days=n)).date()) for n in range(1, 3)}
    assert full <= by_day.keys()
    assert changes in full
    assert set(by_day.values()) == {1}
    for one in told(maker):
        at = datetime.fromisoformat(one["body"]["timestamp"]).astimezone(there)
        assert str(at.date()) == one["body"]["data"]["day"]
        if str(at.date()) in full:
            earlier = (at.astimezone(UTC) - timedelta(minutes=15)).astimezone(there)
            assert at.hour >= hour, "not before its hour"
            assert earlier.date() < at.date() or earlier.hour < hour, "and no later than it must"


def test_it_says_what_needs_doing(office: Office, maker: Maker, listener: Listener) -> None:
    office.now = MORNING
    maker.webhook(listener.url(), events=["digest"])
    maker.patch("workshop", digest_hour=6)
    assert office.round() == 1
    (one,) = told(maker)
    assert one["body"]["type"] == "digest"
    assert one["body"]["data"] == {
        "workshop": maker.get("workshop")["name"], "day": "2026-03-10", "text": TODO[0]["sentence"], "alerts": TODO,
    }  # fmt: skip
    assert len(listener.got) == 1


def test_a_worker_that_was_down_tells_it_later_that_day_and_only_that_day(office: Office, maker: Maker) -> None:
    maker.webhook("https://receiver.example/", events=["digest"])
    maker.patch("workshop", digest_hour=6)
    for moment in (MORNING, later(MORNING, hours=1), later(MORNING, days=3, hours=11), later(MORNING, days=3, hours=12)):
        digest.tell_due(office.reader, office.writer, moment)
    assert [one["body"]["data"]["day"] for one in told(maker)] == ["2026-03-10", "2026-03-13"]


def test_many_workers_tell_it_once(office: Office, maker: Maker, stranger: Maker) -> None:
    for desk in (maker, stranger):
        desk.webhook("https://receiver.example/", events=["digest"])
        desk.patch("workshop", digest_hour=0)
    engines = [make_engine(office.settings.database_url, 2) for _ in range(5)]
    ready = threading.Barrier(len(engines))

    def work(at: int) -> None:
        ready.wait()
        digest.tell_due(Reader(engines[at]), Plain(engines[at]), MORNING)

    workers = [threading.Thread(target=work, args=(at,)) for at in range(len(engines))]
    for one in workers:
        one.start()
    for one in workers:
        one.join(30)
    for engine in engines:
        engine.dispose()
    assert len(told(maker)) == len(told(stranger)) == 1


def test_a_quiet_day_and_a_workshop_without_an_hour_hear_nothing(office: Office, maker: Maker, to_do: list[Any]) -> None:
    maker.webhook("https://receiver.example/", events=["digest"])
    digest.tell_due(office.reader, office.writer, MORNING)
    assert maker.get("workshop")["digest_hour"] is None
    assert maker.patch("workshop", digest_hour=6)["digest_hour"] == 6
    to_do.clear()
    digest.tell_due(office.reader, office.writer, MORNING)
    to_do.extend(TODO)
    digest.tell_due(office.reader, office.writer, later(MORNING, hours=2))  # what came up since is told by its own message
    assert told(maker) == []
    digest.tell_due(office.reader, office.writer, later(MORNING, days=1))
    assert len(told(maker)) == 1
    assert maker.patch("workshop", digest_hour=None)["digest_hour"] is None
    digest.tell_due(office.reader, office.writer, later(MORNING, days=2))
    assert len(told(maker)) == 1
    for wrong in (24, -1, "six", 6.5, True):
        maker.patch("workshop", 422, digest_hour=wrong)


def test_who_waits_for_the_digest_of_a_workshop_without_an_hour_is_told_so(maker: Maker) -> None:
    def warned(receiver: dict[str, Any]) -> bool:
        return "no-digest-hour" in [one["type"] for one in maker.get(f"mail-receivers/{receiver['code']}")["warnings"]]

    daily = maker.post("mail-receivers", address="maker@workshop.example")
    urgent = maker.post("mail-receivers", address="maker@workshop.example", what=["urgent"])
    assert (warned(daily), warned(urgent)) == (True, False)
    maker.patch("workshop", digest_hour=6)
    assert not warned(daily)


def test_one_workshops_trouble_is_not_anothers(
    office: Office, maker: Maker, stranger: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    for desk in (maker, stranger):
        desk.webhook("https://receiver.example/", events=["digest"])
        desk.patch("workshop", digest_hour=6)

    def today(scope: Any) -> list[Any]:
        if scope.workshop.id == maker.workshop:
            raise ArithmeticError
        return list(TODO)

    monkeypatch.setattr(alerts, "today", today)
    digest.tell_due(office.reader, office.writer, MORNING)
    assert (len(told(maker)), len(told(stranger))) == (0, 1)
    monkeypatch.setattr(alerts, "today", lambda _: list(TODO))
    digest.tell_due(office.reader, office.writer, later(MORNING, minutes=5))
    assert (len(told(maker)), len(told(stranger))) == (1, 1), "the day was not taken by the one that failed"
