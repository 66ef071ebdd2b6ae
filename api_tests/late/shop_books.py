"""The shop's books read back by our own names, and where two ends of one history differ.

Left out are concerns, which `test_at_the_bench` compares, and the cost of a part that holds nothing. What counts found in lots of
its own is one sum for each item, as the service names these lots.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from late.shop import Shop

LISTS = ("lots?empty=true", "materials", "products", "runs", "shipments", "counts", "disposals")
SLACK = Decimal("0.00002")  # a millionth for each movement beneath a paper
FOUND = "found"


@dataclass
class Ends:
    """`facts` are equal to the gram and the millionth; `money` of papers and of what they made is so to the slack."""

    facts: dict[str, Any] = field(default_factory=dict)
    money: dict[str, Decimal | None] = field(default_factory=dict)


class Reader:
    """Reads one shop."""

    def __init__(self, shop: Shop) -> None:
        self.names = {code: name for name, code in shop.codes.items()}
        answers = shop.house.read(shop.token, [f"{path}{'&' if '?' in path else '?'}limit=200" for path in LISTS])
        self.lists = [answer.json(parse_float=Decimal)["items"] for answer in answers]
        self.ends = Ends()

    def read(self) -> Ends:
        lots, materials, products, runs, shipments, counts, disposals = self.lists
        self._lots(lots)
        for one in materials + products:
            self.ends.facts[f"unbooked {one['code']}"] = one["unbooked"]
        for one in runs:
            self._run(one)
        for one in shipments:
            taken = None if one["reversed"] else self._drawn((u["product"], u["lot"], u["units"]) for u in one["taken"])
            self._paper(one["shipment"], one["reversed"], taken, one["cost"], one["estimated"])
        for one in counts:
            said = None if one["reversed"] else (one["book"], one["difference"])
            self.ends.facts[f"count {self.names[one['count']]}"] = said
        for one in disposals:
            self._paper(one["disposal"], one["reversed"], None, one["cost"], False)
        return self.ends

    def _lots(self, lots: list[dict[str, Any]]) -> None:
        facts, found = self.ends.facts, defaultdict[str, Decimal](Decimal)
        for lot in lots:
            name = self.names.get(lot["code"])
            if name is None:
                found[lot["item"]] += lot["on_hand"]
                continue
            held = ("opened_on", "last_usable_day", "estimated") if lot["on_hand"] else ()
            facts[name] = {fact: lot[fact] for fact in ("on_hand", "status", "place", *held)}
            if name[-1].isdigit():  # a receipt's: exact
                facts[f"cost of {name}"] = lot["cost"]
            elif lot["on_hand"] or not name.endswith("_part"):
                self.ends.money[f"cost of {name}"] = lot["cost"]
        facts |= {f"{FOUND} {item}": grams for item, grams in found.items() if grams}

    def _run(self, run: dict[str, Any]) -> None:
        drawn = self._drawn((u["material"], u["lot"], u["quantity"]) for u in run["used"])
        gone = run["state"] != "completed"
        self._paper(run["batch"]["code"], gone, None if gone else drawn, run["cost"], run["estimated"])

    def _paper(self, code: str, gone: bool, drawn: object, cost: Decimal | None, estimated: bool) -> None:
        name = self.names[code]
        self.ends.facts[name] = "reversed" if gone else (drawn, "estimated" if estimated else "")
        if not gone:
            self.ends.money[f"cost of {name}"] = cost

    def _drawn(self, used: Iterable[tuple[str, str | None, Decimal]]) -> dict[tuple[str, str | None], Decimal]:
        taken = defaultdict[tuple[str, str | None], Decimal](Decimal)
        for item, lot, quantity in used:
            if quantity:
                taken[item, None if lot is None else self.names.get(lot, FOUND)] += quantity
        return dict(taken)


def unlike(one: Ends, other: Ends) -> list[str]:
    """One line for each fact and each sum of money that differs."""
    found = _differing(one.facts, other.facts)
    for what in sorted(one.money.keys() | other.money.keys()):
        mine, theirs = one.money.get(what), other.money.get(what)
        if mine != theirs and (mine is None or theirs is None or abs(mine - theirs) > SLACK):
            found.append(f"{what}: {mine} and {theirs}")
    return found


def _differing(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    return [
        f"{what}: {one.get(what)} and {other.get(what)}"
        for what in sorted(one.keys() | other.keys())
        if one.get(what) != other.get(what)
    ]
