"""Ordered against delivered: the lines of a purchase order that receipts are for, and what differs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions.buying import purchase_lines
from service.actions.buying.purchase_answers import order_of
from service.actions.buying.purchase_lines import Came
from service.actions.receiving import Arrival
from service.actions.scope import Scope
from service.core.buying.message import money
from service.core.units import half_even, money_out, quantity_out, said
from service.errors import Conflict, Invalid
from service.store import purchases, suppliers
from service.store.items import ItemRow


@dataclass(frozen=True, slots=True)
class Against:
    """A placed order that something came of, held until the end of the act."""

    order: Row[Any]
    supplier: Row[Any]
    lines: Sequence[Row[Any]]
    came: Came

    def must_be_placed(self, day: date, pointer: str) -> None:
        """422 when something came before it was ordered."""
        if day < self.order.placed_on:
            raise Invalid.field(pointer, "is before the order was placed", str(day), f"from {self.order.placed_on}")

    def line_of(self, item: ItemRow, number: int | None, pointer: str) -> Row[Any]:
        """The line of this number, or the only one of this item."""
        if number is not None:
            line = self.line(number, pointer)
            if line.item_id != item.id:
                raise Invalid.field(pointer, f"is {line.name}, not {item.name}", number)
            return line
        mine = self.lines_of(item)
        if len(mine) != 1:
            numbers = ", ".join(str(line.n) for line in mine) or "none"
            raise Invalid.field(pointer, f"is needed: {self.order.code} has not one line of {item.name}", None, numbers)
        return mine[0]

    def line(self, number: int, pointer: str) -> Row[Any]:
        """The line of this number."""
        if number > len(self.lines):
            raise Invalid.field(pointer, f"is not a line of {self.order.code}", number, f"1 to {len(self.lines)}")
        return self.lines[number - 1]

    def lines_of(self, item: ItemRow) -> list[Row[Any]]:
        """The lines of this item."""
        return [line for line in self.lines if line.item_id == item.id]

    def left(self, line: Row[Any]) -> int:
        """What of a line was still awaited before this."""
        return purchase_lines.left(line, self.came)


def against(scope: Scope, code: str, pointer: str | None = None) -> Against:
    """The order that something came of; 409 unless it was placed. What comes of a received one is more than was ordered."""
    row = order_of(scope, code, pointer, lock=True)
    if row.state in ("draft", "cancelled"):
        why = "is a draft: place it first" if row.state == "draft" else "is cancelled"
        raise Conflict(f"purchase order {code} {why}", state=row.state)
    supplier = suppliers.by_ids(scope.connection, scope.workshop.id, [row.supplier_id])[row.supplier_id]
    lines = purchases.lines(scope.connection, scope.workshop.id, [row.id])[row.id]
    return Against(row, supplier, lines, purchases.came(scope.connection, scope.workshop.id, [row.id]))


def of_line(scope: Scope, order: Against, line: Row[Any], came: Arrival, close: bool) -> Arrival:
    """A plain receipt as one for a line: the supplier's name where none is told, and what differs from what was ordered."""
    found = quantity_differs(line, order.left(line), came.quantity, close)
    if came.cost is not None and order.supplier.currency == scope.workshop.currency:
        found += price_differs(line, came.quantity, came.cost, order.supplier.currency)
    bought = came.bought | {"purchase_order": order.order.code, "line": line.n}
    return replace(came, supplier=came.supplier or order.supplier.name, bought=bought, warnings=[*came.warnings, *found])


def expected(line: Row[Any], quantity: int) -> int | None:
    """What so much of a line costs by the order, half to even to the millionth; None while its price is not known."""
    return None if line.price_micro is None else half_even(line.price_micro * quantity, line.pack)


def quantity_differs(line: Row[Any], awaited: int, came: int, close: bool) -> list[dict[str, Any]]:
    """Less came, or more, than was awaited of a line."""
    if came == awaited:
        return []
    if came > awaited:
        what = f"{said(came, line.unit)} came, {said(came - awaited, line.unit)} more than was awaited"
    else:
        rest = "no more is awaited" if close else f"{said(awaited - came, line.unit)} still to come"
        what = f"{said(came, line.unit)} came of {said(awaited, line.unit)} awaited; {rest}"
    facts = {"awaited": quantity_out(awaited, line.unit), "came": quantity_out(came, line.unit)}
    return [{"type": "quantity-differs", "sentence": f"Line {line.n}, {line.name}: {what}.", "line": line.n, **facts}]


def price_differs(line: Row[Any], quantity: int, charged: int, currency: str) -> list[dict[str, Any]]:
    """Another price was charged than was ordered at."""
    by_order = expected(line, quantity)
    if by_order is None or by_order == charged:
        return []
    sentence = (
        f"Line {line.n}, {line.name}: {money(charged, currency)} was charged for {said(quantity, line.unit)}, "
        f"by the order it is {money(by_order, currency)}."
    )
    facts: Mapping[str, Any] = {"ordered": money_out(by_order), "charged": money_out(charged)}
    return [{"type": "price-differs", "sentence": sentence, "line": line.n, **facts}]
