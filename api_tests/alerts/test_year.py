"""A year of days under a clock that the test moves: every kind of alert opens and closes when it should, and none flaps."""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from alerts.year import FIRST, Clock, Year
from contract.inprocess import running

from service.core.alerts.causes import KINDS

DAYS = 365
SHOP = 262  # the day on which the shop's orders begin to be kept here
FAR = 300  # the day of a delivery that is far too large
SLACK = 3
QUIET = frozenset((*range(113, 178), *range(203, 260)))  # weeks in which nothing happens, and from which no date is near


@pytest.fixture
def year(tmp_path: Path) -> Iterator[Year]:
    clock = Clock()
    with running(f"sqlite:///{tmp_path}/year.db", clock=clock) as house, house.client(house.new_workshop()) as client:
        yield Year(house, client, clock)


class Story:
    """What happens in the workshop, by day."""

    def __init__(self, year: Year) -> None:
        self.year = year
        self.lots: dict[str, str] = {}
        self.batches: dict[str, str] = {}
        self.made: list[int] = []
        self.placed: dict[str, tuple[str, int]] = {}  # what was ordered: its purchase order, and the day
        self.came: dict[str, int] = {}

    def begin(self) -> None:
        post = self.year.post
        for code in ("oil", "lye", "wax", "butter"):
            post("materials", code=code, name=code.title())
        for code in ("wrap", "tin", "box"):
            post("materials", code=code, name=code.title(), kind="packaging")
        bar = [{"material": "oil", "percent": 85}, {"material": "lye", "percent": "rest"}]
        post("formulas", code="bar", name="Bar", rest_days=28, lines=bar)
        salve = [{"material": "butter", "percent": 60}, {"material": "wax", "percent": "rest"}]
        post("formulas", code="salve", name="Salve", usual_batch_g=1000, lines=salve)
        for code, formula, fill, around in (
            ("soap", "bar", 100, "wrap"),
            ("balm", "salve", 50, "tin"),
            ("stick", "salve", 10, "box"),
        ):
            packaging = [{"material": around, "quantity": 1}]
            post("products", code=code, name=code.title(), formula=formula, fill_g=fill, packaging=packaging)
        post("suppliers", code="mill", name="The mill")
        post("suppliers", code="smith", name="The tinsmith")
        self.receive("oil", 40_000)
        self.receive("lye", 10_000)
        self.receive("wrap", 55)

    def open_shop(self) -> None:
        """Ten weeks of orders from before, and what is there: butter and wax for months, tins for a few batches."""
        rows = ["order,date,channel,product,units"]
        for back in range(70, 0, -1):
            day = FIRST.date() + timedelta(days=SHOP - back)
            rows += [f"old-{back},{day},market,balm,{2 + back % 2}"] if day.weekday() < 5 else []
        self.year.post("imports/orders", csv="\n".join(rows) + "\n")
        self.receive("butter", 9_000)
        self.receive("wax", 9_000)
        self.receive("tin", 160)
        self.receive("box", 20)
        self.make("balm", 40)

    def work(self) -> None:
        """The shop's day: two or three balms are sold from Monday to Friday, and what an alert asks for is done the next day;
        only that at first too few tins are ordered."""
        year = self.year
        if year.number <= SHOP:
            return
        if ("order-now", "balm") in year.alerts:
            self.make("balm", 40)
            self.made.append(year.number)
        if "tin" in year.due():
            first = "few tins" not in self.placed
            self.place("few tins" if first else "many tins", "smith", "tin", 3 if first else 600)
        for name, (code, _) in self.placed.items():
            if name.endswith("tins") and ("purchase-order-late", code) in year.alerts:
                self.deliver(name)
        if date.fromisoformat(year.on(year.number)).weekday() < 5:
            self.sell("balm", 2 + year.number % 2)

    def receive(self, material: str, quantity: float, name: str = "", **more: Any) -> None:
        self.lots[name or material] = str(self.year.post("receipts", material=material, quantity=quantity, **more)["lot"])

    def place(self, name: str, supplier: str, material: str, quantity: float, days: int | None = None) -> None:
        """Order from a supplier; without `days` it is expected when the supplier's lead time says."""
        assert name not in self.placed, (self.year.number, name)
        lines = [{"material": material, "quantity": quantity}]
        code = str(self.year.post("purchase-orders", supplier=supplier, lines=lines)["code"])
        told = {} if days is None else {"expected_on": self.year.on(self.year.number + days)}
        self.year.post(f"purchase-orders/{code}/placement", **told)
        self.placed[name] = code, self.year.number

    def deliver(self, name: str) -> None:
        """All of it comes."""
        self.year.post(f"purchase-orders/{self.placed[name][0]}/deliveries")
        self.came[name] = self.year.number

    def make(self, product: str, units: int, name: str = "") -> None:
        made = self.year.post("runs", product=product, units=units, plan="none")["batch"]
        self.batches[name or product] = made["code"]
        self.lots[name or product] = made["lots"][0]["lot"]

    def gone(self, lot: str) -> None:
        left = self.year.get(f"lots/{self.lots[lot]}")["on_hand"]
        self.year.post("disposals", lot=self.lots[lot], quantity=left, reason="expired")

    def order(self, reference: str, product: str, units: int, due: int) -> None:
        lines = [{"product": product, "units": units}]
        self.year.post("orders", reference=reference, channel="wholesale", due_on=self.year.on(due), lines=lines)

    def ship(self, reference: str) -> None:
        self.year.post(f"orders/{reference}/shipments")

    def sell(self, product: str, units: int) -> None:
        self.year.post("market-days", lines=[{"product": product, "units": units}])


def test_a_year(year: Year) -> None:
    story = Story(year)
    events: dict[int, list[Any]] = {
        0: [story.begin],
        # an oil that is forgotten, a lye that is to be tested again, wraps that were never booked
        20: [lambda: story.receive("oil", 900, "old oil", expires_on=year.on(60))],
        64: [lambda: story.gone("old oil")],
        10: [lambda: story.receive("lye", 3_000, "old lye", retest_on=year.on(90))],
        93: [lambda: year.patch(f"lots/{story.lots['old lye']}", retest_on=year.on(400))],
        12: [lambda: story.make("soap", 50, "first soap")],
        100: [lambda: story.make("soap", 10, "too many")],
        102: [lambda: year.post("counts", material="wrap", counted=0)],
        103: [lambda: story.receive("wrap", 500, "more wraps")],
        110: [lambda: year.post("disposals", lot=story.lots["first soap"], quantity=50, reason="damaged")],
        111: [lambda: year.post("disposals", lot=story.lots["too many"], quantity=10, reason="damaged")],
        # a supplier who is late
        180: [lambda: story.place("wraps", "mill", "wrap", 200, days=10)],
        200: [lambda: story.deliver("wraps")],
        # the shop; an order that must be begun 28 days before it leaves, and one for which boxes are missing
        SHOP: [story.open_shop],
        270: [lambda: story.order("soap-order", "soap", 40, due=310)],
        281: [lambda: story.make("soap", 40, "for the order")],
        309: [lambda: story.ship("soap-order")],
        320: [lambda: story.order("stick-order", "stick", 60, due=336)],
        331: [lambda: story.receive("box", 60, "more boxes")],
        333: [lambda: story.make("stick", 60, "sticks")],
        335: [lambda: story.ship("stick-order")],
        FAR: [lambda: story.receive("butter", 30_000, "far too much", expires_on=year.on(FAR + 90))],
        FAR + 10: [lambda: year.post("disposals", lot=story.lots["far too much"], quantity=29_000, reason="gift")],
    }
    judged = Judge(year)
    year.live(DAYS, QUIET, events, story.work, judged)
    lots, batches = story.lots, story.batches
    opened, closed = dict(year.opened), dict(year.closed)
    # what no forecast moves: to the day
    told = {
        ("expires-soon", lots["old oil"]): (30, 61),  # thirty days before its last usable day, until that day is over
        ("expired-on-the-shelf", lots["old oil"]): (61, 64),
        ("batch-ready", batches["first soap"]): (40, 47),  # told for a week
        ("re-test-due", lots["old lye"]): (90, 93),
        ("count-wanted", "wrap"): (100, 102),
        ("purchase-order-late", story.placed["wraps"][0]): (191, 200),
        ("customer-order-at-risk", "soap-order"): (280, 281),  # two days before it must be begun, 28 before it leaves
        ("customer-order-at-risk", "stick-order"): (320, 333),  # boxes come in 14 days, two days before it leaves
        ("will-expire-unused", lots["far too much"]): (FAR, FAR + 10),
    }
    for cause, (since, until) in told.items():
        assert (opened.pop(cause), closed.pop(cause)) == ([since], [until]), cause
    # what the maker did, the day after an alert asked for it
    assert len(story.made) >= 3
    assert opened.pop(("order-now", "balm")) == [day - 1 for day in story.made]
    assert closed.pop(("order-now", "balm")) == story.made
    few, many = (story.placed[name][1] for name in ("few tins", "many tins"))
    assert many == few + 1, "too few on order do not silence it"
    # while they do come too late, that more are to be ordered is said with it
    assert (opened.pop(("order-now", "tin")), closed.pop(("order-now", "tin"))) == ([few - 1], [few])
    for name in ("few tins", "many tins"):
        code, ordered = story.placed[name]
        late = "purchase-order-late", code
        assert (opened.pop(late), closed.pop(late)) == ([ordered + 15], [story.came[name]])
    [since], [until] = opened.pop(("runs-out-before-delivery", "tin")), closed.pop(("runs-out-before-delivery", "tin"))
    assert few == since < until <= story.came["many tins"]
    # sticks were ordered once: that they may be again is what the forecast says of their boxes, once for each time
    boxes = {cause for cause in opened if cause[1] == "box"}
    assert all(len(opened[cause]) <= 2 for cause in boxes)
    assert opened.keys() == boxes
    assert {kind for kind, _ in year.opened} == set(KINDS)
    assert judged.days > 90


class Judge:
    """Each day: an item is to be ordered exactly when the forecast's day has come, or is not yet well ahead again; of no
    material are an order and a late delivery told as two things."""

    def __init__(self, year: Year) -> None:
        self.year, self.days, self.before = year, 0, set[str]()

    def __call__(self) -> None:
        year = self.year
        if year.number < SHOP:
            assert not {kind for kind, _ in year.alerts} & {"order-now", "will-expire-unused"}  # nothing is known of what sells
            return
        self.days += 1
        today, figures = year.clock.now.date(), year.figures()
        due = set()
        for code, one in figures.items():
            last = today + timedelta(days=SLACK if code in self.before else 0)
            if one["order_by"] is not None and one["order_by"] <= last:
                due.add(code)
        told = {subject for kind, subject in year.alerts if kind == "order-now"}
        late = {subject: one["facts"] for (kind, subject), one in year.alerts.items() if kind == "runs-out-before-delivery"}
        assert year.due() == due, (year.number, figures)
        assert not told & late.keys()
        self.before = told
        for subject, facts in late.items():
            assert facts["runs_out"] == str(figures[subject]["runs_out"])
            assert facts["order_by"] is None or facts["expected_on"] is not None, "with nothing on order an order is the answer"
        if year.number % 20 == 0:
            for one in year.get("cover")["materials"]:
                found = figures[one["material"]]["order_by"]
                assert one["order_by"] == (None if found is None else str(found)), one["material"]
