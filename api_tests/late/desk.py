"""Papers told to the service over HTTP in this process, under a clock that the test moves, and the books read back."""

import asyncio
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import httpx
from contract.inprocess import new_database
from late.asking import Requests
from late.papers import FORMULAS, SET_APART, Paper, Receipt, Run, Split
from sqlalchemy import Connection, text

from service.actions import access
from service.actions.verify import verify
from service.app import create_app
from service.serve import open_database
from service.settings import Settings
from service.store.engine import writing
from service.store.writer import run_once

NOW = datetime(2031, 3, 20, 6, 0, tzinfo=UTC)
TODAY = NOW.date()


class House:
    """The application on one database; `now` is the time it believes."""

    def __init__(self, url: str) -> None:
        self.now = NOW
        settings = Settings(database_url=url, seed="none", failed_tokens_per_minute=100_000, watch_seconds=0)
        self.engine = open_database(settings)
        self.app = create_app(settings, clock=lambda: self.now, engine=self.engine)
        self.loop = asyncio.new_event_loop()
        self.lifespan = self.app.router.lifespan_context(self.app)
        self.loop.run_until_complete(self.lifespan.__aenter__())
        transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
        self.client = httpx.AsyncClient(transport=transport, base_url="http://in-process", timeout=60)

    def ask(self, token: str, method: str, path: str, body: object = None) -> httpx.Response:
        return self.loop.run_until_complete(self._ask(token, method, path, body))

    def read(self, token: str, paths: list[str]) -> list[httpx.Response]:
        """What is at each path, one after another, by one thread of the service's."""

        async def each() -> list[httpx.Response]:
            return [await self._ask(token, "GET", path) for path in paths]

        return self.loop.run_until_complete(each())

    async def _ask(self, token: str, method: str, path: str, body: object = None) -> httpx.Response:
        headers = {"Authorization": f"Bearer {token}"}
        return await self.client.request(method, f"/v1/{path}", json=body, headers=headers)

    def new_workshop(self) -> tuple[str, str]:
        """Its code and its owner's token."""

        def work(connection: Connection) -> tuple[str, str]:
            made = access.add_workshop(connection, "Late papers", NOW)
            return made.code, access.add_token(connection, made.id, made.code, "owner", ["manage"], NOW)[1]

        return run_once(writing(self.engine), work)

    def proof(self, workshop: str | None = None) -> list[str]:
        """What `verify` finds wrong: in every workshop, or in one."""
        with self.engine.connect() as connection:
            return verify(connection, workshop)

    def close(self) -> None:
        self.loop.run_until_complete(self.client.aclose())
        self.loop.run_until_complete(self.lifespan.__aexit__(None, None, None))
        self.loop.run_until_complete(self.loop.shutdown_default_executor())
        self.loop.close()


@contextmanager
def house(url: str) -> Iterator[House]:
    made = House(new_database(url, "late_papers"))
    try:
        yield made
    finally:
        made.close()


@dataclass
class Read:
    """The service's books, by our own names."""

    lots: dict[str, Decimal]  # on hand, emptied ones too
    worth: dict[str, Decimal | None]  # what a lot's stock is worth
    status: dict[str, str]
    opened: dict[str, str | None]
    use_by: dict[str, str | None]
    items: dict[str, str]  # whose lot it is
    unbooked: dict[str, Decimal]
    draws: dict[str, dict[tuple[str, str | None], Decimal]]  # of each run
    costs: dict[str, Decimal | None]  # of runs and disposals
    estimated: dict[str, bool]
    differences: dict[str, Decimal]


class Refused(Exception):
    """The service said no."""

    def __init__(self, paper: Paper, answer: httpx.Response) -> None:
        self.status, self.type = answer.status_code, answer.json().get("type", "")
        super().__init__(f"{paper}: {answer.status_code} {answer.text}")


class Desk:
    """One workshop: an oil, a wax, and three formulas, of which one has another's bulk as a line."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.workshop, self.token = house.new_workshop()
        house.now = NOW
        self.lots: dict[str, str] = {}  # the service's code of a lot: our name
        self.codes: dict[str, str] = {}  # our name of a lot: the service's code
        self.documents: dict[str, str] = {}  # our name of a paper: the service's code
        self.told: list[Paper] = []  # what was recorded, each with the time it has
        self.requests: list[tuple[str, str, object]] = []
        for code in ("oil", "wax"):
            self.ask("POST", "materials", {"code": code, "name": code.title()})
        for code, shares in FORMULAS.items():
            lines = [{"material": material, "percent": share} for material, share in shares.items()]
            self.ask("POST", "formulas", {"code": code, "name": code.title(), "lines": lines})
        self.ask("PATCH", f"places/{SET_APART}", {"production": False})

    def ask(self, method: str, path: str, body: object = None, expect: tuple[int, ...] = (200, 201)) -> Any:
        self.requests.append((method, path, body))
        answer = self.house.ask(self.token, method, path, body)
        assert answer.status_code in expect, f"{method} {path} {body}: {answer.status_code} {answer.text}"
        return answer.json(parse_float=Decimal)

    # Telling.

    def tell(self, paper: Paper, dry_run: bool = False) -> Any:
        """Post one paper a minute after the last; Refused when the service says no."""
        self.house.now += timedelta(minutes=1)
        if "own " in str(paper):
            self.read()  # a lot that a count found is called after the count
        method, path, body = Requests(self.codes, self.documents).of(paper)
        if dry_run:
            body["dry_run"] = True
        self.requests.append((method, path, body))
        answer = self.house.ask(self.token, method, path, body)
        if answer.status_code not in (200, 201):
            story = "\n".join(map(str, [*self.told, paper]))
            assert answer.status_code in (409, 422), f"{answer.status_code} {answer.text}\n{story}"
            raise Refused(paper, answer)
        said = answer.json(parse_float=Decimal)
        if not dry_run:
            self._note(paper, said)
        return said

    def _note(self, paper: Paper, said: dict[str, Any]) -> None:
        if paper.day == TODAY and paper.at is None:
            paper = replace(paper, at=(self.house.now - NOW) // timedelta(minutes=1) + NOW.hour * 60)
        if isinstance(paper, Run):
            paper = replace(paper, started=said["batch"]["status"])
        self.told.append(paper)
        for field in ("receipt", "count", "disposal", "split", "reversal", "correction"):
            if field in said:
                self.documents[paper.name] = said[field]
                break
        if isinstance(paper, Receipt):
            for name, code in zip(paper.lots, said["lots"], strict=True):
                self._name(name, code)
        if isinstance(paper, Split):
            self._name(paper.name, said["lot"])
        if isinstance(paper, Run):
            self.documents[paper.name] = said["batch"]["code"]
            self._name(paper.name, said["batch"]["lots"][0]["lot"])

    def _name(self, name: str, code: str) -> None:
        self.lots[code], self.codes[name] = name, code

    # Reading.

    def read(self) -> Read:
        materials, lots, runs, disposals, counts = self._lists("materials", "lots?empty=true", "runs", "disposals", "counts")
        items = {one["code"]: one for one in materials}
        self._name_own_lots(lots)
        books = Read({}, {}, {}, {}, {}, {}, {}, {}, {}, {}, {})
        for lot in lots:
            name = self.lots[lot["code"]]
            books.lots[name], books.worth[name], books.status[name] = lot["on_hand"], lot["cost"], lot["status"]
            books.items[name], books.opened[name], books.use_by[name] = lot["item"], lot["opened_on"], lot["last_usable_day"]
        books.unbooked = {code: one["unbooked"] for code, one in items.items()}
        ours = {code: name for name, code in self.documents.items()}
        for run in runs:
            name = ours[run["batch"]["code"]]
            if run["state"] == "completed":
                books.draws[name] = self._draws(run)
                books.costs[name], books.estimated[name] = run["cost"], run["estimated"]
        for one in disposals:
            if not one["reversed"]:
                books.costs[ours[one["disposal"]]] = one["cost"]
        for one in counts:
            if not one["reversed"]:
                books.differences[ours[one["count"]]] = one["difference"]
        return books

    def _lists(self, *paths: str) -> Iterator[list[dict[str, Any]]]:
        wanted = [f"{path}{'&' if '?' in path else '?'}limit=200" for path in paths]
        for path, answer in zip(paths, self.house.read(self.token, wanted), strict=True):
            assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text}"
            yield answer.json(parse_float=Decimal)["items"]

    def _draws(self, run: dict[str, Any]) -> dict[tuple[str, str | None], Decimal]:
        found: dict[tuple[str, str | None], Decimal] = defaultdict(Decimal)
        for one in run["used"]:
            if one["quantity"]:
                lot = None if one["lot"] is None else self.lots[one["lot"]]
                found[one["material"], lot] += one["quantity"]
        return dict(found)

    def _name_own_lots(self, lots: list[dict[str, Any]]) -> None:
        """A lot that a count made for its gain is called after the count."""
        ours = {code: name for name, code in self.documents.items()}
        founder = text(
            "SELECT d.code FROM lot l JOIN document d ON d.workshop_id = l.workshop_id AND d.id = l.document_id"
            " JOIN workshop w ON w.id = l.workshop_id WHERE w.code = :workshop AND l.code = :lot"
        )
        for lot in lots:
            if lot["code"] not in self.lots:
                with self.house.engine.connect() as connection:
                    count = connection.execute(founder, {"workshop": self.workshop, "lot": lot["code"]}).scalar_one()
                self._name(f"own {ours[count]}", lot["code"])
