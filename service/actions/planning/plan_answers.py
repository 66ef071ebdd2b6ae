"""A purchase plan as an answer: its lines with their reasons, what comes late, what a budget left out, what it weighs."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from math import isfinite
from typing import Any

from service.actions.buying.offers import Standing
from service.actions.buying.purchase_lines import pack_said
from service.actions.receiving import plain
from service.core.buying.answers import Costs, Late, LeftOut, Line, Order, Plan
from service.core.buying.asked import Asked
from service.core.buying.offers import folded
from service.core.buying.words import Words
from service.core.said import listed
from service.core.units import money_out, quantity_out
from service.shapes.purchase_plans import PurchasePlanIn

PARTS = ("goods", "delivery", "capital", "running_out", "expires", "total")


@dataclass(frozen=True, slots=True)
class Told:
    """What was asked, on which day, in which currency, of which materials and offers, at which level in percent."""

    body: PurchasePlanIn
    today: date
    currency: str
    asked: Asked
    standing: Mapping[str, Standing]
    level: Decimal


class Answer:
    """A plan said."""

    def __init__(self, question: Told) -> None:
        self.question, self.today = question, question.today
        nodes = {node.code: node for node in question.asked.nodes}
        self.names = {code: node.name for code, node in nodes.items()}
        self.units = {code: node.unit for code, node in nodes.items()}
        self.suppliers = {one.row.supplier: one.row.supplier_name for one in question.standing.values()}
        some = question.body.suppliers is not None
        self.words = Words(self.today, question.currency, self.names, self.units, self.suppliers, some)

    def said(self, plan: Plan) -> dict[str, Any]:
        """The answer without its code."""
        body = self.question.body
        orders = [self._order(order) for order in plan.orders]
        late, left = [self._late(one) for one in plan.late], [self._left_out(one) for one in plan.left_out]
        whys = [line["why"] for order in orders for line in order["lines"]]
        unmet, warnings = self._unmet(plan), self._warnings(plan)
        sentences = [self.words.whole(plan), *whys, *(one["sentence"] for one in (*late, *left, *warnings))]
        return {
            "by": body.by,
            "budget": money_out(self.question.asked.budget),
            "service_level_percent": plain(self.question.level),
            "prefer": list(body.prefer),
            "suppliers": None if body.suppliers is None else list(body.suppliers),
            "materials": None if body.materials is None else list(body.materials),
            "currency": self.question.currency,
            "orders": orders,
            "goods": money_out(sum(order.goods for order in plan.orders)),
            "delivery": money_out(sum(order.delivery for order in plan.orders)),
            "total": money_out(sum(order.total for order in plan.orders)),
            "costs": _costs(plan.costs),
            "late": late,
            "left_out": left,
            "proven": plan.proven,
            "gap_percent": round(100 * plan.gap, 4) if isfinite(plan.gap) else None,
            "seconds": round(plan.seconds, 3),
            "warnings": [*unmet, *warnings],
            "sentence": "\n".join(sentences),
        }

    def _day(self, days: int | None) -> date | None:
        return None if days is None else self.today + timedelta(days=days)

    def _order(self, order: Order) -> dict[str, Any]:
        return {
            "supplier": order.supplier,
            "name": self.suppliers[order.supplier],
            "lines": [self._line(line, order.supplier) for line in order.lines],
            "goods": money_out(order.goods),
            "delivery": money_out(order.delivery),
            "total": money_out(order.total),
        }

    def _line(self, line: Line, supplier: str) -> dict[str, Any]:
        row, unit, other = self.question.standing[line.offer].row, self.units[line.material], line.other
        pack = json.loads(row.facts)["pack"]
        return {
            "offer": line.offer,
            "article": row.article,
            "material": line.material,
            "name": self.names[line.material],
            "unit": unit,
            "packs": line.packs,
            "pack": pack,
            "quantity": quantity_out(line.quantity, unit),
            "price": money_out(line.pack_price),
            "cost": money_out(line.cost),
            "delivery_share": money_out(line.delivery),
            "claims": json.loads(row.claims),
            "arrives_on": self._day(line.arrives),
            "needed_by": self._day(line.needed_by),
            "covers_until": self._day(line.covers_until),
            "next_arrival_on": self._day(line.next_arrival),
            "service_level_percent": round(100 * line.level, 4),
            "risk_before_percent": round(100 * line.risk_before, 1),
            "risk_after_percent": round(100 * line.risk_after, 1),
            "expires": quantity_out(round(line.expires), unit),
            "expires_cost": money_out(line.expires_cost),
            "next_best": None if other is None else {
                "offer": other.offer, "supplier": other.supplier, "packs": other.packs, "cost": money_out(other.cost),
            },
            "why": self.words.line(line, supplier, pack_said(pack), self._missing(line)),
        }  # fmt: skip

    def _late(self, one: Late) -> dict[str, Any]:
        return {
            "material": one.material,
            "name": self.names[one.material],
            "runs_out": self._day(one.runs_out),
            "available_on": self._day(one.arrives),
            "risk_percent": round(100 * one.risk, 1),
            "sentence": self.words.late(one),
        }

    def _left_out(self, one: LeftOut) -> dict[str, Any]:
        return {
            "offer": one.offer,
            "material": one.material,
            "name": self.names[one.material],
            "supplier": one.supplier,
            "packs": one.packs,
            "cost": money_out(one.cost),
            "risk_with_percent": round(100 * one.risk_with, 1),
            "risk_without_percent": round(100 * one.risk_without, 1),
            "sentence": self.words.left_out(one),
        }

    def _missing(self, line: Line) -> list[str]:
        """The claims preferred that no offer of a line's material carries."""
        carried = folded(json.loads(self.question.standing[line.offer].row.claims))
        return [claim for claim in self.question.body.prefer if not folded([claim]) <= carried]

    def _unmet(self, plan: Plan) -> list[dict[str, Any]]:
        """Preferences that cannot be met; the lines say it too."""
        found = []
        for line in (line for order in plan.orders for line in order.lines):
            if missing := self._missing(line):
                sentence = f"{self.words.nobody.capitalize()} offers {self.names[line.material]} as {listed(missing)}."
                found.append({"type": "preference-not-met", "sentence": sentence, "material": line.material})
        return found

    def _unpriced(self) -> list[str]:
        """Suppliers that could be asked for these materials, were the rate of their currency known."""
        asked = self.question.body.suppliers
        offers = (one.row for one in self.question.standing.values() if one.offer is None)
        return sorted({row.supplier for row in offers if row.material in self.names and (asked is None or row.supplier in asked)})

    def _warnings(self, plan: Plan) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for supplier in self._unpriced():
            sentence = f"What {self.suppliers[supplier]} offers is left out: no rate of its currency is known."
            found.append({"type": "rate-not-known", "sentence": sentence, "supplier": supplier})
        if not plan.proven:
            far = f"at most {100 * plan.gap:.1f} % above the least cost" if isfinite(plan.gap) else "how good it is, is not known"
            sentence = f"The time for planning ran out: this is the best plan found, {far}."
            found.append({"type": "not-proven", "sentence": sentence})
        return found


def _costs(costs: Costs) -> dict[str, Any]:
    return {name: money_out(getattr(costs, name)) for name in PARTS} | {"saved_later": money_out(costs.saved)}
