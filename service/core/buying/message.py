"""An order as text to paste into a message to the supplier."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from service.core.units import MICRO, said


@dataclass(frozen=True, slots=True)
class Wanted:
    """So many packs of a material, at a price each (None: to be asked); `article` is the supplier's own code."""

    packs: int
    pack: int
    unit: str
    name: str
    price: int | None
    article: str | None = None
    told: str | None = None  # the pack as it was told, `2 lb`; else in grams or pieces

    def row(self, currency: str) -> str:
        """One line of the message."""
        article = f" (article {self.article})" if self.article else ""
        price = "price to be confirmed" if self.price is None else f"{money(self.price, currency)} each"
        return f"{self.packs} x {self.told or said(self.pack, self.unit)} {self.name}{article}, {price}"


def money(micro: int, currency: str) -> str:
    """Money as an invoice writes it: two decimals, more where a price has more."""
    value = Decimal(micro) / MICRO
    return f"{value:.2f} {currency}" if micro % 10_000 == 0 else f"{value.normalize():f} {currency}"


def message(lines: Sequence[Wanted], goods: int | None, delivery: int | None, currency: str) -> str:
    """The lines, and what they come to; sums are left out while a price is not known."""
    rows = [line.row(currency) for line in lines]
    if goods is None or delivery is None:
        return "\n".join(rows)
    charge = f", delivery {money(delivery, currency)}" if delivery else ", delivery free"
    return "\n".join([*rows, f"Goods {money(goods, currency)}{charge}, total {money(goods + delivery, currency)}"])
