"""What a paper states, for the clerk and for the desk that tells it to the service; lots and papers by names of our own."""

from dataclasses import dataclass, field
from datetime import date

# Grams of each material in 100 g of bulk; the bulk of `mix` is a line of `cream`.
FORMULAS = {
    "solo": {"oil": 100},
    "mix": {"oil": 60, "wax": 40},
    "cream": {"mix": 50, "oil": 50},
}
SET_APART = "shop"  # the place that production does not draw from


def receipt_of(lot: str) -> str:
    """The paper that a lot is called after: a container's stands before its number, a count's own lot behind `own`."""
    return lot.removeprefix("own ").split("/")[0]


@dataclass(frozen=True)
class Paper:
    """A fact of a day, told with a time (minutes after midnight) or without; `name` is what other papers call it."""

    name: str
    day: date
    at: int | None = None


@dataclass(frozen=True)
class Life(Paper):
    """How many days a lot of a material lasts once opened; told before all else, for it holds from a lot's arrival."""

    item: str = ""
    days: int = 0


@dataclass(frozen=True)
class Receipt(Paper):
    """A delivery; it makes the lot of its own name, and of several containers as many more."""

    item: str = "oil"
    grams: int = 0
    expires: date | None = None
    cost: int | None = None  # whole units of the currency
    status: str = "released"
    place: str | None = None
    containers: int = 1

    @property
    def lots(self) -> list[str]:
        """The names of what it makes."""
        return [self.name, *(f"{self.name}/{n}" for n in range(2, self.containers + 1))]


@dataclass(frozen=True)
class Run(Paper):
    """A batch of a formula's bulk; it makes the lot of its own name. `named`: material, lot, grams or None."""

    formula: str = "solo"
    grams: int = 0
    named: tuple[tuple[str, str, int | None], ...] = ()
    started: str = "released"  # the batch's first status, which stands as recorded


@dataclass(frozen=True)
class Disposal(Paper):
    """What left the shelf."""

    lot: str = ""
    grams: int = 0


@dataclass(frozen=True)
class Split(Paper):
    """A part of a lot, apart from now on: the lot of its own name."""

    lot: str = ""
    grams: int = 0
    place: str | None = None
    opened: date | None = None


@dataclass(frozen=True)
class Count(Paper):
    """What is on the shelf: of a lot, of an item, or of an item in one place."""

    item: str = ""
    lot: str | None = None
    place: str | None = None
    counted: int = 0


@dataclass(frozen=True)
class Edit(Paper):
    """A lot's status or place from then on, or the day since when it is open."""

    lot: str = ""
    status: str | None = None
    place: str | None = None
    opened: date | None = None


@dataclass(frozen=True)
class Correction(Paper):
    """A receipt as it should have said; day and time are of no account. `fields` are a receipt's."""

    target: str = ""
    fields: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Restated(Paper):
    """A run as it should have said."""

    target: str = ""
    grams: int = 0


@dataclass(frozen=True)
class Reversal(Paper):
    """A paper taken out as if it had never been."""

    target: str = ""
    settle: bool = False
