"""A cover is never stale: each kind of thing that matters is changed in turn, and what was answered before is not given again."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import Bench
from contract.inprocess import running
from forecasts.past import every_week

TODAY = datetime.now(UTC).date()


class Now:
    """The time of the workshop, which a test moves on."""

    ahead = timedelta(0)

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.ahead


class Told:
    """A workshop that is told one thing after another, and what was answered to it."""

    def __init__(self, bench: Bench, now: Now) -> None:
        self.bench, self.now = bench, now
        self.codes: dict[str, str] = {}

    def post(self, path: str, expect: int = 201, **body: Any) -> Any:
        return self.bench.post(path, expect, **body)

    def patch(self, path: str, **body: Any) -> None:
        answer = self.bench.client.patch(f"/v1/{path}", json=body)
        assert answer.status_code == 200, answer.text

    def lot(self, material: str) -> str:
        found: Any = self.bench.get(f"materials/{material}")
        return str(found["lots"][0]["code"])

    def keep(self, name: str, code: Any) -> None:
        self.codes[name] = str(code)


@pytest.fixture(name="now")
def now_() -> Now:
    return Now()


@pytest.fixture(name="owner")
def owner_(tmp_path: Path, now: Now) -> Iterator[httpx.Client]:
    """Takes the place of a server's owner, so that `stocked` is a workshop whose time the test moves on."""
    with running(f"sqlite:///{tmp_path}/books.db", clock=now) as house, house.client(house.new_workshop()) as client:
        yield client


def in_days(days: int) -> str:
    return str(TODAY + timedelta(days=days))


def line(units: int, product: str = "balm-50") -> list[dict[str, Any]]:
    return [{"product": product, "units": units}]


def new_formula(told: Told) -> None:
    lines = [{"material": "shea", "percent": 60}, {"material": "wax", "percent": "rest"}]
    told.post("formulas/balm/versions", lines=lines, usual_batch_g=1000, process_loss_percent=10)


def thrown_away(told: Told) -> None:
    told.keep("disposal", told.post("disposals", lot=told.lot("tin"), quantity=7, reason="damaged")["disposal"])


def set_apart(told: Told) -> None:
    told.patch("places/attic", production=False)
    told.patch(f"lots/{told.lot('tin')}", place="attic")


def planned(told: Told) -> None:
    told.keep("plan", told.post("runs", product="balm-50", units=20, status="planned", planned_on=in_days(3))["batch"]["code"])


def closed(told: Told) -> None:
    told.keep("mark", told.post("calendar-marks", kind="closed", from_on=in_days(7), until_on=in_days(35))["mark"])


def on_order(told: Told) -> None:
    told.post("suppliers", code="mill", name="The Mill", lead_time_days=9)
    told.post("offers", supplier="mill", material="tin", pack={"quantity": 50, "unit": "piece"}, price=20)
    told.keep("purchase", told.post("purchase-orders", supplier="mill", lines=[{"offer": "F-0001", "packs": 1}])["code"])
    told.post(f"purchase-orders/{told.codes['purchase']}/placement", 200)


def gift_box(told: Told) -> None:
    told.post("products", code="box", name="Box", contains=[{"product": "balm-50", "quantity": 3}])
    every_week(told.bench, 4, product="box", stem="B")


def came_back(told: Told) -> None:
    """Released, it is sold before anything is made."""
    batch = told.post("runs", product="balm-50", units=6, plan="none")["batch"]["code"]
    told.post("orders", reference="back", lines=line(6))
    told.post("orders/back/shipments", lots=[{"lot": batch}])
    told.keep("lot", told.post("orders/back/returns", batch=batch, units=6, condition="unopened")["lot"])


def giant(told: Told) -> None:
    told.post("imports/orders", csv=f"order,date,product,units\nGIANT,{in_days(-30)},balm-50,300\n")


def next_day(told: Told) -> None:
    told.now.ahead = timedelta(days=1)


Act = Callable[[Told], Any]
CHANGES: list[tuple[str, str, str, Act]] = [  # what is told; the material and the part of its cover that it changes; how
    ("a receipt", "tin", "on_hand", lambda told: told.post("receipts", material="tin", quantity=50)),
    ("a count", "tin", "on_hand", lambda told: told.post("counts", material="tin", counted=140)),
    ("a disposal", "tin", "on_hand", thrown_away),
    ("its reversal", "tin", "on_hand", lambda told: told.post("reversals", document=told.codes["disposal"], reason="typo")),
    ("a lot put in quarantine", "tin", "usable", lambda told: told.patch(f"lots/{told.lot('tin')}", status="quarantined")),
    ("a lot released", "tin", "usable", lambda told: told.patch(f"lots/{told.lot('tin')}", status="released")),
    ("a lot that expires", "shea", "expiring", lambda told: told.patch(f"lots/{told.lot('shea')}", expires_on=in_days(20))),
    ("a place that production does not draw from", "tin", "bands", set_apart),
    ("the place back", "tin", "bands", lambda told: told.patch("places/attic", production=True)),
    ("a run", "tin", "on_hand", lambda told: told.post("runs", product="balm-50", units=10)),
    ("a planned run", "tin", "claimed", planned),
    ("its cancellation", "tin", "claimed", lambda told: told.post(f"runs/{told.codes['plan']}/cancellation", 200)),
    ("an order", "tin", "claimed", lambda told: told.post("orders", reference="o", customer="Nell", due_on=in_days(30),
                                                          channel="wholesale", lines=line(90))),
    ("its due day", "tin", "runs_out", lambda told: told.patch("orders/o", due_on=in_days(9))),
    ("its customer's transit", "tin", "bands", lambda told: told.patch("customers/Nell", transit_days=8)),
    ("its lines", "tin", "claimed", lambda told: told.patch("orders/o", lines=line(40))),
    ("its channel", "tin", "bands", lambda told: told.patch("orders/o", channel="retail", due_on=in_days(16))),
    ("whether it comes again", "tin", "bands", lambda told: told.patch("orders/o", one_off=True)),
    ("a shipment", "tin", "claimed", lambda told: told.post("orders/o/shipments", lines=line(15))),
    ("its cancellation, too", "tin", "claimed", lambda told: told.patch("orders/o", state="cancelled")),
    ("what came back", "tin", "on_hand", came_back),
    ("and is released", "tin", "bands", lambda told: told.patch(f"lots/{told.codes['lot']}", status="released")),
    ("a market day", "tin", "bands", lambda told: told.post("market-days", lines=line(5))),
    ("history", "tin", "weekly_need", lambda told: every_week(told.bench, 10, stem="H")),
    ("a huge order of the past", "tin", "huge_orders", giant),
    ("what it was", "tin", "huge_orders", lambda told: told.patch("orders/GIANT", one_off=True)),
    ("closed days to come", "tin", "weekly_need", closed),
    ("that they are open after all", "tin", "weekly_need",
     lambda told: told.bench.client.delete(f"/v1/calendar-marks/{told.codes['mark']}")),
    ("a new product", "tin", "drivers", lambda told: told.post(
        "products", code="new", name="New", formula="balm", fill_g=20, packaging=[{"material": "tin"}], like=["balm-50"])),
    ("a set that holds a product", "tin", "drivers", gift_box),
    ("what the new product is like", "tin", "drivers", lambda told: told.patch("products/new", like=["box"])),
    ("a product that is sold no more", "tin", "drivers", lambda told: told.patch("products/new", active=False)),
    ("a season", "tin", "weekly_need", lambda told: told.patch("products/box", sold_from=f"{TODAY + timedelta(days=40):%m-%d}",
                                                              sold_until=f"{TODAY + timedelta(days=60):%m-%d}")),
    ("a new version of the formula", "shea", "weekly_need", new_formula),
    ("a lead time", "tin", "order_by", lambda told: told.patch("materials/tin", lead_time_days=25)),
    ("a service level", "tin", "service_level_percent", lambda told: told.patch("materials/tin", service_level_percent=80)),
    ("the workshop's lead time", "shea", "lead_time_days", lambda told: told.patch("workshop", lead_time_days=3)),
    ("the week's first day", "tin", "bands", lambda told: told.patch("workshop", week_start="thursday")),
    ("a purchase order", "tin", "on_order", on_order),
    ("its cancellation, by the supplier", "tin", "on_order",
     lambda told: told.post(f"purchase-orders/{told.codes['purchase']}/cancellation", 200)),
    ("a supplier's lead time", "tin", "lead_time", lambda told: (told.patch("materials/tin", lead_time_days=None),
                                                                 told.patch("suppliers/mill", lead_time_days=40))),
    ("a name", "tin", "sentence", lambda told: told.patch("materials/tin", name="Tin, 60 ml")),
    ("the next day", "tin", "as_of", next_day),
]  # fmt: skip


def test_whatever_matters_changes_the_answer(stocked: Bench, now: Now) -> None:
    """Each time the caller says what it has (`If-None-Match`), and is given the new answer; asked again, it has that."""
    every_week(stocked, 20)
    told = Told(stocked, now)
    for what, material, part, act in CHANGES:
        before = stocked.client.get(f"/v1/cover/{material}")
        act(told)
        after = stocked.client.get(f"/v1/cover/{material}", headers={"If-None-Match": before.headers["ETag"]})
        assert after.status_code == 200, f"{what} is not seen"
        assert after.json()[part] != before.json()[part], f"{what} does not change {part}"
        again = stocked.client.get(f"/v1/cover/{material}", headers={"If-None-Match": after.headers["ETag"]})
        assert again.status_code == 304, what
        whole: Any = stocked.get("cover")
        assert next(one for one in whole["materials"] if one["material"] == material)["sentence"] == after.json()["sentence"]


def test_what_does_not_matter_leaves_the_answer_as_it_is(stocked: Bench) -> None:
    every_week(stocked, 20)
    before = stocked.client.get("/v1/cover/tin")
    stocked.post("materials", code="ribbon", name="Ribbon", kind="packaging")
    stocked.post("receipts", material="wax", quantity=500)
    after = stocked.client.get("/v1/cover/tin", headers={"If-None-Match": before.headers["ETag"]})
    assert after.status_code == 304
