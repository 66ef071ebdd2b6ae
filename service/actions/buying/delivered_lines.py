"""The lines of a delivery note as arrivals: how much of what came, for which line of the order, and what was charged."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Row

from service.actions import papers
from service.actions.buying import ordered, purchase_lines
from service.actions.buying.offers import BOUGHT
from service.actions.buying.ordered import Against
from service.actions.buying.purchase_lines import MOST_MONEY
from service.actions.receiving import given, quantity_of
from service.actions.scope import Scope
from service.core.units import MOST, half_even, money_in, quantity_out
from service.errors import Invalid
from service.shapes.purchases import DeliveryLineIn
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Came:
    """One line of a delivery note: `charged` is the price of all of it in the delivery's currency (None: not known)."""

    item: ItemRow
    line: Row[Any] | None
    quantity: int
    given: dict[str, Any]
    charged: int | None
    at: str
    body: DeliveryLineIn


@dataclass(slots=True)
class Reading:
    """Lines are read in their order: what one took of an order's line, the next does not find open any more."""

    scope: Scope
    order: Against | None
    same_currency: bool  # the delivery's and the order's
    left: dict[int, int] = field(default_factory=dict)

    def lines(self, told: Sequence[DeliveryLineIn]) -> list[Came]:
        """Every line; without any, all that is open of the order."""
        if self.order is not None:
            self.left = {line.n: self.order.left(line) for line in self.order.lines}
            if not told:
                told = [DeliveryLineIn(line=n) for n, left in self.left.items() if left]
        if not told:
            raise Invalid.field("#/lines", "are needed: nothing of the order is open")
        return [self._line(line, f"#/lines/{n}") for n, line in enumerate(told)]

    def _line(self, told: DeliveryLineIn, at: str) -> Came:
        line, item = self._which(told, at)
        if told.quantity is not None:
            unit, packs = told.unit or item.unit, told.packs or 1
            pack = quantity_of(item, told.quantity, unit, f"{at}/quantity")
            quantity, as_told = packs * pack, given(packs * told.quantity, unit)
        elif line is None:
            raise Invalid.field(f"{at}/quantity", "is needed for what was not ordered")
        else:
            pack, quantity, as_told = self._of_order(told, line, at)
        charged = self._charged(told, line, quantity, pack, at)
        if quantity > MOST or (charged or 0) > MOST_MONEY:
            raise Invalid.field(f"{at}/packs", "come to more than one line can hold", told.packs)
        if line is not None:
            self.left[line.n] = max(self.left[line.n] - quantity, 0)
        return Came(item, line, quantity, as_told, charged, at, told)

    def _which(self, told: DeliveryLineIn, at: str) -> tuple[Row[Any] | None, ItemRow]:
        """The order's line, if it was ordered, and the item."""
        item = None
        if told.material is not None:
            item = papers.item_of(self.scope, told.material, f"{at}/material", *BOUGHT)
        if told.line is not None:
            if self.order is None:
                raise Invalid.field(f"{at}/line", "is of no order: name a `material`", told.line)
            line = self.order.line(told.line, f"{at}/line")
            item = item or papers.item_of(self.scope, line.code, f"{at}/line")
            return self.order.line_of(item, told.line, f"{at}/line"), item
        assert item is not None, "the shape asks for a line or a material"
        if self.order is None or not self.order.lines_of(item):
            if told.close:
                raise Invalid.field(f"{at}/close", "is for what was ordered")
            return None, item
        return self.order.line_of(item, None, f"{at}/line"), item

    def _of_order(self, told: DeliveryLineIn, line: Row[Any], at: str) -> tuple[int, int, dict[str, Any]]:
        """Pack, quantity, and the quantity as told, in packs of the order's or as all that is open of its line."""
        if told.packs is not None:
            pack = purchase_lines.pack_told(line)
            return line.pack, told.packs * line.pack, {"quantity": told.packs * pack["quantity"], "unit": pack["unit"]}
        left = self.left[line.n]
        if not left:
            raise Invalid.field(f"{at}/quantity", f"is needed: nothing of line {line.n} is open")
        return line.pack, left, {"quantity": quantity_out(left, line.unit), "unit": line.unit}

    def _charged(self, told: DeliveryLineIn, line: Row[Any] | None, quantity: int, pack: int, at: str) -> int | None:
        if told.price is not None:
            return half_even(money_in(told.price, f"{at}/price") * quantity, pack)
        if line is None:
            return None
        by_order = ordered.expected(line, quantity)
        if by_order is not None and not self.same_currency:
            raise Invalid.field(f"{at}/price", "is needed: the order is in another currency")
        return by_order
