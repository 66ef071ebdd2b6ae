"""Webhooks as a real receiver sees them: signed, once wanted, tried again for more than a day, never believed."""

import json
import socket
import ssl
import time
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from standardwebhooks import Webhook, WebhookVerificationError
from telling.office import MORNING, Got, Listener, Maker, Office, Reply, later, raw, status

from service.actions.telling import posting, sending
from service.actions.telling.outbox import tell
from service.core.alerts import webhooks

pytest_plugins = ["telling.rooms"]

EARLY = ["alert.opened", "alert.closed"]
SHEA = {"alert": "A-0001", "severity": "urgent", "sentence": "Shea butter is to be ordered today.", "speaks": True}
CERTIFICATE = Path(__file__).with_name("certificate.pem")  # made for these tests: of receiver.example and mail.example


def verified(got: Got, secret: str) -> Any:
    return Webhook(secret).verify(got.body, got.headers)


def test_what_happened_arrives_signed_where_it_is_wanted(
    office: Office, maker: Maker, stranger: Maker, listener: Listener
) -> None:  # fmt: skip
    made = maker.webhook(listener.url("/a?b=c"), events=EARLY, name="Bench display")
    all_ = maker.webhook(listener.url("/all"))
    off = maker.webhook(listener.url("/off"))
    maker.patch(f"webhooks/{off['code']}", active=False)
    stranger.webhook(listener.url("/stranger"))
    maker.act(lambda scope: tell(scope, "alert.opened", SHEA))
    maker.act(lambda scope: tell(scope, "alert.updated", SHEA))
    assert {one["state"] for one in maker.dispatches()} == {"waiting"}
    assert not listener.got, "nothing is sent within the act"
    assert office.round() == 3
    assert sorted(got.path for got in listener.got) == ["/a?b=c", "/all", "/all"]
    (mine,) = [got for got in listener.got if got.path == "/a?b=c"]
    told = verified(mine, made["secret"])
    assert told["type"] == "alert.opened"
    assert told["data"]["sentence"] == SHEA["sentence"]
    assert datetime.fromisoformat(told["timestamp"]) <= datetime.now(UTC)
    assert mine.headers["content-type"] == "application/json"
    assert mine.headers["host"] == f"127.0.0.1:{listener.port}"
    with pytest.raises(WebhookVerificationError):
        verified(mine, all_["secret"])
    with pytest.raises(WebhookVerificationError):
        Webhook(made["secret"]).verify(mine.body.replace("Shea", "Cocoa"), mine.headers)
    (one,) = maker.dispatches(f"&webhook={made['code']}")
    assert (one["state"], one["attempts"], one["last_status"], one["last_error"]) == ("sent", 1, 204, None)
    assert one["message"] == mine.headers["webhook-id"]
    assert maker.get(f"dispatches/{one['code']}")["body"] == told
    assert office.round() == 0, "once"
    assert maker.dispatches("&state=waiting") == stranger.dispatches() == []


def test_nothing_is_told_of_what_was_rolled_back(office: Office, maker: Maker, listener: Listener) -> None:
    maker.webhook(listener.url())

    def act(scope: Any) -> None:
        tell(scope, "alert.opened", SHEA)
        raise ArithmeticError

    with pytest.raises(ArithmeticError):
        maker.act(act)
    assert office.round() == 0
    assert maker.dispatches() == []


def test_a_person_tries_a_webhook_out(office: Office, maker: Maker, listener: Listener) -> None:
    made = maker.webhook(listener.url(), events=["digest"])
    said = maker.post(f"webhooks/{made['code']}/test")
    assert (said["event"], said["state"], said["webhook"]) == ("test", "waiting", made["code"])
    assert office.round() == 1
    assert verified(listener.got[0], made["secret"])["type"] == "test"
    assert maker.get(f"dispatches/{said['code']}")["state"] == "sent"
    maker.patch(f"webhooks/{made['code']}", active=False)
    maker.post(f"webhooks/{made['code']}/test", 409)
    maker.ask("POST", f"dispatches/{said['code']}/retry", 409)


def slow(_: Got, handler: BaseHTTPRequestHandler) -> None:
    time.sleep(2)
    status(200)(_, handler)


WRONG: list[tuple[str, Reply, str]] = [
    ("a fault", status(500), "answered 500"),
    ("not there", status(404), "answered 404"),
    ("a redirect", status(302, Location="/elsewhere"), "redirects are not followed"),
    ("a redirect that keeps the method", status(308, Location="/elsewhere"), "redirects are not followed"),
    ("not modified", status(304), "answered 304"),
    ("garbage", raw(b"\x00\xff\x00 what?\r\n\r\n"), "not HTTP"),
    ("no status", raw(b"HTTP/1.1 two hundred\r\n\r\n"), "not HTTP"),
    ("endless headers", raw(b"HTTP/1.1 200 OK\r\n" + b"X-A: b\r\n" * 500 + b"\r\n"), "not HTTP"),
    ("nothing", raw(), "without an answer"),
    ("no end in time", slow, "took longer than 0.6 s"),
    ("a byte now and then", raw(*[b"HTTP/1.1 200 OK\r\n", *[b"X", b"-"] * 10], pause=0.1), "took longer than 0.6 s"),
]


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
@pytest.mark.parametrize(("what", "reply", "said"), WRONG, ids=[one[0] for one in WRONG])
def test_a_wrong_answer_is_no_arrival_and_holds_up_nobody(
    office: Office, maker: Maker, listener: Listener, second: Listener, what: str, reply: Reply, said: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(posting, "LIMIT", 0.6)
    listener.reply = reply
    bad, good = maker.webhook(listener.url()), maker.webhook(second.url())
    maker.act(lambda scope: tell(scope, "digest", {"text": "Nothing."}))
    began = time.monotonic()
    assert office.round() == 2
    assert time.monotonic() - began < 1.9
    assert [got.path for got in listener.got] == ["/hook"], "it is not followed"
    assert second.got[0].at - began < 0.5
    (one,) = maker.dispatches(f"&webhook={bad['code']}")
    assert (one["state"], one["attempts"]) == ("waiting", 1)
    assert said in one["last_error"]
    pause = datetime.fromisoformat(one["next_try_at"]) - datetime.fromisoformat(one["last_try_at"])
    assert timedelta(seconds=3) <= pause <= timedelta(seconds=7)
    assert maker.dispatches(f"&webhook={good['code']}")[0]["state"] == "sent"


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
def test_an_endless_answer_is_not_read(office: Office, maker: Maker, listener: Listener) -> None:
    listener.reply = raw(b"HTTP/1.1 200 OK\r\n\r\n", *[b"x" * 1_000_000] * 200)
    maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "digest", {"text": "Nothing."}))
    began = time.monotonic()
    assert office.round() == 1
    assert time.monotonic() - began < 2
    assert maker.dispatches()[0]["state"] == "sent", "its status says that it has it"


def test_a_receiver_that_is_down_is_tried_for_more_than_a_day_then_parked_and_visible(
    office: Office, maker: Maker, listener: Listener
) -> None:  # fmt: skip
    office.now = MORNING
    listener.reply = status(503)
    made = maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "alert.opened", SHEA))
    tries = 0
    while (one := maker.dispatches()[0])["state"] == "waiting":
        due = datetime.fromisoformat(one["next_try_at"])
        office.now = due - timedelta(seconds=1)
        assert office.round() == 0
        office.now = due + timedelta(seconds=1)  # times are shown in whole seconds
        assert office.round() == 1
        assert one["attempts"] == tries
        tries += 1
    assert office.now - MORNING >= timedelta(days=1)
    assert len(listener.got) == one["attempts"] == len(webhooks.RETRIES) + 1
    assert len({(got.headers["webhook-id"], got.body) for got in listener.got}) == 1, "the same under the same id"
    assert len({got.headers["webhook-timestamp"] for got in listener.got}) == len(listener.got), "each try has its time"
    assert [parked["code"] for parked in maker.dispatches("&state=parked")] == [one["code"]]
    assert (one["last_error"], one["next_try_at"]) == ("answered 503", None)
    office.now = later(office.now, days=3)
    assert office.round() == 0
    listener.reply = status(200)
    again = maker.ask("POST", f"dispatches/{one['code']}/retry", 200)
    assert again["state"] == "waiting"
    assert office.round() == 1
    assert maker.get(f"dispatches/{one['code']}")["state"] == "sent"
    assert listener.got[-1].headers["webhook-id"] == listener.got[0].headers["webhook-id"]
    assert maker.get(f"webhooks/{made['code']}")["active"]


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
@pytest.mark.parametrize("as_date", [False, True])
def test_a_receiver_that_asks_for_quiet_gets_it(office: Office, maker: Maker, listener: Listener, as_date: bool) -> None:
    office.now = MORNING
    asked = format_datetime(later(MORNING, hours=2), usegmt=True) if as_date else "7200"
    listener.reply = status(429, Retry_After=asked)
    made = maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "alert.opened", SHEA))
    maker.act(lambda scope: tell(scope, "alert.closed", SHEA))
    assert office.round() == 1, "the first refusal is for all"
    quiet = datetime.fromisoformat(maker.get(f"webhooks/{made['code']}")["quiet_until"])
    assert abs(quiet - later(MORNING, hours=2)) < timedelta(seconds=5)
    listener.reply = status(200)
    maker.act(lambda scope: tell(scope, "digest", {"text": "Nothing."}))
    office.now = later(MORNING, hours=2, seconds=-10)
    assert office.round() == 0
    office.now = later(MORNING, hours=2, minutes=1)
    assert office.round() == 3
    assert {one["state"] for one in maker.dispatches()} == {"sent"}
    assert maker.get(f"webhooks/{made['code']}")["quiet_until"] is None


def test_a_receiver_that_is_gone_is_switched_off(office: Office, maker: Maker, listener: Listener) -> None:
    listener.reply = status(410)
    made = maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "alert.opened", SHEA))
    assert office.round() == 1
    (one,) = maker.dispatches()
    assert (one["state"], one["last_status"]) == ("parked", 410)
    assert not maker.get(f"webhooks/{made['code']}")["active"]
    maker.act(lambda scope: tell(scope, "alert.closed", SHEA))
    assert len(maker.dispatches()) == 1
    maker.ask("POST", f"dispatches/{one['code']}/retry", 409)


def test_what_waits_for_a_removed_receiver_is_parked(office: Office, maker: Maker, listener: Listener) -> None:
    made = maker.webhook(listener.url())
    maker.act(lambda scope: tell(scope, "alert.opened", SHEA))
    maker.ask("DELETE", f"webhooks/{made['code']}", 204)
    assert office.round() == 0
    (one,) = maker.dispatches()
    assert (one["state"], one["last_error"], one["attempts"]) == ("parked", "the receiver was removed", 0)
    maker.ask("POST", f"dispatches/{one['code']}/retry", 409)
    maker.get(f"webhooks/{made['code']}", 404)
    assert maker.get("webhooks")["items"] == []


def test_one_try_a_round_for_who_is_down_and_all_in_their_order_for_who_is_up(
    office: Office, maker: Maker, listener: Listener, second: Listener
) -> None:  # fmt: skip
    listener.reply = status(500)
    maker.webhook(listener.url())
    up = maker.webhook(second.url())
    for n in range(10):
        maker.act(lambda scope, n=n: tell(scope, "alert.opened", SHEA | {"alert": f"A-{n}"}))
    assert office.round() == 1 + 10
    assert office.round() == 1
    assert len(listener.got) == 2
    assert [json.loads(got.body)["data"]["alert"] for got in second.got] == [f"A-{n}" for n in range(10)], "in their order"
    assert len({got.headers["webhook-id"] for got in second.got}) == 10
    assert {one["state"] for one in maker.dispatches(f"&webhook={up['code']}")} == {"sent"}


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
def test_who_takes_long_for_each_has_its_share_of_a_round(
    office: Office, maker: Maker, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    monkeypatch.setattr(sending, "LIMIT", 0.25)
    listener.reply = lambda got, handler: (time.sleep(0.2), status(200)(got, handler))
    maker.webhook(listener.url())
    for n in range(5):
        maker.act(lambda scope, n=n: tell(scope, "alert.opened", SHEA | {"alert": f"A-{n}"}))
    tried = []
    while (count := office.round()) > 0:
        tried.append(count)
    assert sum(tried) == 5
    assert max(tried) <= 2, "the rest is left to the next round, unclaimed"
    assert [json.loads(got.body)["data"]["alert"] for got in listener.got] == [f"A-{n}" for n in range(5)]


def test_a_replaced_secret_signs_for_a_day_more(office: Office, maker: Maker, listener: Listener) -> None:
    made = maker.webhook(listener.url())
    assert maker.get(f"webhooks/{made['code']}")["secret"] is None
    fresh = maker.post(f"webhooks/{made['code']}/secret")
    assert fresh["secret"] not in (None, made["secret"])
    assert fresh["old_secret_until"] is not None
    maker.post(f"webhooks/{made['code']}/test")
    office.round()
    for secret in (made["secret"], fresh["secret"]):
        assert verified(listener.got[0], secret)["type"] == "test"
    office.now = later(datetime.now(UTC), days=1, minutes=1)
    maker.post(f"webhooks/{made['code']}/test")
    office.round()
    at = int(listener.got[1].headers["webhook-timestamp"])  # the library asks the machine's clock: here ours is a day ahead
    known = [webhooks.verify(one, listener.got[1].headers, listener.got[1].body.encode(), at)
             for one in (made["secret"], fresh["secret"])]  # fmt: skip
    assert known == [False, True]
    assert maker.get(f"webhooks/{made['code']}")["old_secret_until"] is None
    for _ in range(7):
        maker.post(f"webhooks/{made['code']}/secret")
    maker.post(f"webhooks/{made['code']}/test")
    office.round()
    assert len(listener.got[2].headers["webhook-signature"].split(" ")) == 5


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
def test_a_replayed_creation_leaves_the_secret_out(maker: Maker) -> None:
    body, key = {"url": "https://receiver.example/"}, {"Idempotency-Key": "once"}
    first = maker.ask("POST", "webhooks", 201, body, headers=key)
    again = maker.ask("POST", "webhooks", 201, body, headers=key)
    assert first["secret"].startswith("whsec_")
    assert "secret" not in again
    assert again["code"] == first["code"]
    assert len(maker.get("webhooks")["items"]) == 1


HEADERS = {"content-type": "application/json"}


def looked_up(monkeypatch: pytest.MonkeyPatch, port: int, *answers: list[str]) -> list[str]:
    """Every name leads to the first list, then to the second, and so on; answers the names that were asked for."""
    asked: list[str] = []

    def getaddrinfo(host: str, *_: Any, **__: Any) -> list[Any]:
        asked.append(host)
        found = answers[min(len(asked), len(answers)) - 1]
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port)) for address in found]

    monkeypatch.setattr(posting.socket, "getaddrinfo", getaddrinfo)
    return asked


def test_a_name_that_leads_into_a_private_network_is_not_connected_to(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    for addresses in (["127.0.0.1"], ["10.0.0.1", "127.0.0.1"], ["169.254.169.254"], ["192.168.1.1"]):
        looked_up(monkeypatch, listener.port, addresses)
        outcome = posting.post(f"http://receiver.example:{listener.port}/", HEADERS, b"{}", False, MORNING)
        assert not outcome.arrived
        assert "private network" in str(outcome.error)
    assert not listener.got


def test_the_address_that_was_judged_is_the_one_connected_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that answers otherwise when it is asked again changes nothing: it is asked once."""
    public = Listener("127.0.0.2")
    private = Listener("127.0.0.3", public.port)
    try:
        asked = looked_up(monkeypatch, public.port, ["127.0.0.3", "127.0.0.2"], ["127.0.0.3"])
        monkeypatch.setattr(posting.webhooks, "is_public", lambda address: address == "127.0.0.2")
        outcome = posting.post(f"http://receiver.example:{public.port}/x", HEADERS, b"{}", False, MORNING)
        assert outcome.arrived
        assert (len(public.got), len(private.got)) == (1, 0)
        assert public.got[0].headers["host"] == f"receiver.example:{public.port}"
        assert asked == ["receiver.example"]
    finally:
        public.close()
        private.close()


def test_tls_keeps_the_name_and_trusts_no_stranger(monkeypatch: pytest.MonkeyPatch) -> None:
    secure = Listener()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(CERTIFICATE)
    names: list[Any] = []
    context.sni_callback = lambda _, name, __: names.append(name)
    secure.server.socket = context.wrap_socket(secure.server.socket, server_side=True)
    try:
        looked_up(monkeypatch, secure.port, ["127.0.0.1"])
        posting._trust.cache_clear()
        stranger = posting.post(f"https://receiver.example:{secure.port}/", HEADERS, b"{}", True, MORNING)
        assert "certificate is not trusted" in str(stranger.error)
        monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
        posting._trust.cache_clear()
        assert posting.post(f"https://receiver.example:{secure.port}/", HEADERS, b"{}", True, MORNING).arrived
        other = posting.post(f"https://elsewhere.example:{secure.port}/", HEADERS, b"{}", True, MORNING)
        assert "certificate is not trusted" in str(other.error)
        assert names == ["receiver.example", "receiver.example", "elsewhere.example"]
        assert [got.headers["host"] for got in secure.got] == [f"receiver.example:{secure.port}"]
    finally:
        posting._trust.cache_clear()
        secure.close()


def test_a_handshake_that_never_ends_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(posting, "LIMIT", 0.4)
    with socket.create_server(("127.0.0.1", 0)) as mute:  # it accepts (the kernel does) and says nothing
        began = time.monotonic()
        outcome = posting.post(f"https://127.0.0.1:{mute.getsockname()[1]}/", HEADERS, b"{}", True, MORNING)
        assert time.monotonic() - began < 1.5
    assert outcome.error == "took longer than 0.4 s"


def test_nobody_there_and_no_such_name() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    assert posting.post(f"http://127.0.0.1:{port}/", HEADERS, b"{}", True, MORNING).error == "refused the connection"
    said = posting.post("http://no-such.invalid/", HEADERS, b"{}", True, MORNING).error  # RFC 6761: it never exists
    assert said == "the name no-such.invalid is not known"
