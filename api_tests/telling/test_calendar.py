"""The calendar as a phone reads it: RFC 5545, by an address of its own that opens nothing else."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import httpx
import icalendar
import pytest
from telling.office import MORNING, Maker, Office, later

from service.actions.telling import figures
from service.core import said

pytest_plugins = ["telling.rooms"]

TODAY = date(2026, 3, 10)


def days(count: int) -> str:
    return str(TODAY + timedelta(days=count))


@pytest.fixture
def phone(office: Office) -> Iterator[httpx.Client]:
    """A client without a token."""
    with office.house.client(None) as made:
        yield made


def feed(maker: Maker) -> tuple[str, dict[str, Any]]:
    """A new feed's path with its token, and its answer."""
    made = maker.post("calendar-feeds", name="Phone")
    base, path = made["secret_address"][:25], made["secret_address"][25:]
    assert base == "https://stock.example.org"
    return path, made


def stock(maker: Maker) -> None:
    """Shea that expires, a balm that rests, orders that are due."""
    maker.post("materials", code="shea", name="Shea; butter")
    maker.post("materials", code="wax", name="Wax")
    lines = [{"material": "shea", "percent": 80}, {"material": "wax", "percent": "rest"}]
    maker.post("formulas", code="soap", name="Soap", usual_batch_g=1000, rest_days=28, lines=lines)
    maker.post("products", code="soap-100", name="Soap, 100 g", formula="soap", fill_g=100, shelf_life_days=365)
    maker.post("receipts", material="shea", quantity=5000, expires_on=days(60), received_on=days(-1))
    maker.post("receipts", material="wax", quantity=2000, received_on=days(-1))
    maker.post("runs", product="soap-100", units=10)
    maker.post("receipts", material="shea", quantity=100, expires_on=days(20))
    maker.patch("customers/Corner shop", transit_days=2)
    order = {"product": "soap-100", "units": 4}
    maker.post("orders", reference="w-1", customer="Corner shop", channel="wholesale", due_on=days(40), lines=[order])
    maker.post("orders", reference="w-2", due_on=days(50), lines=[order])
    maker.patch("orders/w-2", state="cancelled")
    maker.post("orders", reference="w-3", lines=[order])


def sell(office: Office, maker: Maker) -> str:
    """Three weeks of a mask that is made to stock and sold every third day, and its clay that is on order; its order's code."""
    maker.post("materials", code="clay", name="Clay")
    maker.post("formulas", code="mask", name="Mask", lines=[{"material": "clay", "percent": "rest"}])
    maker.post("products", code="mask-50", name="Mask", formula="mask", fill_g=50)
    for back in range(21, 0, -3):
        office.now = later(MORNING, days=-back)
        if back == 21:
            maker.post("receipts", material="clay", quantity=4000)
            maker.post("runs", product="mask-50", units=60)
        maker.post("market-days", lines=[{"product": "mask-50", "units": 6}])
    office.now = MORNING
    maker.post("suppliers", code="north", name="North mill", lead_time_days=10)
    order = maker.post("purchase-orders", supplier="north", lines=[{"material": "clay", "quantity": 500}])["code"]
    maker.post(f"purchase-orders/{order}/placement", 200, expected_on=days(5))
    return str(order)


def read(phone: httpx.Client, path: str) -> dict[str, Any]:
    answer = phone.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert answer.headers["cache-control"] == "private"
    calendar = icalendar.Calendar.from_ical(answer.text)
    assert not calendar.errors
    found = {str(one["UID"]).partition("@")[0]: one for one in calendar.walk("VEVENT")}
    assert len(found) == len(calendar.walk("VEVENT")), "every uid once"
    return found


def test_what_is_to_come_stands_on_its_days(office: Office, maker: Maker, phone: httpx.Client) -> None:
    order = sell(office, maker)
    stock(maker)
    maker.get("alerts")  # looks
    path, made = feed(maker)
    found = read(phone, path)
    lots = {(lot["item"], lot["on_hand"]): lot["code"] for lot in maker.get("lots")["items"]}
    small, large, soap = lots["shea", 100], lots["shea", 4200], lots["soap-100", 10]
    batch = maker.get(f"lots/{soap}")["batch"]
    clay = next(one for one in maker.get("cover")["materials"] if one["material"] == "clay")
    foreseen = maker.act(figures.figures)
    make_by = foreseen["mask-50"]["order_by"]
    assert TODAY <= make_by <= TODAY + timedelta(days=14), "eighteen are left, and two a day are sold"
    shown = {uid: (str(one["SUMMARY"]), one.decoded("DTSTART")) for uid, one in found.items()}
    assert shown == {
        "order-by-clay": ("Order Clay", date.fromisoformat(clay["order_by"])),
        "order-by-mask-50": ("Make Mask", make_by),
        f"expiry-{small}": ("Last usable day: 100 g of Shea; butter", TODAY + timedelta(days=20)),
        f"expiry-{large}": ("Last usable day: 4.2 kg of Shea; butter", TODAY + timedelta(days=60)),
        f"expiry-{soap}": ("Last usable day: 10 pieces of Soap, 100 g", TODAY + timedelta(days=365)),
        f"ready-{soap}": (f"Batch {batch} is ready: 10 pieces of Soap, 100 g", TODAY + timedelta(days=28)),
        "order-w-1": ("Order w-1 for Corner shop is due", TODAY + timedelta(days=40)),
        f"purchase-order-{order}": (f"Purchase order {order} from North mill is expected", TODAY + timedelta(days=5)),
    }
    assert str(found["order-w-1"]["DESCRIPTION"]) == "It must leave by 17 April."
    out = foreseen["clay"]["runs_out"]
    assert str(found["order-by-clay"]["DESCRIPTION"]) == f"What is there may run out on {said.day(out, TODAY)}."
    assert all(str(one["UID"]).endswith(".stillroom") for one in found.values())
    office.now = later(MORNING, days=1)
    next_day = read(phone, path)
    assert next_day.keys() == found.keys(), "the same things keep their uids"
    maker.post("disposals", lot=small, quantity=100, reason="spoiled")
    office.now = later(MORNING, days=70)
    assert f"expiry-{small}" not in read(phone, path)
    assert f"ready-{soap}" not in read(phone, path), "long ready"
    assert maker.get("calendar-feeds")["items"] == [made | {"secret_address": None, "last_used_on": None}]


def test_what_is_overdue_stands_on_today(office: Office, maker: Maker, phone: httpx.Client) -> None:
    order = sell(office, maker)
    stock(maker)
    maker.get("alerts")  # looks
    path, _ = feed(maker)
    before = read(phone, path)
    lot = next(lot["code"] for lot in maker.get("lots")["items"] if lot["on_hand"] == 100)
    office.now = later(MORNING, days=39)
    tomorrow = read(phone, path)["order-w-1"]
    assert tomorrow.decoded("DTSTART") == TODAY + timedelta(days=40)
    assert str(tomorrow["DESCRIPTION"]) == "It was to leave by 17 April.", "that is yesterday"
    late, foreseen = TODAY + timedelta(days=60), maker.act(figures.figures)
    office.now = later(MORNING, days=60)
    found = read(phone, path)
    since = {code: said.day(one["order_by"], late) for code, one in foreseen.items() if one["order_by"]}
    shown = {uid: (str(one["SUMMARY"]), str(one.get("DESCRIPTION", ""))) for uid, one in found.items()}
    assert {uid: shown[uid] for uid, one in found.items() if one.decoded("DTSTART") == late and "expiry" not in uid} == {
        "order-by-clay": (f"Order Clay, due since {since['clay']}", "What was there may have run out."),
        "order-by-mask-50": (f"Make Mask, due since {since['mask-50']}", "What was there may have run out."),
        "order-w-1": ("Order w-1 for Corner shop was due on 19 April", "It was to leave by 17 April."),
        f"purchase-order-{order}": (f"Purchase order {order} from North mill was expected on 15 March", ""),
    }
    assert found[f"expiry-{lot}"].decoded("DTSTART") == TODAY + timedelta(days=20), (
        "a fact of its day, and nothing to be done by it"
    )
    assert [one["UID"] for one in found.values()] == [before[uid]["UID"] for uid in found], "the same things keep their uids"
    maker.post("orders/w-1/shipments")
    assert "order-w-1" not in read(phone, path)


def test_a_phone_that_has_it_is_told_so(office: Office, maker: Maker, phone: httpx.Client) -> None:
    office.now = MORNING
    stock(maker)
    path, _ = feed(maker)
    first = phone.get(path)
    office.now = later(MORNING, hours=3)
    again = phone.get(path, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["cache-control"] == "private"
    maker.post("orders", reference="w-9", due_on=days(9), lines=[{"product": "soap-100", "units": 1}])
    changed = phone.get(path, headers={"If-None-Match": first.headers["etag"]})
    assert changed.status_code == 200
    assert changed.headers["etag"] != first.headers["etag"]


def test_the_address_opens_the_calendar_and_nothing_else(
    office: Office, maker: Maker, stranger: Maker, phone: httpx.Client
) -> None:  # fmt: skip
    stock(maker)
    path, made = feed(maker)
    theirs, _ = feed(stranger)
    assert read(phone, theirs) == {}
    token = path.partition("?token=")[2]
    with office.house.client(token) as client:
        for address in ("materials", "workshop", "calendar-feeds", "alerts-or-not"):
            assert client.get(f"/v1/{address}").status_code in (403, 404)
        assert client.post("/v1/orders", json={"lines": []}).status_code == 403
    owner = maker.client.headers["Authorization"].removeprefix("Bearer ")
    assert phone.get("/v1/calendar.ics", params={"token": owner}).status_code == 403, "no other token has a place in an address"
    assert maker.client.get("/v1/calendar.ics").status_code == 401
    for wrong in ("", "x", token[:-1], f"{token}x", token.partition(".")[2], f"other.{token.partition('.')[2]}"):
        refused = phone.get("/v1/calendar.ics", params={"token": wrong})
        assert (refused.status_code, refused.json()["type"]) == (401, "/problems/token-needed")
    assert made["code"] not in [one["code"] for one in maker.get("tokens")["items"]]
    maker.ask("DELETE", f"tokens/{made['code']}", 404)
    stranger.ask("DELETE", f"calendar-feeds/{made['code']}", 404)
    phones = maker.post("tokens", name="phone", scopes=["read"])
    maker.ask("DELETE", f"calendar-feeds/{phones['code']}", 404)
    maker.ask("DELETE", f"calendar-feeds/{made['code']}", 204)
    assert phone.get(path).status_code == 401, "revoked at once"
    with office.engine.connect() as connection:
        kept = connection.exec_driver_sql("SELECT secret_hash FROM token").scalars().all()
    assert not [one for one in kept if one in token or token in one], "only a hash is kept"


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
def test_guessing_addresses_is_limited(office: Office, maker: Maker, phone: httpx.Client) -> None:
    path, _ = feed(maker)
    met = [phone.get("/v1/calendar.ics", params={"token": f"guess-{n}"}).status_code for n in range(32)]
    assert met == [401] * 30 + [429] * 2
    assert phone.get(path).status_code == 200, "a valid one never is"


@pytest.mark.parametrize("office", ["sqlite"], indirect=True)
def test_a_replayed_creation_leaves_the_address_out(maker: Maker) -> None:
    key = {"Idempotency-Key": "once"}
    first = maker.ask("POST", "calendar-feeds", 201, {"name": "Phone"}, headers=key)
    again = maker.ask("POST", "calendar-feeds", 201, {"name": "Phone"}, headers=key)
    assert again == {name: value for name, value in first.items() if name != "secret_address"}
