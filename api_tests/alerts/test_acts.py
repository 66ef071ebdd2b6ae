"""Every alert's suggested request works as it stands, once what it asks for is filled in; on both engines."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from alerts.year import Clock
from contract.inprocess import new_database, running

from service.core.alerts.causes import KINDS

START = datetime(2031, 5, 5, 7, 0, tzinfo=UTC)  # a Monday
TODAY = START.date() + timedelta(days=15)
UNITS = {"tin": "piece", "box": "piece"}
ANSWERS = {"counted": 3, "retest_on": str(TODAY + timedelta(days=200))}


@pytest.fixture(params=["sqlite", "postgresql"])
def busy(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[httpx.Client]:
    """A workshop in which everything needs doing on one day."""
    clock = Clock(START)
    url = f"sqlite:///{tmp_path}/acts.db"
    if request.param == "postgresql":
        url = new_database(request.getfixturevalue("postgresql"), "acts")
    with running(url, clock=clock) as house, house.client(house.new_workshop()) as client:

        def post(path: str, **body: Any) -> dict[str, Any]:
            answer = client.post(f"/v1/{path}", json=body)
            assert answer.status_code in (200, 201), (path, answer.text)
            return answer.json()  # type: ignore[no-any-return]

        def day(ahead: int) -> str:
            return str(START.date() + timedelta(days=ahead))

        for code in ("oil", "wax", "clay"):
            post("materials", code=code, name=code.title())
        for code in ("tin", "box"):
            post("materials", code=code, name=code.title(), kind="packaging")
        lines = [{"material": "oil", "percent": 70}, {"material": "wax", "percent": "rest"}]
        post("formulas", code="salve", name="Salve", lines=lines)
        post("formulas", code="cured", name="Cured", rest_days=12, lines=lines)
        for code, formula, around in (("balm", "salve", "tin"), ("gift", "salve", "box"), ("soap", "cured", "tin")):
            packaging = [{"material": around, "quantity": 1}]
            post("products", code=code, name=code.title(), formula=formula, fill_g=50, packaging=packaging)
        post("suppliers", code="mill", name="The mill", lead_time_days=5)
        for code in ("oil", "wax", "clay", "tin", "box"):
            post("offers", supplier="mill", material=code, price=9, pack={"quantity": 50, "unit": UNITS.get(code, "g")})
        late = post("purchase-orders", supplier="mill", lines=[{"material": "clay", "quantity": 500}])["code"]
        post(f"purchase-orders/{late}/placement")
        post("receipts", material="oil", quantity=4_000)
        post("receipts", material="wax", quantity=2_000)
        post("receipts", material="tin", quantity=500)
        post("receipts", material="box", quantity=5)
        post("runs", product="balm", units=12)
        for ahead in range(0, 14):  # sold from the shelf
            clock.now = START + timedelta(days=ahead)
            if ahead == 3:
                post("runs", product="soap", units=10)
            post("market-days", lines=[{"product": "balm", "units": 1}])
            if ahead == 9:
                post("runs", product="balm", units=3)
        clock.now = START + timedelta(days=15)
        post("receipts", material="clay", quantity=100, expires_on=day(20))  # soon, and in nothing that sells
        post("receipts", material="oil", quantity=20_000, expires_on=day(80))  # far too much
        post("receipts", material="clay", quantity=100, expires_on=day(1))
        post("receipts", material="wax", quantity=100, retest_on=day(10))
        post("receipts", material="oil", quantity=300, expires_on=day(25))
        post("runs", product="gift", units=6)  # a box too many
        post("orders", reference="big", channel="wholesale", due_on=day(18), lines=[{"product": "gift", "units": 40}])
        boxes = post("purchase-orders", supplier="mill", lines=[{"material": "box", "quantity": 500}])["code"]
        post(f"purchase-orders/{boxes}/placement", expected_on=day(20))  # too late for it
        yield client


def test_every_act_can_be_performed_as_it_stands(busy: httpx.Client) -> None:
    found = busy.get("/v1/alerts?limit=200").json()["items"]
    assert {one["kind"] for one in found} == set(KINDS)
    for alert in found:
        act = alert["act"]
        asked = {one["field"]: ANSWERS[one["field"]] for one in act["asks"]}
        body = None if act["body"] is None else act["body"] | asked
        answer = busy.request(act["method"], act["path"], json=body)
        assert answer.status_code in (200, 201), (alert, answer.text)
    after = {(one["kind"], one["subject"]) for one in busy.get("/v1/alerts?limit=200").json()["items"]}
    for alert in found:
        if alert["kind"] in ("expired-on-the-shelf", "re-test-due", "count-wanted", "purchase-order-late"):
            assert (alert["kind"], alert["subject"]) not in after, alert
