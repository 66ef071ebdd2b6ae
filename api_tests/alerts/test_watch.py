"""The watch: every workshop looked at once an interval, by one process at a time; what a killed one had is taken over."""

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, NoReturn

import pytest
from alerts.year import FIRST, Clock
from contract.inprocess import House, new_database, running
from sqlalchemy import Row, text

from service.actions import access, compute
from service.actions.recent import Recent
from service.actions.scope import Scope, WorkshopFacts
from service.actions.telling import alerts as telling
from service.actions.telling import look as looking
from service.actions.telling.watch import CLAIM_SECONDS, Watch
from service.errors import Busy
from service.store import alerts, watches
from service.store.engine import writing
from service.store.writer import Reader, SyncWriter, run_once

INTERVAL = 300
LATER = timedelta(seconds=CLAIM_SECONDS + 1)


class Watched:
    """A running application without a watch of its own, and processes that watch its database, as they come and go."""

    def __init__(self, house: House, clock: Clock) -> None:
        self.house, self.clock = house, clock
        self.reader = Reader(house.engine)

    def process(self, name: str) -> Watch:
        return Watch(self.reader, SyncWriter(self.house.engine), self.clock, INTERVAL, name)

    def workshop(self, units: int = 0) -> WorkshopFacts:
        """A new workshop in which, with units, something needs doing."""
        with self.house.client(self.house.new_workshop()) as client:
            made = client.post("/v1/materials", json={"code": "oil", "name": "Oil"})
            assert made.status_code == 201, made.text
            body = {"material": "oil", "quantity": units, "expires_on": "2031-01-01"}
            if units:
                assert client.post("/v1/receipts", json=body).status_code == 201
        return self.reader.read(access.list_workshops)[-1]

    def row(self, workshop: WorkshopFacts) -> Row[Any] | None:
        return self.reader.read(lambda connection: watches.of(connection, workshop.id))

    def told(self, workshop: WorkshopFacts) -> list[tuple[str, bool]]:
        """Kinds of all alerts ever, and whether they are closed, without looking."""
        rows = self.reader.read(lambda connection: alerts.page(connection, workshop.id, None, False, None, 1000))
        return [(row.kind, row.closed_at is not None) for row in reversed(rows)]

    def sql(self, statement: str, **values: Any) -> None:
        run_once(writing(self.house.engine), lambda connection: connection.execute(text(statement), values))


@pytest.fixture(params=["sqlite", "postgresql"])
def watched(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Watched]:
    url = f"sqlite:///{tmp_path}/watch.db"
    if request.param == "postgresql":
        url = new_database(request.getfixturevalue("postgresql"), "watch")
    clock = Clock()
    with running(url, clock=clock) as house:
        yield Watched(house, clock)


def test_a_workshop_is_looked_at_once_an_interval_by_whoever_comes_first(watched: Watched) -> None:
    shop = watched.workshop(units=5)
    one, other = watched.process("one"), watched.process("other")
    assert one.round() == 1
    assert watched.told(shop) == [("expired-on-the-shelf", False)]
    row = watched.row(shop)
    assert row is not None
    assert (row.claimed_by, row.claimed_until, row.error) == (None, None, None)
    assert (row.looked_at, row.next_at) == (FIRST, FIRST + timedelta(seconds=INTERVAL))
    assert other.round() == one.round() == 0
    watched.clock.now += timedelta(seconds=INTERVAL - 1)
    assert other.round() == one.round() == 0
    watched.clock.now += timedelta(seconds=1)
    assert other.round() == 1
    assert one.round() == 0


def test_what_a_killed_process_had_is_taken_over_when_its_claim_runs_out(watched: Watched) -> None:
    shop = watched.workshop(units=5)
    killed, other = watched.process("killed"), watched.process("other")
    assert killed._claimed(shop, watched.clock())  # and then nothing more is heard of it
    assert other.round() == 0
    watched.clock.now += LATER - timedelta(seconds=2)
    assert other.round() == 0
    assert watched.told(shop) == []
    watched.clock.now += timedelta(seconds=2)
    assert other.round() == 1
    assert watched.told(shop) == [("expired-on-the-shelf", False)]
    killed._look(shop)  # it was only very slow: its look changes nothing more, and the next look stays when it was
    assert watched.told(shop) == [("expired-on-the-shelf", False)]
    row = watched.row(shop)
    assert row is not None
    assert row.next_at == watched.clock() + timedelta(seconds=INTERVAL)


def test_many_processes_at_once_look_at_each_workshop_once(watched: Watched) -> None:
    shops = [watched.workshop(units=5) for _ in range(4)]
    counts: list[int] = []

    def work(name: str) -> None:
        process = watched.process(name)
        counts.append(sum(process.round() for _ in range(3)))

    threads = [threading.Thread(target=work, args=(f"process-{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sum(counts) == len(shops) == 4
    assert all(watched.told(shop) == [("expired-on-the-shelf", False)] for shop in shops)


def test_a_workshop_that_cannot_be_looked_at_says_why_and_stops_no_other(watched: Watched) -> None:
    broken, whole = watched.workshop(units=5), watched.workshop(units=5)
    watched.sql("UPDATE item SET facts = 'no json' WHERE workshop_id = :workshop", workshop=broken.id)
    process = watched.process("one")
    assert process.round() == 2
    assert (watched.told(broken), watched.told(whole)) == ([], [("expired-on-the-shelf", False)])
    row = watched.row(broken)
    assert row is not None
    assert row.error.startswith("JSONDecodeError")
    watched.sql("UPDATE item SET facts = '{}' WHERE workshop_id = :workshop", workshop=broken.id)
    watched.clock.now += timedelta(seconds=INTERVAL)
    process.round()
    row = watched.row(broken)
    assert row is not None
    assert row.error is None
    assert watched.told(broken) == [("expired-on-the-shelf", False)]


def scope_of(watched: Watched, shop: WorkshopFacts) -> Callable[[Any], Scope]:
    process = watched.process("test")
    return lambda connection: process._scope(connection, shop)


def test_a_look_at_older_books_changes_nothing(watched: Watched) -> None:
    """Two looks at once: the first reads, the books change, the second looks, then the first wants to keep what it saw."""
    shop = watched.workshop(units=5)
    of = scope_of(watched, shop)
    books, _, _ = watched.reader.read(lambda connection: looking._read(of(connection)))
    figures = books.figures(None)
    watched.clock.now += timedelta(seconds=1)
    watched.sql("UPDATE lot SET use_by = :day WHERE workshop_id = :workshop AND on_hand > 0", day="2031-06-30", workshop=shop.id)
    looking.look(watched.reader, SyncWriter(watched.house.engine), of)
    assert watched.told(shop) == []
    facts = books.facts(figures)
    run_once(writing(watched.house.engine), lambda connection: looking._keep(of(connection), books.scope, facts, figures))
    assert watched.told(shop) == []


def _too_long(sent: bytes) -> NoReturn:
    raise Busy("the computation took too long or was ended", retry_after=5)


def test_without_a_new_forecast_the_last_one_serves_and_the_rest_is_right(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    with watched.house.client(watched.house.new_workshop()) as client:
        lines = [{"material": "oil", "percent": "rest"}]
        for path, body in (
            ("materials", {"code": "oil", "name": "Oil"}),
            ("formulas", {"code": "f", "name": "F", "lines": lines}),
            ("products", {"code": "p", "name": "P", "formula": "f", "fill_g": 100}),
            ("receipts", {"material": "oil", "quantity": 500}),
            ("orders", {"due_on": "2031-01-30", "lines": [{"product": "p", "units": 9}]}),
        ):
            assert client.post(f"/v1/{path}", json=body).status_code == 201
        first = client.get("/v1/alerts").json()
        assert first["forecast_as_of"] == "2031-01-06"
        client.post("/v1/receipts", json={"material": "oil", "quantity": 30, "expires_on": "2031-01-01"})
        watched.clock.day(14)
        monkeypatch.setattr(compute.CHILD, "_ask", _too_long)  # every computation takes too long
        monkeypatch.setattr(compute.CHILD, "_kept", Recent(1))  # and none is known from before
        later = client.get("/v1/alerts").json()
        assert (later["as_of"], later["forecast_as_of"]) == ("2031-01-20", "2031-01-06")
        kinds = {one["kind"] for one in later["items"]}
        assert "expired-on-the-shelf" in kinds
        assert {"order-now", "customer-order-at-risk"} <= kinds, kinds  # by the days that were foreseen on the 6th
        monkeypatch.undo()
        assert client.get("/v1/alerts").json()["forecast_as_of"] == "2031-01-20"


def test_the_process_that_serves_watches_by_itself(tmp_path: Path) -> None:
    clock = Clock()
    with running(f"sqlite:///{tmp_path}/own.db", clock=clock, watch=1) as house:
        watched = Watched(house, clock)
        shop = watched.workshop(units=5)
        waiting = threading.Event()
        for _ in range(300):
            if watched.told(shop):
                break
            waiting.wait(0.1)
    assert watched.told(shop) == [("expired-on-the-shelf", False)]


def test_today_and_its_text_are_what_the_last_look_found(watched: Watched) -> None:
    shop = watched.workshop(units=5)
    of = scope_of(watched, shop)
    assert watched.reader.read(lambda connection: telling.today(of(connection))) == []
    watched.process("one").round()
    found = watched.reader.read(lambda connection: telling.today(of(connection)))
    assert [one["kind"] for one in found] == ["expired-on-the-shelf"]
    assert telling.text(found) == found[0]["sentence"]
    assert telling.text([]) == "Nothing needs doing today."
