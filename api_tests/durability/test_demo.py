"""The demo as a new user meets it: what the terminal prints is what a caller gets, and the workshop is alive today."""

import csv
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import Bench, Server
from contract.inprocess import new_database

from service.actions.demo import orders

QUESTION = re.compile(r"^Is there enough for (\d+) of (\S+)\? (.+)$", re.MULTILINE)
EXPIRY = re.compile(r"^Lot (\S+) of (\S+) (expires|expired) on (\S+): (\S+?)( g)? on hand\.$", re.MULTILINE)


class Demo(Server):
    """A server as `make run` starts it: the demo, and no token from outside."""

    seed = "demo"

    def environment(self) -> dict[str, str]:
        given = {**super().environment(), "STILLROOM_SEED": self.seed}
        del given["STILLROOM_OWNER_TOKEN"]
        return given

    def said(self) -> str:
        """What the terminal shows since the last start."""
        shown = self.log.read_text()
        return shown[shown.rindex("Stillroom is at") :]

    def token(self, whose: str) -> str:
        found = re.findall(rf"^{whose}'s token .*: (\S+)$", self.log.read_text(), re.MULTILINE)
        assert len(found) == 1, self.log.read_text()
        return str(found[0])


@contextmanager
def started(server: Demo) -> Iterator[None]:
    server.start()
    try:
        yield
    finally:
        assert server.stop() == 0


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    folder = tmp_path_factory.mktemp("demo")
    url = f"sqlite:///{folder}/x.db"
    if request.param == "postgresql":
        url = new_database(request.getfixturevalue("postgresql"), "demo")
    server = Demo(url, folder / "log")
    with started(server):
        yield server


@pytest.fixture
def keeper(demo: Demo) -> Iterator[httpx.Client]:
    with demo.client(demo.token("Owner")) as client:
        yield client


def items(client: httpx.Client, path: str) -> list[dict[str, Any]]:
    answer = client.get(f"/v1/{path}{'&' if '?' in path else '?'}limit=200")
    assert "next" not in answer.links
    found: list[dict[str, Any]] = answer.json()["items"]
    return found


def test_the_terminal_gives_addresses_that_answer(demo: Demo) -> None:
    said = demo.said()
    assert f"Stillroom is at {demo.base}/\n" in said
    assert f": {demo.base}/docs\n" in said
    with demo.client(None) as client:
        for path in ("/", "/docs"):
            answer = client.get(path)
            assert answer.status_code == 200
            assert answer.headers["Content-Type"].startswith("text/html")


def test_the_phone_records_and_reads_and_the_owner_manages(demo: Demo) -> None:
    with demo.client(demo.token("Phone")) as phone, demo.client(demo.token("Owner")) as owner:
        assert phone.get("/v1/materials").status_code == 200
        rehearsed = {"material": "shea-butter", "quantity": 1, "dry_run": True}
        assert phone.post("/v1/receipts", json=rehearsed).status_code == 200
        assert phone.post("/v1/materials", json={"code": "x", "name": "x"}).status_code == 403
        assert phone.post("/v1/tokens", json={"name": "x", "scopes": ["read"]}).status_code == 403
        scopes = {token["name"]: token["scopes"] for token in items(owner, "tokens")}
        assert scopes == {"owner": ["manage"], "phone": ["record"]}


def test_the_printed_answers_are_a_callers(demo: Demo, keeper: httpx.Client) -> None:
    asked = QUESTION.findall(demo.said())
    assert len(asked) == 2
    answers = []
    for units, product, sentence in asked:
        got = keeper.get("/v1/checks", params={"product": product, "units": units}).json()
        posted = keeper.post("/v1/checks", json={"wants": [{"product": product, "units": int(units)}]}).json()
        assert got == posted
        assert got["sentence"] == sentence
        answers.append(got)
    can, cannot = answers
    assert can["enough"] is True
    assert all(not need["short"] for need in can["needs"])
    assert cannot["enough"] is False
    short = [need["material"] for need in cannot["needs"] if need["short"]]
    assert short
    names = {one["code"]: one["name"] for one in items(keeper, "materials")}
    assert any(names[material].lower() in cannot["sentence"].lower() for material in short)
    assert f"{cannot['makeable_units'][asked[1][1]]} can be made" in cannot["sentence"]


def test_the_printed_run_can_be_made_as_it_says(demo: Demo, keeper: httpx.Client) -> None:
    """Rehearsed, so that the demo stays as it is: nothing is short in the one, something in the other."""
    (units, can, _), (more, cannot, _) = QUESTION.findall(demo.said())
    made = keeper.post("/v1/runs", json={"product": can, "units": int(units), "dry_run": True}).json()
    assert made["shortages"] == []
    refused = keeper.post("/v1/runs", json={"product": cannot, "units": int(more), "strict": True})
    assert refused.status_code == 409
    assert refused.json()["shortages"]


def test_what_expires_soon_is_printed_as_the_list_has_it(demo: Demo, keeper: httpx.Client) -> None:
    days = keeper.get("/v1/workshop").json()["expiry_warning_days"]
    today = date.fromisoformat(keeper.get("/v1/checks?product=shore-box&units=1").json()["making_day"])
    listed = items(keeper, f"lots?status=released&expires_before={today + timedelta(days=days)}")
    wanted = {
        (lot["code"], lot["item"], "expired" if lot["last_usable_day"] < str(today) else "expires", lot["last_usable_day"])
        for lot in listed
    }
    printed = EXPIRY.findall(demo.said())
    assert {one[:4] for one in printed} == wanted
    on_hand = {lot["code"]: lot["on_hand"] for lot in listed}
    assert all(float(one[4]) == on_hand[one[0]] for one in printed)
    weighed = {thing["code"] for thing in items(keeper, "materials") if thing["unit"] == "g"}
    assert all(bool(one[5]) == (one[1] in weighed) for one in printed)
    assert {one[2] for one in printed} == {"expires", "expired"}


def test_the_workshop_is_as_large_as_it_should_be(keeper: httpx.Client) -> None:
    lots = items(keeper, "lots?empty=true")
    found = Counter(one["kind"] for one in items(keeper, "materials"))
    runs = Counter(run["state"] for run in items(keeper, "runs"))
    assert 24 <= found["ingredient"] <= 27
    assert found["packaging"] == 10
    assert found["bulk"] == len(items(keeper, "formulas")) == 7
    assert len(items(keeper, "products")) == 9
    assert 55 <= len(lots) <= 65, Counter(lot["kind"] for lot in lots)
    assert {lot["kind"] for lot in lots} == {"ingredient", "packaging", "bulk", "product"}
    assert "quarantined" in {lot["status"] for lot in lots}
    assert runs["planned"] == 2
    assert runs["completed"] >= 8
    assert items(keeper, "counts")
    assert items(keeper, "disposals")


@pytest.mark.parametrize("today", [date(2027, 1, 1), date(2028, 2, 29), date(2028, 11, 20), date(2028, 12, 31)])
def test_it_has_sold_for_a_year_and_a_half_on_any_day(today: date) -> None:
    header, *rows = csv.reader(orders(today).splitlines())
    lines = [dict(zip(header, row, strict=True)) for row in rows]
    days = sorted(date.fromisoformat(line["placed_on"]) for line in lines)
    assert 600 <= len(lines) <= 900
    assert today - timedelta(days=546) <= days[0] <= today - timedelta(days=530)
    assert today - timedelta(days=7) <= days[-1] < today
    assert {line["channel"] for line in lines} == {"retail", "wholesale", "market"}
    boxes = [line["placed_on"][5:] for line in lines if line["product"] == "shore-box"]
    assert len(boxes) >= 20
    assert all("10-01" <= day <= "12-24" for day in boxes)
    assert Counter(line["state"] for line in lines if line["due_on"]) == {"open": 4}


def test_the_past_orders_moved_nothing_and_the_open_ones_claim(keeper: httpx.Client) -> None:
    placed = items(keeper, "orders?state=open")
    assert {one["reference"] for one in placed} == {"t-201", "t-202", "t-203"}
    assert items(keeper, "shipments") == []
    wanted = sum(line["units"] for one in placed for line in one["lines"] if line["product"] == "clay-bar-100")
    bars = keeper.get("/v1/products/clay-bar-100").json()
    assert bars["on_hand"] == 76
    assert 0 < bars["claimed"] <= wanted


def test_the_cover_names_what_to_order_by_when_and_what_will_not_be_used(keeper: httpx.Client) -> None:
    cover = keeper.get("/v1/cover").json()
    today = date.fromisoformat(cover["as_of"])
    by = [date.fromisoformat(one["order_by"]) for one in cover["materials"] if one["order_by"] and one["kind"] != "bulk"]
    assert min(by) <= today
    assert sum(today < day <= today + timedelta(days=92) for day in by) >= 15
    ends = [one["runs_out"]["likely"] for one in cover["materials"] if one["runs_out"]["likely"] and one["kind"] != "bulk"]
    assert 1 <= sum(date.fromisoformat(day) <= today + timedelta(days=31) for day in ends) <= 5
    unneeded = {one["material"] for one in cover["materials"] if "is not needed by" in one["sentence"]}
    assert unneeded <= {"gift-box"}, "of the product that has a season"
    on_hand = {lot["code"]: lot["on_hand"] for lot in items(keeper, "lots")}
    assert any(0 < lost["quantity"] < on_hand[lost["lot"]] for one in cover["materials"] for lost in one["expiring"])
    said = keeper.get("/v1/cover", headers={"Accept": "text/plain"}).text.splitlines()
    assert re.search(r" lasts .*; order .*by \d+ [A-Z]", said[0]), said[0]


def test_alerts_and_forecasts_of_the_demo_say_something(keeper: httpx.Client) -> None:
    told = items(keeper, "alerts")
    assert {"order-now", "customer-order-at-risk", "expired-on-the-shelf"} <= {one["kind"] for one in told}
    for product in items(keeper, "products"):
        seen = keeper.get(f"/v1/forecasts/{product['code']}").json()
        assert seen["channels"], product["code"]
        assert product["code"] == "shore-box" or seen["all"]["weekly_mean"] > 1, product["code"]
        assert "past spans of four weeks" in seen["how_good"]


def test_one_bulk_is_inside_another_formula_and_one_is_filled_in_two_sizes(keeper: httpx.Client) -> None:
    formulas = items(keeper, "formulas")
    codes = {formula["code"] for formula in formulas}
    assert any(line["material"] in codes for formula in formulas for line in formula["lines"])
    sizes = Counter(product["formula"] for product in items(keeper, "products") if product["formula"])
    kept = [lot for lot in items(keeper, "lots") if lot["kind"] == "bulk" and sizes[lot["item"]] > 1]
    assert kept
    assert any(product["contains"] for product in items(keeper, "products"))


def test_nothing_in_the_demo_is_short_dear_or_unpriced(keeper: httpx.Client) -> None:
    """No figure below zero, every lot priced, and no ingredient dearer than 0.50 a gram or cheaper than 2 a kilogram."""
    for thing in [*items(keeper, "materials"), *items(keeper, "products")]:
        assert thing["unbooked"] == 0, thing["code"]
    for lot in items(keeper, "lots?empty=true"):
        assert lot["unit_cost"] is not None, lot["code"]
        if lot["kind"] == "ingredient":
            assert 0.002 <= lot["unit_cost"] <= 0.5, lot
        elif lot["kind"] == "packaging":
            assert 0.03 <= lot["unit_cost"] <= 2, lot


def test_the_books_of_the_demo_add_up(demo: Demo) -> None:
    proved = demo.command("verify")
    assert proved.returncode == 0, proved.stdout


def test_a_second_start_tells_no_token_and_loads_nothing_again(tmp_path: Path) -> None:
    server = Demo(f"sqlite:///{tmp_path}/x.db", tmp_path / "log")
    pages = ("lots?limit=200", "runs?limit=200", "materials?limit=200")
    with started(server):
        tokens, first = (server.token("Owner"), server.token("Phone")), server.said()
        with server.client(tokens[0]) as client:
            before = [client.get(f"/v1/{page}").text for page in pages]
    with started(server):
        again = server.said()
        assert "token (" not in again
        assert all(token not in again for token in tokens)
        assert "python -m service token add" in again
        assert QUESTION.findall(again) == QUESTION.findall(first) != []
        assert EXPIRY.findall(again) == EXPIRY.findall(first) != []
        with server.client(tokens[0]) as client:
            assert [client.get(f"/v1/{page}").text for page in pages] == before
        assert len(server.command("workshop", "list").stdout.splitlines()) == 1


def test_without_the_demo_it_starts_empty(tmp_path: Path) -> None:
    server = Demo(f"sqlite:///{tmp_path}/x.db", tmp_path / "log")
    server.seed = "none"
    with started(server):
        assert not QUESTION.findall(server.said())
        assert not EXPIRY.findall(server.said())
        with server.client(server.token("Owner")) as client:
            for path in ("materials", "formulas", "products", "lots?empty=true", "runs", "receipts", "counts", "disposals"):
                assert items(client, path) == [], path
            Bench(client).post("materials", code="shea", name="Shea butter")
