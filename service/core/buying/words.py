"""A purchase plan in words: one sentence for a line, a late material, what the budget left out, and the whole."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.core.buying.answers import Late, LeftOut, Line, Order, Plan
from service.core.buying.message import Wanted, message
from service.core.said import day
from service.core.units import MICRO, said


@dataclass(frozen=True, slots=True)
class Words:
    """What the sentences need to know: today, the currency, names and units of materials, names of suppliers."""

    today: date
    currency: str
    names: Mapping[str, str]
    units: Mapping[str, str]
    suppliers: Mapping[str, str]

    def day(self, days: int) -> str:
        """A day as a maker writes it."""
        return day(self.today + timedelta(days=days), self.today)

    def money(self, micro: int) -> str:
        """Money with two decimals."""
        return f"{Decimal(micro) / MICRO:.2f} {self.currency}"

    def line(self, line: Line, supplier: str) -> str:
        """Why a line is in the plan."""
        name, unit = self.names[line.material], self.units[line.material]
        level = _percent(line.level)
        pack = said(line.quantity // line.packs, unit)
        parts = [f"{line.packs} x {pack} of {name} from {self.suppliers[supplier]} for {self.money(line.cost)}"]
        parts.append(f"to be there by {self.day(line.needed_by)}" if line.needed_by is not None else "not pressing")
        until = "for as long as can be foreseen" if line.covers_until is None else f"until {self.day(line.covers_until)}"
        parts.append(f"it covers the need {until} ({level})")
        parts.append(f"the risk of running out before {self.day(line.next_arrival)} {_risks(line)}")
        if line.expires >= 0.005 * line.quantity:
            parts.append(f"{said(round(line.expires), unit)} may expire unused ({self.money(line.expires_cost)})")
        if line.other is not None:
            parts.append(
                f"the next best offer, {self.suppliers[line.other.supplier]}'s, would have cost {self.money(line.other.cost)}"
            )
        return "; ".join(parts) + "."

    def late(self, late: Late) -> str:
        """What cannot be had in time."""
        name = self.names[late.material]
        out = "runs out" if late.runs_out is None else f"may run out on {self.day(late.runs_out)}"
        if late.arrives is None:
            return f"{name} {out}, and nobody offers it."
        return f"{name} {out}, before any order can come; it can be there on {self.day(late.arrives)}."

    def left_out(self, left: LeftOut) -> str:
        """What the budget left out and what that risks."""
        packs = "1 pack" if left.packs == 1 else f"{left.packs} packs"
        risk = f"{_percent(left.risk_without)} instead of {_percent(left.risk_with)}"
        return (
            f"The budget left out {packs} of {self.names[left.material]} ({self.money(left.cost)}): "
            f"the risk of running out is {risk}."
        )

    def whole(self, plan: Plan) -> str:
        """The plan in one sentence."""
        late = f" {len(plan.late)} cannot be had in time." if plan.late else ""
        if not plan.orders:
            return f"Nothing needs to be ordered today.{late}"
        lines = sum(len(order.lines) for order in plan.orders)
        total = sum(order.total for order in plan.orders)
        orders = ", ".join(f"{self.suppliers[order.supplier]} ({self.money(order.total)})" for order in plan.orders)
        return f"Order {lines} {'line' if lines == 1 else 'lines'} for {self.money(total)}: {orders}.{late}"

    def message(self, order: Order, articles: Mapping[str, str]) -> str:
        """An order as text to paste into a message; `articles` holds the supplier's own article codes by offer."""
        wanted = [
            Wanted(
                line.packs, line.quantity // line.packs, self.units[line.material], self.names[line.material], line.pack_price,
                articles.get(line.offer),
            )
            for line in order.lines
        ]  # fmt: skip
        return message(wanted, order.goods, order.delivery, self.currency)


def _risks(line: Line) -> str:
    """How the risk changes; where it does not, the line is there for its price or its share of the delivery."""
    before, after = _percent(line.risk_before), _percent(line.risk_after)
    return f"stays at {after}, but now it costs less than later" if before == after else f"falls from {before} to {after}"


def _percent(share: float) -> str:
    """A share for a sentence; never 0 % or 100 % where it is not."""
    if 0 < share < 0.01:
        return "less than 1 %"
    if 0.99 < share < 1:
        return "more than 99 %"
    return f"{share * 100:.0f} %"
