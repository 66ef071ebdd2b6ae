"""What a look finds is told: alerts open, change and close in the books and at the receivers, in one round of one process."""

import json
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from alerts.test_workers import ask, until, worker
from contract.inprocess import new_database
from telling.office import FROM, MORNING, Listener, Maker, Office, Post, later, new_maker, opened, status

from service.actions.telling import look
from service.actions.telling.rounds import Rounds
from service.core.alerts import webhooks
from service.store.writer import SyncWriter

pytest_plugins = ["telling.rooms"]

TODAY = date(2026, 3, 10)


@dataclass
class Told:
    """A workshop, what it is told by, and rounds of the process that tells."""

    office: Office
    maker: Maker
    rounds: Rounds
    hook: Listener
    post: Post
    secret: str

    def round(self, **after: float) -> tuple[list[dict[str, Any]], list[Any]]:
        """Messages and mails that one round brings, so long after the last."""
        assert self.office.now is not None
        self.office.now = later(self.office.now, **after)
        self.hook.got.clear()
        self.post.took.clear()
        self.rounds.once()
        at = int(self.office.now.timestamp())
        assert all(webhooks.verify(self.secret, got.headers, got.body.encode(), at) for got in self.hook.got)
        return [json.loads(got.body) for got in self.hook.got], [mail for _, _, mail in self.post.took]

    def open_now(self) -> dict[str, dict[str, Any]]:
        """Open alerts by code."""
        return {one["alert"]: one for one in self.maker.get("alerts?limit=200")["items"]}


@pytest.fixture(params=["sqlite", "postgresql"])
def told(request: pytest.FixtureRequest, tmp_path: Path, listener: Listener, post: Post) -> Iterator[Told]:
    """A database of its own: a round looks at every workshop there is."""
    url = f"sqlite:///{tmp_path}/told.db"
    if request.param == "postgresql":
        url = new_database(request.getfixturevalue("postgresql"), "told")
    with opened(url) as office:
        maker = new_maker(office)
        office.now = MORNING
        settings = replace(office.settings, smtp_url=post.url(), mail_from=FROM)
        rounds = Rounds(office.reader, SyncWriter(office.engine), settings, office.clock)
        with maker.client:
            hook = maker.webhook(listener.url())
            maker.post("mail-receivers", address="maker@workshop.example", what=["digest", "urgent"])
            yield Told(office, maker, rounds, listener, post, hook["secret"])


def ahead(days: int) -> str:
    return str(TODAY + timedelta(days=days))


def needs_doing(maker: Maker) -> str:
    """Oil that expires soon and some that has expired, a customer's order for which it is not enough, and a mill that is late;
    the purchase order's code."""
    maker.post("materials", code="oil", name="Oil")
    maker.post("formulas", code="salve", name="Salve", lines=[{"material": "oil", "percent": "rest"}])
    maker.post("products", code="balm", name="Balm", formula="salve", fill_g=50)
    maker.post("receipts", material="oil", quantity=900, expires_on=ahead(20))
    maker.post("receipts", material="oil", quantity=70, expires_on=ahead(-1))
    maker.post("orders", reference="big", channel="wholesale", due_on=ahead(3), lines=[{"product": "balm", "units": 40}])
    maker.post("suppliers", code="mill", name="The mill", lead_time_days=5)
    code = maker.post("purchase-orders", supplier="mill", lines=[{"material": "oil", "quantity": 50}])["code"]
    maker.post(f"purchase-orders/{code}/placement", 200, placed_on=ahead(-9))
    return str(code)


def test_one_round_looks_tells_and_sends(told: Told) -> None:
    maker = told.maker
    order = needs_doing(maker)
    messages, mails = told.round()
    found = told.open_now()
    assert Counter(one["type"] for one in messages) == {"alert.opened": len(found)}
    assert {one["data"]["alert"]: one["data"] for one in messages} == {
        code: {"workshop": maker.get("workshop")["name"], **one} for code, one in found.items()
    }
    kinds = {one["kind"]: one for one in found.values()}
    assert {"expires-soon", "expired-on-the-shelf", "customer-order-at-risk", "purchase-order-late"} <= kinds.keys()
    assert "order-now" not in kinds, "fifty grams on order are too late and not enough: one sentence says both"
    assert "; more is to be ordered " in kinds["runs-out-before-delivery"]["sentence"]
    assert kinds["purchase-order-late"]["subject"] == order
    urgent = [one["sentence"] for one in found.values() if one["severity"] == "urgent"]
    assert Counter(mail["Subject"] for mail in mails) == Counter(urgent)
    assert urgent
    assert told.round(seconds=30) == ([], []), "told once"

    # the causes of two are gone, one is seen, something new expires, and the digest's hour comes
    maker.post(f"purchase-orders/{order}/deliveries", lines=[{"line": 1, "quantity": 3_000}])
    maker.post("disposals", 201, **kinds["expired-on-the-shelf"]["act"]["body"])
    seen = kinds["expires-soon"]
    assert maker.post(f"alerts/{seen['alert']}/acknowledgement", 200)["speaks"] is False
    maker.post("materials", code="clay", name="Clay")
    maker.post("receipts", material="clay", quantity=10, expires_on=ahead(5))
    maker.patch("workshop", digest_hour=0)
    messages, mails = told.round(seconds=told.rounds.watch.seconds)
    events = [(one["type"], one["data"].get("kind"), one["data"].get("subject")) for one in messages]
    gone = {one["data"]["alert"] for one in messages if one["type"] == "alert.closed"}
    assert {kinds[kind]["alert"] for kind in ("purchase-order-late", "expired-on-the-shelf")} <= gone
    assert ("alert.updated", "expires-soon", seen["subject"]) in events
    [fresh] = [one["data"] for one in messages if one["type"] == "alert.opened"]
    [digest] = [one["data"] for one in messages if one["type"] == "digest"]
    now = told.open_now()
    assert not gone & now.keys()
    speaking = [one["sentence"] for one in now.values() if one["speaks"]]
    assert fresh["sentence"] in speaking
    assert seen["sentence"] not in speaking
    assert digest["text"] == "\n".join(speaking) == maker.client.get("/v1/alerts", headers={"Accept": "text/plain"}).text.strip()
    [mail] = [mail for mail in mails if mail["Subject"].endswith("to do today")]
    assert mail.get_content().replace("\r\n", "\n").startswith(digest["text"])
    assert {one["state"] for one in maker.dispatches()} == {"sent"}


def test_a_look_that_is_rolled_back_sends_nothing(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    maker = told.maker
    maker.post("materials", code="oil", name="Oil")
    maker.post("receipts", material="oil", quantity=70, expires_on=ahead(-1))

    def fails(*_: Any) -> None:
        raise ArithmeticError

    with monkeypatch.context() as broken:
        broken.setattr(look.watches, "looked", fails)  # the last that a look writes: all was told before
        assert told.round() == ([], [])
    assert maker.dispatches() == []
    assert told.round(seconds=told.rounds.watch.seconds - 1) == ([], []), "looked at again after the interval"
    [message], [] = told.round(seconds=1)
    assert (message["type"], message["data"]["kind"]) == ("alert.opened", "expired-on-the-shelf")
    assert len(maker.dispatches()) == 1


def test_a_process_told_to_stop_leaves_the_rest_to_others(told: Told) -> None:
    """After the message that is under way; the others are not held until its claims end."""
    needs_doing(told.maker)
    told.hook.reply = lambda _, handler: told.rounds.stop() or handler.send_response_only(204) or handler.end_headers()
    [first], _ = told.round()
    told.hook.reply = status(204)
    told.rounds = Rounds(told.office.reader, SyncWriter(told.office.engine), told.rounds.settings, told.office.clock)
    rest, _ = told.round()
    assert rest
    assert Counter(one["data"]["alert"] for one in [first, *rest]) == Counter(told.open_now().keys())


@pytest.mark.parametrize("told", ["postgresql"], indirect=True)
def test_a_worker_tells_by_itself_and_leaves_nothing_claimed(told: Told, tmp_path: Path) -> None:
    """`python -m service worker`, with nobody asking; told to stop with SIGTERM it ends by itself (`worker` waits for that)."""
    office, maker, log = told.office, told.maker, tmp_path / "log"
    office.now = None
    with worker(office.settings.database_url, log, STILLROOM_WEBHOOK_PRIVATE="1"):
        for code in ("oil", "clay"):  # the second after it has looked at the first
            maker.post("materials", code=code, name=code.title())
            maker.post("receipts", material=code, quantity=70, expires_on="2020-01", received_on="2019-01-01")
            until(lambda code=code: [got for got in told.hook.got if f" of {code.title()} " in got.body], code, log)
    bodies = [webhooks.verify(told.secret, got.headers, got.body.encode(), int(time.time())) for got in told.hook.got]
    assert bodies == [True, True], "one for each, once"
    assert ask(office.engine, "SELECT claimed_by FROM watch WHERE claimed_by IS NOT NULL") == []
    assert {one["state"] for one in maker.dispatches() if one["webhook"]} == {"sent"}
