"""A whole shop: two balms of which one is in the other, their jars and pots, tins, tubs with an opened life, a market stall."""

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from random import Random
from string import Template
from typing import Any

from late.desk import House
from late.papers import Paper

OPENED = datetime(2031, 3, 1, tzinfo=UTC)
AFTERWARDS = datetime(2031, 3, 28, 6, tzinfo=UTC)  # when a shuffled history is told

Body = dict[str, Any]

SHELVES: list[tuple[str, str, Body]] = [
    ("POST", "materials", {"code": "oil", "name": "Oil"}),
    ("POST", "materials", {"code": "shea", "name": "Shea", "opened_life_days": 5}),
    ("POST", "materials", {"code": "tin", "name": "Tin", "kind": "packaging"}),
    ("POST", "formulas", {"code": "balm", "name": "Balm", "lines": [
        {"material": "shea", "percent": 40}, {"material": "oil", "percent": 60}]}),
    ("POST", "formulas", {"code": "cream", "name": "Cream", "lines": [
        {"material": "balm", "percent": 50}, {"material": "oil", "percent": 50}]}),
    ("POST", "products", {"code": "jar", "name": "Jar", "formula": "balm", "fill_g": 50, "shelf_life_days": 8,
                          "packaging": [{"material": "tin", "quantity": 1}]}),
    ("POST", "products", {"code": "pot", "name": "Pot", "formula": "cream", "fill_g": 20, "shelf_life_days": 30,
                          "packaging": [{"material": "tin", "quantity": 1}]}),
    ("PATCH", "places/market", {"production": False}),
]  # fmt: skip


@dataclass(frozen=True)
class Slip(Paper):
    """A paper as the request that hands it in.

    `$p3` in the path or the body is the service's code of the document of p3, `$p3_jar` that of its lot of jars. What has no
    moment of its own (an order, a correction, a reversal) has the day on which it is told in order.
    """

    path: str = ""
    body: Body | None = None
    method: str = "POST"
    names: tuple[str, ...] = ()  # papers that must stand before it is told
    tied: tuple[str, ...] = ()  # papers whose lots have the same receipt day: the order of their codes decides a tie

    def __str__(self) -> str:
        return f"{self.name:4} {self.method} {self.path} {json.dumps(self.body)}" + (
            f"  tied to {self.tied}" if self.tied else ""
        )


class Shop:
    """One workshop of this kind, and the service's codes of what was told to it."""

    def __init__(self, house: House) -> None:
        self.house = house
        house.now = OPENED
        self.workshop, self.token = house.new_workshop()
        self.codes: dict[str, str] = {}  # our name of a document or a lot: the service's
        self.started: dict[str, str] = {}  # the first status of each batch, which stands as recorded
        for method, path, body in SHELVES:
            answer = house.ask(self.token, method, path, body)
            assert answer.status_code in (200, 201), answer.text

    def tell(self, slip: Slip) -> str | None:
        """What the service says against a paper; None when it is recorded. A paper of one that is not there is not told."""
        try:
            path, body = self._coded(slip.path), json.loads(self._coded(json.dumps(slip.body)))
        except KeyError as missing:
            return f"{missing} is not there"
        answer = self.house.ask(self.token, slip.method, path, body)
        if answer.status_code not in (200, 201):
            assert answer.status_code in (409, 422), f"{slip}: {answer.status_code} {answer.text}"
            return f"{answer.status_code} {answer.text}"
        self._note(slip, answer.json(parse_float=Decimal))
        return None

    def _coded(self, text: str) -> str:
        return Template(text).substitute(self.codes)

    def _note(self, slip: Slip, said: Body) -> None:
        for noun in ("receipt", "count", "disposal", "split", "shipment", "return"):
            if noun in said:
                self.codes[slip.name] = said[noun]
                break
        if slip.path == "runs":
            batch = said["batch"]
            self.codes[slip.name], self.started[slip.name] = batch["code"], batch["status"]
            self.codes |= {f"{slip.name}_{lot['item']}": lot["lot"] for lot in batch["lots"]}
        elif slip.path == "receipts":
            self.codes |= {f"{slip.name}_{number}": lot for number, lot in enumerate(said["lots"], 1)}
        elif slip.path.endswith("/splits"):
            self.codes[f"{slip.name}_part"] = said["lot"]
        elif slip.path.endswith("/returns"):
            self.codes[f"{slip.name}_back"] = said["lot"]

    # Histories.

    def told_in_order(self, slips: list[Slip]) -> list[Slip]:
        """Each at the end of its day; what was not refused."""
        taken = []
        for slip in slips:
            self.house.now = max(self.house.now + timedelta(seconds=1), _midnight_after(slip.day))
            if self.tell(slip) is None:
                taken.append(slip)
        self.house.now = AFTERWARDS + timedelta(hours=1)
        return taken

    def told_late(self, slips: list[Slip]) -> list[Slip]:
        """All weeks later, one after another; what was not refused."""
        taken = []
        for second, slip in enumerate(slips):
            self.house.now = AFTERWARDS + timedelta(seconds=second)
            if self.tell(slip) is None:
                taken.append(slip)
        self.house.now = AFTERWARDS + timedelta(hours=1)
        return taken


def shuffled(random: Random, slips: list[Slip]) -> list[Slip]:
    """A random order in which each paper comes after those it names and those it is tied to."""
    left, order = random.sample(slips, len(slips)), list[Slip]()
    while left:
        waiting = {one.name for one in left}
        ready = next(one for one in left if not waiting & {*one.names, *one.tied})
        order.append(ready)
        left.remove(ready)
    return order


def _midnight_after(day: date) -> datetime:
    return datetime.combine(day + timedelta(days=1), time(0, 1), tzinfo=UTC)
