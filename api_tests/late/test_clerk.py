"""The service against the clerk, after every paper: papers in any order of recording, on both engines."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from conftest import SOAK
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from late.clerk import Books, Clerk
from late.desk import TODAY, Desk, House, Refused, house
from late.papers import FORMULAS, Correction, Count, Disposal, Edit, Paper, Receipt, Reversal, Run, Split
from late.shorter import judged, shortest

DAYS = [TODAY - timedelta(days=back) for back in (5, 4, 3, 2, 1, 0)]
TIMES = [None, 60, 120, 180, 240]  # minutes after midnight: before the clock's hour, also today
GRAMS = [50, 100, 150, 200, 300]
days, times, grams = st.sampled_from(DAYS), st.sampled_from(TIMES), st.sampled_from(GRAMS)
expiries = st.sampled_from([None, *DAYS, TODAY + timedelta(days=90), TODAY + timedelta(days=300)])
places = st.sampled_from([None, "shelf", "market"])
costs = st.sampled_from([None, 7, 10, 23])


class Floor(RuleBasedStateMachine):
    """A workshop whose papers come in any order; `at` is set by the engine's test."""

    at: House

    @initialize()
    def open(self) -> None:
        self.desk = Desk(self.at)
        self.books = Clerk([]).books
        self.number = 0

    # What is told.

    @rule(day=days, at=times, item=st.sampled_from(["oil", "oil", "wax"]), grams=grams, expires=expiries, cost=costs,
          status=st.sampled_from(["released", "released", "quarantined"]))  # fmt: skip
    def receive(self, day: date, at: int | None, item: str, grams: int, expires: date | None, cost: int | None,
                status: str) -> None:  # fmt: skip
        if expires is None or expires >= day:
            self.tell(Receipt(self.name("L"), day, at, item, grams, expires, cost, status))

    @rule(day=days, at=times, formula=st.sampled_from(["solo", "solo", "mix", "cream"]), grams=grams)
    def make(self, day: date, at: int | None, formula: str, grams: int) -> None:
        self.tell(Run(self.name("B"), day, at, formula, grams))

    @rule(data=st.data(), day=days, at=times, formula=st.sampled_from(["solo", "mix", "cream"]), grams=grams)
    def make_from_named(self, data: st.DataObject, day: date, at: int | None, formula: str, grams: int) -> None:
        named = []
        for material, share in FORMULAS[formula].items():
            lots = self.there(day, at, material)
            taken = data.draw(st.lists(st.sampled_from(lots), max_size=2, unique=True)) if lots else []
            need = grams * share // 100
            for lot in taken:
                part = data.draw(st.sampled_from([None, need, need // 2]))
                part = need // 2 if len(taken) > 1 and part == need else part
                named.append((material, lot, part))
        if named:
            self.tell(Run(self.name("B"), day, at, formula, grams, tuple(named)))

    @rule(data=st.data(), day=days, at=times, grams=st.sampled_from([10, 40, 100]))
    def dispose(self, data: st.DataObject, day: date, at: int | None, grams: int) -> None:
        lots = self.there(day, at)
        if lots:
            self.tell(Disposal(self.name("D"), day, at, data.draw(st.sampled_from(lots)), grams))

    @rule(day=days, at=times, item=st.sampled_from(["oil", "oil", "wax", "mix"]), counted=st.sampled_from([0, 30, 100, 220]))
    def count_item(self, day: date, at: int | None, item: str, counted: int) -> None:
        self.tell(Count(self.name("C"), day, at, item, counted=counted))

    @rule(data=st.data(), day=days, at=times, counted=st.sampled_from([0, 30, 100]))
    def count_lot(self, data: st.DataObject, day: date, at: int | None, counted: int) -> None:
        lots = self.there(day, at, count=True)
        if lots:
            lot = data.draw(st.sampled_from(lots))
            self.tell(Count(self.name("C"), day, at, self.books.lots[lot].item, lot, counted=counted))

    @rule(data=st.data(), day=days, at=times, status=st.sampled_from(["released", "quarantined", "rejected"]))
    def judge(self, data: st.DataObject, day: date, at: int | None, status: str) -> None:
        lots = self.there(day, at)
        if lots:
            self.tell(Edit(self.name("E"), day, at, data.draw(st.sampled_from(lots)), status))

    @rule(data=st.data(), day=days, at=times, grams=st.sampled_from([20, 50, 100]), place=places)
    def split(self, data: st.DataObject, day: date, at: int | None, grams: int, place: str | None) -> None:
        lots = self.there(day, at)
        if lots:
            self.tell(Split(self.name("S"), day, at, data.draw(st.sampled_from(lots)), grams, place))

    @rule(day=days, at=times, place=st.sampled_from(["shelf", "market"]), counted=st.sampled_from([0, 30, 100]))
    def count_place(self, day: date, at: int | None, place: str, counted: int) -> None:
        if any(lot.place((day, 3)) == place for lot in self.books.lots.values() if lot.item == "oil"):
            self.tell(Count(self.name("C"), day, at, "oil", place=place, counted=counted))

    @rule(data=st.data(), day=days, at=times, place=st.sampled_from(["shelf", "market"]))
    def put(self, data: st.DataObject, day: date, at: int | None, place: str) -> None:
        lots = self.there(day, at)
        if lots:
            self.tell(Edit(self.name("E"), day, at, data.draw(st.sampled_from(lots)), place=place))

    @rule(data=st.data(), cost=st.sampled_from([5, 11, 40]))
    def learn_cost(self, data: st.DataObject, cost: int) -> None:
        receipts = [paper.name for paper in self.papers() if isinstance(paper, Receipt)]
        if receipts:
            self.tell(Correction(self.name("K"), TODAY, 0, data.draw(st.sampled_from(receipts)), {"cost": cost}))

    @rule(data=st.data(), grams=grams)
    def correct_receipt(self, data: st.DataObject, grams: int) -> None:
        receipts = [paper.name for paper in self.papers() if isinstance(paper, Receipt)]
        if receipts:
            self.tell(Correction(self.name("K"), TODAY, 0, data.draw(st.sampled_from(receipts)), {"grams": grams}))

    @rule(data=st.data(), settle=st.booleans())
    def take_back(self, data: st.DataObject, settle: bool) -> None:
        names = [one.name for one in self.papers() if isinstance(one, Receipt | Run | Disposal | Count | Split)]
        if names:
            target = data.draw(st.sampled_from(names))
            self.tell(Reversal(self.name("V"), TODAY, 0, target, settle))

    # The steps of a rule.

    def name(self, letter: str) -> str:
        self.number += 1
        return f"{letter}{self.number}"

    def papers(self) -> list[Paper]:
        """What stands, as recorded."""
        gone = {one.target for one in self.desk.told if isinstance(one, Reversal)}
        return [one for one in self.desk.told if one.name not in gone]

    def there(self, day: date, at: int | None, item: str | None = None, count: bool = False) -> list[str]:
        """Lots that a paper of this moment may name: those that came before it."""
        late = 10_000 if day == TODAY and at is None else at
        found = []
        for paper in self.papers():
            if isinstance(paper, Receipt | Run | Split) and item in (None, self.books.lots[paper.name].item):
                came = (paper.day, paper.at is not None, paper.at or 0)
                if came <= (day, late is not None or count, late or (10_000 if count else 0)):
                    found.append(paper.name)
        return found

    def tell(self, paper: Paper) -> None:
        try:
            self.desk.tell(paper)
        except Refused as no:
            assert self.may_refuse(paper, no), no
            return
        except AssertionError:
            pytest.fail(shortest(self.at, [*self.desk.told, paper]))
        self.books = Clerk(self.desk.told).books
        proof = self.at.proof() if len(self.desk.told) % 4 == 0 else []
        if wrong := judged(self.desk) + proof:
            pytest.fail(shortest(self.at, self.desk.told) + "\n".join(["", "At first:", *wrong]))

    def may_refuse(self, paper: Paper, no: Refused) -> bool:
        """A receipt or a batch that is still named, a disposal of more than the lot can have held."""
        if isinstance(paper, Reversal):
            return no.type == "/problems/still-in-use"
        return isinstance(paper, Disposal | Split) and no.type == "/problems/not-enough-stock"


def campaign(at: House, examples: int, steps: int) -> None:
    machine: Any = type("Floor", (Floor,), {"at": at})
    chosen = settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        print_blob=False,
        phases=[Phase.generate],  # a failing story is made shorter by `shorter`, paper by paper
    )
    run_state_machine_as_test(machine, settings=chosen)


@pytest.fixture(params=["sqlite", "postgresql"])
def at(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    file = f"sqlite:///{tmp_path_factory.mktemp('late')}/stillroom.db"
    with house(file if request.param == "sqlite" else request.getfixturevalue("postgresql")) as made:
        yield made


def test_the_books_are_the_clerks(at: House) -> None:
    campaign(at, 5_000 if SOAK else 40, 14 if SOAK else 8)
