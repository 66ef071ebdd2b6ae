"""Clients that post papers of every kind, each with an idempotency key, and remember what they were told."""

import random
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
from conftest import PLAIN, Bench

Body = dict[str, Any]
MATERIALS = ("shea", "oil", "wax", "tin")
START = {"shea": 40_000, "oil": 30_000, "wax": 20_000, "tin": 900}  # received 30 days ago, in g and pieces
COUNTED = "wax"  # tins are never counted: what is left of them is plain arithmetic
USUAL = {"run": 5, "late run": 1, "receipt": 2, "late receipt": 1, "count": 1, "disposal": 1, "reversal": 1}
LATE = {"run": 2, "late run": 3, "receipt": 1, "late receipt": 3, "late count": 1, "disposal": 1, "reversal": 1}


def set_up(bench: Bench) -> set[str]:
    """A workshop whose two formulas want the same materials in opposite order; its first papers' codes."""
    for code in MATERIALS:
        bench.post("materials", code=code, name=code.title(), kind="packaging" if code == "tin" else "ingredient")
    shares = (("shea", 50), ("oil", "30,5"), ("wax", "rest"))
    for formula, lines in (("balm", shares), ("salve", shares[::-1])):
        said = [{"material": material, "percent": percent} for material, percent in lines]
        bench.post("formulas", code=formula, name=formula.title(), process_loss_percent=2, lines=said)
        tin = [{"material": "tin", "quantity": 1}]
        bench.post("products", code=f"{formula}-50", name=formula, formula=formula, fill_g=50, shelf_life_days=365, packaging=tin)
    first = set()
    for material, quantity in START.items():
        made = bench.post("receipts", material=material, quantity=quantity, cost=quantity // 7, received_on=day(30))
        first.add(str(made["receipt"]))
    return first


def day(ago: int) -> str:
    return str(datetime.now(UTC).date() - timedelta(days=ago))


@dataclass
class Asked:
    """One request, and its answer if there was one: the body of a 201, or the status of a refusal."""

    key: str
    path: str
    body: Body
    answer: Body | None = None
    refused: int | None = None
    replayed: bool = False

    @property
    def code(self) -> str:
        assert self.answer is not None
        return code_of(self.path, self.answer)


def code_of(path: str, answer: Body) -> str:
    """The code of the document that an answer tells of; a run has its batch's."""
    return str(answer["batch"]["code"] if path == "runs" else answer[path.removesuffix("s")])


@dataclass
class Desk:
    """One client at work."""

    base: str
    token: str
    number: int
    random: random.Random
    mix: dict[str, int] = field(default_factory=lambda: USUAL)
    asked: list[Asked] = field(default_factory=list)
    busy: int = 0
    surprises: list[str] = field(default_factory=list)

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.base, headers={"Authorization": f"Bearer {self.token}"}, timeout=60, verify=PLAIN)

    def work(self, go_on: Callable[[], bool]) -> None:
        """Post until told to stop or the server is gone; the last paper then has no answer."""
        with self.client() as client:
            while go_on():
                paper = self.next_paper()
                self.asked.append(paper)
                try:
                    self.post(client, paper)
                except httpx.TransportError:
                    return

    def post(self, client: httpx.Client, paper: Asked) -> None:
        """Ask, and again with the same key while the service says that it is busy."""
        for _ in range(50):
            said = client.post(f"/v1/{paper.path}", json=paper.body, headers={"Idempotency-Key": paper.key})
            if said.status_code != 503:
                break
            self.busy += 1
            time.sleep(min(1.0, float(said.headers["Retry-After"])))
        if said.status_code == 201:
            paper.answer = said.json()
            paper.replayed = said.headers.get("Idempotent-Replay") == "true"
        elif said.status_code == 409 and paper.path in ("disposals", "reversals"):
            paper.refused = 409  # another client was quicker: the lot is empty, or a paper names what this one made
        else:
            self.surprises.append(f"{paper.path} {paper.body}: {said.status_code} {said.text[:300]}")

    def next_paper(self) -> Asked:
        kind = self.random.choices(list(self.mix), list(self.mix.values()))[0]
        ago = self.random.randint(1, 20) if kind.startswith("late ") else 0
        path, body = getattr(self, "_" + kind.removeprefix("late "))(ago)
        return Asked(f"{self.number}-{len(self.asked)}-{self.random.getrandbits(32):x}", path, body)

    def _run(self, ago: int) -> tuple[str, Body]:
        units, product = self.random.randint(1, 3), self.random.choice(("balm-50", "salve-50"))
        return "runs", {"product": product, "units": units, **({"made_on": day(ago)} if ago else {})}

    def _receipt(self, ago: int) -> tuple[str, Body]:
        material, quantity = self.random.choice(MATERIALS), self.random.randint(5, 60)
        body = {"material": material, "quantity": quantity, "cost": self.random.randint(1, 30)}
        return "receipts", {**body, **({"received_on": day(ago)} if ago else {})}

    def _count(self, ago: int) -> tuple[str, Body]:
        body = {"material": COUNTED, "counted": self.random.randint(15_000, 22_000)}
        return "counts", {**body, **({"counted_at": day(ago)} if ago else {})}

    def _disposal(self, _: int) -> tuple[str, Body]:
        mine = [one.answer["lot"] for one in self.standing("receipts") if one.answer and one.body["material"] != "tin"]
        if not mine:
            return self._receipt(0)
        return "disposals", {"lot": self.random.choice(mine), "quantity": 1, "reason": "spoiled"}

    def _reversal(self, _: int) -> tuple[str, Body]:
        mine = [one.code for path in ("runs", "receipts", "counts", "disposals") for one in self.standing(path)]
        if not mine:
            return self._run(0)
        return "reversals", {"document": self.random.choice(mine), "reason": "booked twice"}

    def standing(self, path: str) -> list[Asked]:
        """What this client was told of and has not tried to take back."""
        gone = {one.body["document"] for one in self.asked if one.path == "reversals"}
        return [one for one in self.asked if one.path == path and one.answer is not None and one.code not in gone]

    def unanswered(self) -> list[Asked]:
        return [one for one in self.asked if one.answer is None and one.refused is None]


def desks(base: str, token: str, count: int, seed: int, mix: dict[str, int] | None = None) -> list[Desk]:
    """`count` clients with generators of their own."""
    return [Desk(base, token, number, random.Random(f"{seed}-{number}"), mix or USUAL) for number in range(count)]


def at_work(working: Iterable[Desk]) -> tuple[list[threading.Thread], threading.Event]:
    """All of them posting, each in a thread, until the event is set or the server is gone."""
    over = threading.Event()
    threads = [threading.Thread(target=desk.work, args=(lambda: not over.is_set(),), daemon=True) for desk in working]
    for thread in threads:
        thread.start()
    return threads, over


def each_posts(working: list[Desk], papers: int) -> None:
    """All of them at once, each so many papers."""
    with ThreadPoolExecutor(len(working)) as pool:
        list(pool.map(lambda desk: _some(desk, papers), working))


def _some(desk: Desk, papers: int) -> None:
    until = len(desk.asked) + papers
    desk.work(lambda: len(desk.asked) < until)


def answered(working: Iterable[Desk], path: str) -> list[Asked]:
    return [one for desk in working for one in desk.asked if one.path == path and one.answer is not None]


def tally(working: list[Desk]) -> dict[str, int]:
    """Tins and products as plain arithmetic over the answers: what must be there, unbooked ones netted."""
    gone = {one.body["document"] for one in answered(working, "reversals")}
    runs = [one for one in answered(working, "runs") if one.code not in gone]
    came = [one for one in answered(working, "receipts") if one.code not in gone and one.body["material"] == "tin"]
    made = {code: sum(one.body["units"] for one in runs if one.body["product"] == code) for code in ("balm-50", "salve-50")}
    return {"tin": START["tin"] + sum(one.body["quantity"] for one in came) - sum(made.values()), **made}
