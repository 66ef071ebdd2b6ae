"""A purchase plan in words: one sentence for a line, a late material, what the budget left out, and the whole."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.core.buying.answers import Late, LeftOut, Line, Order, Plan
from service.core.said import day, listed
from service.core.units import MICRO, said


@dataclass(frozen=True, slots=True)
class Words:
    """What the sentences need to know: today, the currency, names and units of materials, names of suppliers, and whether only
    some suppliers were asked for."""

    today: date
    currency: str
    names: Mapping[str, str]
    units: Mapping[str, str]
    suppliers: Mapping[str, str]
    some: bool = False

    def day(self, days: int) -> str:
        """A day as a maker writes it."""
        return day(self.today + timedelta(days=days), self.today)

    def money(self, micro: int) -> str:
        """Money with two decimals."""
        return f"{Decimal(micro) / MICRO:.2f} {self.currency}"

    @property
    def nobody(self) -> str:
        """No supplier that could be asked."""
        return "none of these suppliers" if self.some else "nobody"

    def line(self, line: Line, supplier: str, pack: str, missing: Sequence[str] = ()) -> str:
        """Why a line is in the plan; `pack` says what one holds, `missing` which claims no offer carries."""
        name, level = self.names[line.material], _percent(line.level)
        parts = [f"{line.packs} x {pack} of {name} from {self.suppliers[supplier]} for {self.money(line.cost)}"]
        parts.append(f"to be there by {self.day(line.needed_by)}" if line.needed_by is not None else "not pressing")
        until = "for as long as can be foreseen" if line.covers_until is None else f"until {self.day(line.covers_until)}"
        parts.append(f"it covers the need {until} ({level})")
        parts.append(f"the risk of running out before {self.day(line.next_arrival)} {_risks(line)}")
        parts += [self._expires(line), self._next_best(line)]
        if missing:
            parts.append(f"{self.nobody} offers it as {listed(missing)}")
        return "; ".join(parts) + "."

    def _expires(self, line: Line) -> str:
        """What would expire unused of a line; less than half a percent is nothing."""
        if line.expires < 0.005 * line.quantity:
            return "none of it is expected to expire unused"
        return f"{said(round(line.expires), self.units[line.material])} may expire unused ({self.money(line.expires_cost)})"

    def _next_best(self, line: Line) -> str:
        if line.other is None:
            return f"there is no other offer{' of these suppliers' if self.some else ''}"
        return f"the next best offer, {self.suppliers[line.other.supplier]}'s, would have cost {self.money(line.other.cost)}"

    def late(self, late: Late) -> str:
        """What cannot be had in time."""
        name = self.names[late.material]
        out = "runs out" if late.runs_out is None else f"may run out on {self.day(late.runs_out)}"
        if late.arrives is None:
            return f"{name} {out}, and {self.nobody} offers it today."
        if late.runs_out is not None and late.arrives <= late.runs_out:
            return f"{name} {out}, and an order may come too late; it is likely to be there on {self.day(late.arrives)}."
        return f"{name} {out}, before any order can come; it can be there on {self.day(late.arrives)}."

    def left_out(self, left: LeftOut) -> str:
        """What the budget left out and what that risks."""
        packs = "1 pack" if left.packs == 1 else f"{left.packs} packs"
        without, with_it = _percent(left.risk_without), _percent(left.risk_with)
        risk = f"is {without} instead of {with_it}" if without != with_it else f"stays at {without}, but later it costs more"
        return (
            f"The budget left out {packs} of {self.names[left.material]} ({self.money(left.cost)}): "
            f"the risk of running out {risk}."
        )

    def whole(self, plan: Plan) -> str:
        """The plan in one sentence."""
        late = f" {len(plan.late)} cannot be had in time." if plan.late else ""
        if not plan.orders:
            return f"{self._nothing(plan)}{late}"
        lines = sum(len(order.lines) for order in plan.orders)
        total = sum(order.total for order in plan.orders)
        orders = ", ".join(self._order(order) for order in plan.orders)
        return f"Order {lines} {'line' if lines == 1 else 'lines'} for {self.money(total)}: {orders}.{late}"

    def _order(self, order: Order) -> str:
        delivery = f", {self.money(order.delivery)} of it delivery" if order.delivery else ""
        return f"{self.suppliers[order.supplier]} ({self.money(order.total)}{delivery})"

    def _nothing(self, plan: Plan) -> str:
        """Why a plan orders nothing."""
        if not plan.proven:
            return "No order was found in the time there was."
        if plan.left_out:
            return "Nothing can be ordered within the budget."
        if any(late.arrives is None for late in plan.late):
            return f"{self.nobody.capitalize()} offers what needs to be ordered."
        return "Nothing needs to be ordered today."


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
