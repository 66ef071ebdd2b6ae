"""Alerts as a pure function of what was told and what is so; webhooks; the calendar."""

import random
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from api_tests.conftest import SOAK
from api_tests.core.published import Case, cases, source
from service.core.alerts import calendar_feed, webhooks
from service.core.alerts.alerts import by_urgency, step, told
from service.core.alerts.calendar_feed import Event, escaped, feed, folded
from service.core.alerts.causes import KINDS, causes
from service.core.alerts.facts import Demand, Facts, Item, Purchase, Severity, Stock
from service.core.alerts.use_up import Candidate, likely_sold, ways

TODAY = date(2026, 3, 10)
KG = 1_000_000


def days(count: int) -> date:
    return TODAY + timedelta(days=count)


SHEA = Item("shea", "Shea butter", "g")
OIL = Stock("L1", "oil", "Olive oil", "g", 2 * KG)
EVERYTHING = Facts(
    TODAY,
    items=(
        replace(SHEA, order_by=TODAY, runs_out=days(9), arrives=days(9)),
        Item("wax", "Beeswax", "g", runs_out=days(4), arrives=days(8), on_order=KG, expected_on=days(8), unbooked=-350_000),
    ),
    stocks=(
        replace(OIL, last_day=days(20)),
        replace(OIL, code="L2", last_day=days(60), unused=KG),
        replace(OIL, code="L3", last_day=days(-2)),
        replace(OIL, code="L4", retest_on=TODAY),
        Stock("B7-1", "soap", "Soap", "piece", 40, ready_on=TODAY, batch="B7"),
    ),
    demands=(Demand("O12", "the market hall", days(3), (("Shea butter", 500_000, "g"),), days(9)),),
    purchases=(Purchase("P3", "north", days(-1)),),
)


def test_every_kind_is_found_with_a_sentence_and_an_act() -> None:
    found = causes(EVERYTHING)
    assert Counter(cause.kind for cause in found) == Counter(KINDS)
    for cause in found:
        assert cause.sentence.endswith((".", "?"))
        assert "\n" not in cause.sentence
        assert cause.act.path.startswith("/v1/")
        assert cause.act.says
        assert cause.facts
    said = {cause.kind: cause.sentence for cause in found}
    assert said["order-now"] == "Shea butter is to be ordered today; it may run out on 19 March."
    assert said["runs-out-before-delivery"] == "Beeswax may run out on 14 March; the next delivery is expected on 18 March."
    assert said["count-wanted"] == "350 g of Beeswax were used that are in no lot: count what is there."
    assert said["expires-soon"] == "2 kg of Olive oil (lot L1) expires soon: its last usable day is 30 March."
    assert said["expired-on-the-shelf"].startswith("2 kg of Olive oil (lot L3) expired on the shelf on 8 March")
    assert said["batch-ready"] == "Batch B7 of Soap is ready today: 40 pieces."
    assert said["customer-order-at-risk"] == (
        "Order O12 for the market hall is due on 13 March and is at risk: 500 g of Shea butter is missing; "
        "it could be ready on 19 March."
    )
    assert said["purchase-order-late"] == "Purchase order P3 from north was expected on 9 March: has it come?"


def test_most_urgent_first() -> None:
    lines = told(one.cause.sentence for one in by_urgency(step((), EVERYTHING).alerts) if one.speaks(TODAY)).splitlines()
    assert len(lines) == len(KINDS)
    assert lines[0].startswith("Shea butter is to be ordered today")
    assert lines[-1].startswith("2 kg of Olive oil (lot L1)") or "unused" in lines[-1]
    severities = [alert.cause.severity for alert in by_urgency(step((), EVERYTHING).alerts)]
    assert severities == sorted(severities)
    assert told(()) == "Nothing needs doing today."


def test_an_alert_opens_once_is_updated_in_place_and_closes_by_itself() -> None:
    first = step((), EVERYTHING)
    assert len(first.opened) == len(KINDS)
    again = step(first.alerts, EVERYTHING)
    assert not again.opened
    assert not again.updated
    assert not again.closed
    assert again.alerts == first.alerts
    more = replace(EVERYTHING, today=days(1), items=(replace(EVERYTHING.items[0], runs_out=days(11)), EVERYTHING.items[1]))
    moved = step(first.alerts, more)
    assert not moved.opened
    (update,) = [alert for alert in moved.updated if alert.cause.kind == "order-now"]
    assert update.opened_on == TODAY
    assert update.updated_on == days(1)
    nothing = step(first.alerts, Facts(days(2)))
    assert len(nothing.closed) == len(KINDS)
    assert {alert.closed_on for alert in nothing.alerts} == {days(2)}
    assert step(nothing.alerts, Facts(days(3))).alerts == ()
    reopened = step(nothing.alerts, replace(EVERYTHING, today=days(4)))
    assert all(alert.opened_on == days(4) for alert in reopened.opened)


def test_seen_and_put_off_are_kept_until_it_gets_worse() -> None:
    (alert,) = step((), Facts(TODAY, purchases=(Purchase("P3", "north", days(-1)),))).alerts
    assert alert.speaks(TODAY)
    seen = replace(alert, acknowledged_at=alert.cause.severity)
    assert not seen.speaks(TODAY)
    later = replace(alert, put_off_until=days(5))
    assert not later.speaks(days(4))
    assert later.speaks(days(5))
    for quiet in (seen, replace(alert, put_off_until=days(20))):
        (same,) = step((quiet,), Facts(days(6), purchases=(Purchase("P3", "north", days(-1)),))).alerts
        assert not same.speaks(days(6))
        (worse,) = step((quiet,), Facts(days(7), purchases=(Purchase("P3", "north", days(-1)),))).alerts
        assert worse.cause.severity is Severity.URGENT
        assert worse.speaks(days(7))


def test_nothing_flaps_over_a_year_of_wavering_forecasts() -> None:
    luck = random.Random(5)
    for _ in range(200 if SOAK else 20):
        alerts: tuple = ()
        opened: Counter[tuple[str, str]] = Counter()
        for number in range(365):
            today = days(number)
            # ordered four times a year; every day the forecast moves a day or two either way
            cycle = number % 91
            order_by = today + timedelta(days=60 - cycle + luck.choice((-1, 0, 0, 1)))
            items = (replace(SHEA, order_by=order_by, runs_out=order_by + timedelta(days=12), arrives=today + timedelta(days=9)),)
            unused = max(0, 90_000 + luck.randint(-20_000, 20_000)) if cycle > 40 else 0
            stocks = (replace(OIL, code=f"L{number // 91}", last_day=today + timedelta(days=100 - cycle), unused=unused),)
            change = step(alerts, Facts(today, items, stocks))
            alerts = change.alerts
            opened.update((alert.cause.kind, f"{alert.cause.subject}-{number // 91}") for alert in change.opened)
            assert len({alert.cause.key for alert in alerts if alert.closed_on is None}) == len(
                [alert for alert in alerts if alert.closed_on is None]
            )
        assert opened["order-now", "shea-0"] == 1
        assert set(opened.values()) == {1}, opened


def test_one_thing_is_told_once_a_cycle_while_an_order_is_placed_late() -> None:
    """Ordered when its day has come, in half of the cycles too little and too late: each kind opens once at most, never both."""
    luck = random.Random(6)
    for _ in range(200 if SOAK else 20):
        alerts: tuple = ()
        opened: Counter[tuple[str, int]] = Counter()
        for number in range(364):
            cycle, today = number % 91, days(number)
            late = (number // 91) % 2 == 1
            runs_out = today + timedelta(days=70 - cycle + luck.choice((-1, 0, 0, 1)))
            item = replace(SHEA, order_by=runs_out - timedelta(days=10), runs_out=runs_out, arrives=today + timedelta(days=9))
            if cycle >= 62:  # two days after its day has come
                expected = today + timedelta(days=(74 if late else 68) - cycle)
                item = replace(item, arrives=expected, expected_on=expected, on_order=KG)
                item = item if late and cycle < 66 else replace(item, order_by=today + timedelta(days=70))
            if cycle >= 75:
                item = replace(item, order_by=today + timedelta(days=70), runs_out=today + timedelta(days=80), expected_on=None)
            change = step(alerts, Facts(today, (item,)))
            alerts = change.alerts
            assert sum(alert.closed_on is None for alert in alerts) <= 1
            opened.update((alert.cause.kind, number // 91) for alert in change.opened)
        assert set(opened) == {("order-now", at) for at in range(4)} | {("runs-out-before-delivery", at) for at in (1, 3)}
        assert set(opened.values()) == {1}, opened


def test_an_order_by_day_ahead_is_no_alert() -> None:
    ahead = Facts(TODAY, items=(replace(SHEA, order_by=days(1), runs_out=days(20), arrives=days(9)),))
    assert not causes(ahead)
    assert causes(ahead, [("order-now", "shea")])[0].severity is Severity.WARNING
    held = Facts(TODAY, stocks=(replace(OIL, last_day=days(5), usable=False), replace(OIL, on_hand=0, last_day=days(-1))))
    assert not causes(held)


def test_what_could_be_made_to_use_a_lot_up() -> None:
    candidates = [
        Candidate("balm", "Balm", {"oil": 30_000, "wax": 10_000}, sells=500),
        Candidate("soap", "Soap", {"oil": 60_000, "lye": 9_000}, sells=20),
        Candidate("cream", "Cream", {"oil": 5_000, "water": 40_000}, sells=1_000),
        Candidate("scrub", "Scrub", {"salt": 100_000}, sells=1_000),
    ]
    names = {"wax": ("Beeswax", "g"), "lye": ("Lye", "g"), "water": ("Water", "g")}
    there = {"wax": 200_000, "lye": KG, "water": 100 * KG}
    found = ways("oil", 2 * KG, candidates, there, names)
    assert [one.product for one in found] == ["cream", "soap", "balm"]
    assert (found[0].units, found[0].uses) == (400, 2 * KG)
    assert (found[1].units, found[1].uses, found[1].missing) == (20, 1_200_000, ())
    assert (found[2].units, found[2].missing) == (66, (("Beeswax", 460_000, "g"),))
    slow = [replace(candidates[0], sells=sells) for sells in (0, 3, 4)]  # 90 g and 120 g of 2 kg: a twentieth is 100 g
    assert [[one.units for one in ways("oil", 2 * KG, [one], there, names)] for one in slow] == [[], [], [4]]
    assert ways("oil", 29_999, candidates[:2], there, names) == (), "less than one unit takes"
    alert = causes(Facts(TODAY, stocks=(replace(OIL, last_day=days(60), unused=KG, use_up=found[2:]),)))[0]
    assert alert.sentence == (
        "1 kg of 2 kg of Olive oil (lot L1) may still be unused when it expires after 9 May. "
        "66 x Balm would use 1.98 kg of it, for which 460 g of Beeswax would be needed."
    )
    planned = {"product": "balm", "units": 66, "status": "planned", "planned_on": "2026-03-10"}
    assert alert.act.body == planned


@pytest.mark.parametrize(
    ("weekly", "there", "rest", "life", "sold"),
    [
        (10, 0, 0, None, 40),  # what a batch to stock is for, be it for ever good
        (10, 0, 0, 365, 40),
        (10, 0, 0, 14, 20),  # until it is too old
        (10, 25, 0, 14, 0),
        (10, 25, 0, 28, 15),  # what is there is sold first
        (10, 25, 14, None, 35),  # twenty of them while it rests
        (10, 5, 28, None, 40),
        (10, 0, 28, 42, 20),  # a life counts from the making
        (10, 0, 42, 28, 0),
        (0.2, 0, 0, None, 0),  # one in five weeks
        (0, 0, 0, None, 0),  # nothing is known of what sells
    ],
)
def test_no_more_is_made_than_is_likely_to_be_sold(weekly: float, there: float, rest: int, life: int | None, sold: int) -> None:
    assert likely_sold(weekly, there, rest, life) == sold


# --- webhooks ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("Standard Webhooks signature"))
def test_the_published_signature(case: Case) -> None:
    given, wanted = case["inputs"], case["expected"]["signature"]
    body = given["body"].encode()
    assert webhooks.sign(given["secret"], given["id"], given["timestamp"], body) == wanted, source(case)
    sent = {"webhook-id": given["id"], "webhook-timestamp": str(given["timestamp"]), "webhook-signature": f"v1,AAAA {wanted}"}
    assert webhooks.verify(given["secret"], sent, body, given["timestamp"] + 299)
    assert not webhooks.verify(given["secret"], sent, body, given["timestamp"] + 301)
    assert not webhooks.verify(given["secret"], sent, body, given["timestamp"] - 301)
    assert not webhooks.verify(given["secret"], sent, body + b" ", given["timestamp"])
    wrong = {**sent, "webhook-signature": wanted.removesuffix("E=") + "A="}  # ends in OA=, as the case says
    assert wrong["webhook-signature"] != wanted
    assert not webhooks.verify(given["secret"], wrong, body, given["timestamp"])
    assert not webhooks.verify(given["secret"], {**sent, "webhook-timestamp": "soon"}, body, given["timestamp"])


def test_the_reference_library_accepts_what_is_sent() -> None:
    library = pytest.importorskip("standardwebhooks.webhooks")
    old, new, body = webhooks.new_secret(), webhooks.new_secret(), '{"type": "alert.opened", "näme": 1}'.encode()
    sent = webhooks.headers([old, new], "msg_1", int(datetime.now(UTC).timestamp()), body)
    for secret in (old, new):
        assert library.Webhook(secret).verify(body.decode(), sent)
    with pytest.raises(library.WebhookVerificationError):
        library.Webhook(webhooks.new_secret()).verify(body.decode(), sent)


def test_secrets_and_ids_are_checked() -> None:
    for bad in ("whsec_!!!", "whsec_AAAA", "whsec_" + "A" * 200):
        with pytest.raises(ValueError, match="must"):
            webhooks.key_of(bad)
    with pytest.raises(ValueError, match="full stop"):
        webhooks.sign(webhooks.new_secret(), "a.b", 1, b"")
    assert len(webhooks.key_of(webhooks.new_secret())) == 32


def test_it_is_tried_for_at_least_a_day_then_given_up() -> None:
    for luck in (0.0, 0.5, 1.0):
        pauses = []
        failures = 1
        while (pause := webhooks.next_try(failures, luck)) is not None:
            pauses.append(pause)
            failures += 1
        assert sum(pauses) >= 86_400
        assert pauses == sorted(pauses)
        assert failures == len(webhooks.RETRIES) + 1
    assert webhooks.next_try(1, 0.5, after=120) == 120
    assert webhooks.next_try(1, 0.5, after=10**9) == webhooks.RETRIES[-1]
    assert [webhooks.delivered(status) for status in (199, 200, 204, 299, 301, 404, 500)] == [False, True, True, True] + [
        False
    ] * 3


@pytest.mark.parametrize(
    "address",
    [
        "127.0.0.1", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1", "0.0.0.0", "224.0.0.1",
        "255.255.255.255", "::1", "::", "fe80::1", "fc00::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "64:ff9b::7f00:1",
        "2002:7f00:1::", "ff02::1", "::7f00:1", "64:ff9b:1::7f00:1", "2001:db8::1", "192.0.2.1", "198.18.0.1",
    ],
)  # fmt: skip
def test_private_addresses_are_not_public(address: str) -> None:
    assert not webhooks.is_public(address)


@pytest.mark.parametrize("address", ["1.1.1.1", "93.184.215.14", "2606:4700::1111", "::ffff:1.1.1.1", "64:ff9b::101:101"])
def test_public_addresses_are(address: str) -> None:
    assert webhooks.is_public(address)


# --- the calendar ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("iCalendar folding"))
def test_the_published_folding_rule(case: Case) -> None:
    line = case["inputs"]["line"]
    text = folded(line)
    parts = text.removesuffix("\r\n").split("\r\n")
    assert [len(part.encode()) for part in parts] == [int(octets) for octets in case["expected"]["line_octets"]], source(case)
    assert "".join([parts[0], *(part[1:] for part in parts[1:])]) == line


def awkward(luck: random.Random) -> str:
    letters = "aB ,;:\\\"\n\r\tß€öé😀漢\x07\x00'%{}"
    return "".join(luck.choice(letters) for _ in range(luck.randint(1, 120)))


def test_the_calendar_is_read_back() -> None:
    icalendar = pytest.importorskip("icalendar")
    luck = random.Random(8)
    for _ in range(300 if SOAK else 40):
        events = [
            Event(
                f"{number}@stillroom", days(luck.randint(-400, 4000)), awkward(luck), datetime(2026, 3, 1, 7, 30, tzinfo=UTC),
                awkward(luck), luck.choice(["", "order-now"]), luck.randint(1, 3), luck.choice(["", "https://example.org/v1/lots/L1"]),
            )
            for number in range(luck.randint(0, 6))
        ]  # fmt: skip
        text = feed("Werkstatt, Süd; 1", events)
        assert text == feed("Werkstatt, Süd; 1", events[::-1])
        assert all(len(line.encode()) <= calendar_feed.MOST for line in text.split("\r\n"))
        assert "\n" not in text.replace("\r\n", "")
        read = icalendar.Calendar.from_ical(text)
        assert "NAME:Werkstatt\\, Süd\\; 1" in text.split("\r\n")  # RFC 7986; the reader leaves it as it stands
        found = {str(one["UID"]): one for one in read.walk("VEVENT")}
        assert len(found) == len(events)
        for event in events:
            one = found[event.uid]
            assert one.decoded("DTSTART") == event.day
            assert one.decoded("DTEND") - one.decoded("DTSTART") == timedelta(days=event.days)
            assert one.decoded("DTSTAMP") == event.changed
            for field, wanted in (("SUMMARY", event.title), ("DESCRIPTION", event.text)):
                plain = wanted.replace("\r\n", "\n").replace("\r", "\n").replace("\x07", "").replace("\x00", "")
                assert str(one.get(field, "")) == plain


def test_escapes() -> None:
    assert escaped("a,b;c\\d\r\ne\x00f") == "a\\,b\\;c\\\\d\\nef"
