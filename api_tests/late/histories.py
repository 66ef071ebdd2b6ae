"""Random papers of a small workshop, told in any order: each fits what was told before it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random

from late.clerk import Clerk
from late.desk import TODAY
from late.ledgers import Books
from late.papers import (
    FORMULAS,
    SET_APART,
    Correction,
    Count,
    Disposal,
    Edit,
    Life,
    Paper,
    Receipt,
    Restated,
    Reversal,
    Run,
    Split,
)

DAYS = [TODAY - timedelta(days=back) for back in (5, 4, 3, 2, 1, 0)]
TIMES = [None] * 20 + list(range(5, 350, 10))  # minutes after midnight: before the clock's hour, also today
GRAMS = [50, 100, 150, 200, 300]
EXPIRIES = [None, *DAYS, TODAY + timedelta(days=90), TODAY + timedelta(days=300)]
PLACES = [None, None, "shelf", "market", SET_APART]


@dataclass
class Teller:
    """Makes up the next paper; None where nothing fits. `told` is what was recorded so far."""

    random: Random
    told: list[Paper] = field(default_factory=list)
    number: int = 0

    def next(self) -> Paper | None:
        """A paper of a random kind; before all else, often, how long something lasts once opened."""
        self.number += 1
        if len(self.told) < 2 and all(isinstance(one, Life) for one in self.told) and self.random.random() < 0.6:
            return self.life()
        kinds: Sequence[tuple[int, Callable[[], Paper | None]]] = [
            (4, self.receipt), (4, self.run), (4, self.run_of_named), (2, self.disposal), (2, self.count_of_item),
            (2, self.count_of_lot), (2, self.judgement), (2, self.split), (1, self.count_of_place), (1, self.move),
            (1, self.cost), (1, self.right_grams), (1, self.right_expiry), (1, self.right_day), (2, self.reversal),
            (1, self.right_run), (1, self.opening),
        ]  # fmt: skip
        made = self.random.choices([kind for _, kind in kinds], [weight for weight, _ in kinds])[0]
        return made()

    @property
    def books(self) -> Books:
        """The clerk's, of what was told."""
        return Clerk(self.told).books

    @property
    def standing(self) -> list[Paper]:
        """What was not reversed."""
        gone = {one.target for one in self.told if isinstance(one, Reversal)}
        return [one for one in self.told if one.name not in gone]

    def moment(self) -> tuple[date, int | None]:
        return self.random.choice(DAYS), self.random.choice(TIMES)

    def lots_by(self, day: date, at: int | None, item: str | None = None) -> list[str]:
        """Lots that a paper of this moment may name: those that came before it."""
        now = (day, True, 10_000) if at is None and day == TODAY else (day, at is not None, at or 0)
        books, found = self.books, []
        for paper in self.standing:
            makes = isinstance(paper, Receipt | Run | Split) and item in (None, books.lots[paper.name].item)
            if makes and (paper.day, paper.at is not None, paper.at or 0) <= now:
                found += paper.lots if isinstance(paper, Receipt) else [paper.name]
        return found

    def found_by(self, day: date, item: str | None = None) -> list[str]:
        """Lots that only counts had found, by a day."""
        lots = [lot for lot in self.books.lots.values() if lot.name.startswith("own ") and item in (None, lot.item)]
        return [lot.name for lot in lots if lot.received <= day]

    def lot(self, day: date, at: int | None, found: bool = False) -> str | None:
        lots = self.lots_by(day, at) + (self.found_by(day) if found else [])
        return self.random.choice(lots) if lots else None

    # The kinds.

    def life(self) -> Paper:
        item, days = self.random.choice(["oil", "oil", "wax", "mix"]), self.random.choice([1, 2, 3])
        return Life(f"A{self.number}", TODAY, 0, item, days)

    def receipt(self) -> Paper:
        day, at = self.moment()
        expires = self.random.choice([one for one in EXPIRIES if one is None or one >= day])
        item, grams = self.random.choice(["oil", "oil", "wax"]), self.random.choice(GRAMS)
        status = self.random.choice(["released", "released", "released", "quarantined"])
        cost, place = self.random.choice([None, 7, 10, 23]), self.random.choice(PLACES)
        containers = self.random.choice([1, 1, 1, 1, 2, 5])
        return Receipt(f"L{self.number}", day, at, item, grams, expires, cost, status, place, containers)

    def run(self) -> Paper:
        formula = self.random.choice(["solo", "solo", "mix", "cream"])
        return Run(f"B{self.number}", *self.moment(), formula, self.random.choice(GRAMS))

    def run_of_named(self) -> Paper | None:
        day, at = self.moment()
        formula, grams = self.random.choice(list(FORMULAS)), self.random.choice(GRAMS)
        named: list[tuple[str, str, int | None]] = []
        for material, share in FORMULAS[formula].items():
            lots, need = self.lots_by(day, at, material) + self.found_by(day, material), grams * share // 100
            taken = self.random.sample(lots, min(len(lots), self.random.choice([0, 1, 1, 2])))
            most = need if len(taken) == 1 else need // 2
            named += [(material, lot, self.random.choice([None, most, need // 2])) for lot in taken]
        return Run(f"B{self.number}", day, at, formula, grams, tuple(named)) if named else None

    def disposal(self) -> Paper | None:
        day, at = self.moment()
        lot = self.lot(day, at, found=True)
        return Disposal(f"D{self.number}", day, at, lot, self.random.choice([10, 40, 100])) if lot else None

    def split(self) -> Paper | None:
        day, at = self.moment()
        lot, grams = self.lot(day, at), self.random.choice([20, 50, 100])
        opened = self.random.choice([None, None, day, day - timedelta(days=1)])
        return Split(f"S{self.number}", day, at, lot, grams, self.random.choice(PLACES), opened) if lot else None

    def count_of_item(self) -> Paper:
        item = self.random.choice(["oil", "oil", "wax", "mix"])
        return Count(f"C{self.number}", *self.moment(), item, counted=self.random.choice([0, 30, 100, 220]))

    def count_of_lot(self) -> Paper | None:
        day, at = self.moment()
        lot = self.lot(day, at, found=True)
        counted = self.random.choice([0, 30, 100])
        return Count(f"C{self.number}", day, at, self.books.lots[lot].item, lot, counted=counted) if lot else None

    def count_of_place(self) -> Paper | None:
        place, counted = self.random.choice(["shelf", "market", SET_APART]), self.random.choice([0, 30, 100])
        return Count(f"C{self.number}", *self.moment(), "oil", place=place, counted=counted)

    def judgement(self) -> Paper | None:
        day, at = self.moment()
        lot, status = self.lot(day, at), self.random.choice(["released", "released", "quarantined", "rejected"])
        return Edit(f"E{self.number}", day, at, lot, status) if lot else None

    def move(self) -> Paper | None:
        day, at = self.moment()
        lot = self.lot(day, at)
        return Edit(f"E{self.number}", day, at, lot, place=self.random.choice(["shelf", "market", SET_APART])) if lot else None

    def opening(self) -> Paper | None:
        day, at = self.moment()
        lot, opened = self.lot(day, at), day - timedelta(days=self.random.choice([0, 0, 1, 3]))
        return Edit(f"E{self.number}", day, at, lot, opened=opened) if lot else None

    def cost(self) -> Paper | None:
        return self._correction({"cost": self.random.choice([5, 11, 40])})

    def right_grams(self) -> Paper | None:
        return self._correction({"grams": self.random.choice(GRAMS)})

    def right_expiry(self) -> Paper | None:
        return self._correction({"expires": self.random.choice([one for one in EXPIRIES if one is not None])})

    def right_day(self) -> Paper | None:
        return self._correction({"day": self.random.choice(DAYS[:-1]), "at": None})

    def _correction(self, fields: dict[str, object]) -> Paper | None:
        receipts = [one.name for one in self.standing if isinstance(one, Receipt)]
        return Correction(f"K{self.number}", TODAY, 0, self.random.choice(receipts), fields) if receipts else None

    def right_run(self) -> Paper | None:
        runs = [one.name for one in self.standing if isinstance(one, Run)]
        return Restated(f"K{self.number}", TODAY, 0, self.random.choice(runs), self.random.choice(GRAMS)) if runs else None

    def reversal(self) -> Paper | None:
        names = [one.name for one in self.standing if isinstance(one, Receipt | Run | Disposal | Count | Split)]
        if not names:
            return None
        return Reversal(f"V{self.number}", TODAY, 0, self.random.choice(names), self.random.random() < 0.3)
