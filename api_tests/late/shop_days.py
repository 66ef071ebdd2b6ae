"""Random days of the shop: papers in order of happening, each of which fits those before it."""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from random import Random

from late.asking import told
from late.papers import Paper
from late.shop import AFTERWARDS, OPENED, Body, Slip

LINES = {"balm": ("shea", "oil"), "cream": ("balm", "oil")}  # of each formula
FORMULA = {"jar": "balm", "pot": "cream"}
FIRST = OPENED.date()
LAST = AFTERWARDS.date() - timedelta(days=2)


@dataclass(frozen=True)
class Lot:
    """A lot that a paper makes: as other papers name it, and the day it is dated by."""

    name: str
    item: str
    paper: str
    received: date


@dataclass
class Days:
    """Makes up one history. What nothing can decide does not occur in it.

    Each paper has a moment of its own, each count too; a receipt has one correction of a kind and a run one at all; a reversal
    is told after what names its paper; lots of one receipt day are told in one order, as their codes decide between them.
    """

    random: Random
    slips: list[Slip] = field(default_factory=list)
    lots: list[Lot] = field(default_factory=list)
    dated: dict[tuple[str, date], list[str]] = field(default_factory=lambda: defaultdict(list))  # papers by their lots
    day: date = FIRST
    at: int | None = None  # minutes after midnight
    done: set[tuple[str, str]] = field(default_factory=set)  # what was corrected or reversed, and in what

    def history(self, length: int) -> list[Slip]:
        """So many papers, or as many as there are days for: deliveries, fillings, and of half the other kinds."""
        kinds: Sequence[tuple[float, Callable[[], Slip | None]]] = [
            (1, self.bulk), (1, self.mixed_filling), (2, self.shipment), (1, self.disposal), (2, self.split),
            (1, self.count_of_item), (1, self.count_of_lot), (2, self.edit), (2, self.right_receipt), (1, self.right_run),
            (1, self.giving_back), (2, self.reversal),
        ]  # fmt: skip
        some = [(3, self.receipt), (3, self.filling), *self.random.sample(kinds, len(kinds) // 2)]
        while len(self.slips) < length and self.day < LAST:
            self._later()
            made = self.random.choices([kind for _, kind in some], [weight for weight, _ in some])[0]()
            if made is not None:
                self.slips.append(made)
        return self.slips

    def _later(self) -> None:
        """Mostly another day, with a time or without; else later that day. A count without a time ends its day."""
        ended = bool(self.slips) and self.slips[-1].path == "counts" and self.at is None
        if not self.slips or ended or (self.at or 0) > 1200 or self.random.random() < 0.7:
            self.day += timedelta(days=self.random.choice([1, 1, 2]))
            self.at = self.random.choice([None, None, 480])
        else:
            self.at = (self.at or 420) + self.random.choice([15, 90])

    # What a paper is made of.

    def _slip(self, path: str, body: Body, *names: str, method: str = "POST") -> Slip:
        return Slip(self._name, self.day, self.at, path, body, method, names)

    @property
    def _name(self) -> str:
        return f"p{len(self.slips) + 1}"

    @property
    def _when(self) -> str:
        return told(Paper(self._name, self.day, self.at))

    def _of(self, *items: str) -> Lot | None:
        """One of their lots, without those of a reversed paper."""
        found = [lot for lot in self.lots if lot.item in items and (lot.paper, "reversed") not in self.done]
        return self.random.choice(found) if found else None

    def _making(self, slip: Slip, *made: Lot) -> Slip:
        self.lots += made
        return self._dated(slip, *((lot.item, lot.received) for lot in made))

    def _dated(self, slip: Slip, *made: tuple[str, date]) -> Slip:
        """A paper with lots of some items and receipt days; it is told after others that have the same."""
        tied = {paper: None for one in made for paper in self.dated[one]}
        for one in made:
            self.dated[one].append(slip.name)
        return replace(slip, tied=tuple(tied))

    # The kinds.

    def receipt(self) -> Slip:
        item, name = self.random.choice(["oil", "shea", "shea", "tin"]), self._name
        quantity = self.random.choice([3, 8] if item == "tin" else [50, 100, 200, 400])
        body: Body = {"material": item, "quantity": quantity, "received_on": self._when, "supplier_lot": name}
        body["containers"] = self.random.choice([1, 2, 3]) if item == "shea" else 1
        if (cost := self.random.choice([None, 10, 20, 33.33])) is not None:
            body["cost"] = cost
        if item != "tin" and self.random.random() < 0.5:
            body["expires_on"] = self._in(self.random.choice([2, 6, 30]))
        if item != "tin" and self.random.random() < 0.15:
            body["status"] = "quarantined"
        lots = [Lot(f"{name}_{number}", item, name, self.day) for number in range(1, body["containers"] + 1)]
        return self._making(self._slip("receipts", body), *lots)

    def _in(self, days: int) -> str:
        return str(self.day + timedelta(days=days))

    def filling(self) -> Slip:
        """Jars or pots, some of a bulk that is named."""
        product = self.random.choice(["jar", "jar", "pot"])
        body: Body = {"product": product, "units": self.random.choice([1, 2, 4, 6])}
        bulk = self._of(FORMULA[product])
        if bulk is not None and self.random.random() < 0.4:
            return self._run({**body, "bulk": f"${bulk.name}"}, [bulk.paper], product)
        return self._run(body, self._name_a_lot(body, FORMULA[product]), product)

    def bulk(self) -> Slip:
        formula = self.random.choice(["balm", "cream"])
        body: Body = {"formula": formula, "batch_g": self.random.choice([50, 120, 200])}
        return self._run(body, self._name_a_lot(body, formula), formula)

    def mixed_filling(self) -> Slip:
        """Three jars, and what is left of the mass."""
        left = self.random.choice([100, 150])
        body: Body = {"formula": "balm", "batch_g": 300, "filled": [{"product": "jar", "units": 3}], "left_over_g": left}
        return self._run(body, self._name_a_lot(body, "balm"), "jar", "balm")

    def _name_a_lot(self, body: Body, formula: str) -> list[str]:
        """Some runs name a lot, of all they need of a material or of a quantity of it; whose paper that is."""
        material = self.random.choice(LINES[formula])
        lot = self._of(material)
        if lot is None or self.random.random() < 0.6:
            return []
        part = {"quantity": self.random.choice([10, 30, 60])} if self.random.random() < 0.6 else {}
        body["lots"] = [{"material": material, "lot": f"${lot.name}", **part}]
        return [lot.paper]

    def _run(self, body: Body, names: list[str], *made: str) -> Slip:
        slip = self._slip("runs", {**body, "made_on": self._when}, *names)
        return self._making(slip, *[Lot(f"{slip.name}_{item}", item, slip.name, self.day) for item in made])

    def shipment(self) -> Slip:
        """Of an order that came just before."""
        product, units = self.random.choice(["jar", "jar", "pot"]), self.random.choice([1, 2, 3, 5])
        order = self._slip("orders", {"reference": self._name, "lines": [{"product": product, "units": units}]})
        self.slips.append(order)
        body: Body = {"shipped_on": self._when}
        lot = self._of(product)
        if lot is None or self.random.random() < 0.7:
            return self._slip(f"orders/{order.name}/shipments", body, order.name)
        body["lots"] = [{"lot": f"${lot.name}"} | ({"units": 1} if self.random.random() < 0.5 else {})]
        return self._slip(f"orders/{order.name}/shipments", body, order.name, lot.paper)

    def disposal(self) -> Slip | None:
        lot = self._of("oil", "shea", "jar", "balm")
        if lot is None:
            return None
        quantity = self.random.choice([1, 2] if lot.item == "jar" else [10, 40])
        body = {"lot": f"${lot.name}", "quantity": quantity, "reason": "spoiled", "disposed_on": self._when}
        return self._slip("disposals", body, lot.paper)

    def split(self) -> Slip | None:
        lot = self._of("oil", "shea", "jar")
        if lot is None:
            return None
        quantity = self.random.choice([1, 2] if lot.item == "jar" else [20, 80])
        body = {"quantity": quantity, "split_on": self._when, "place": self.random.choice(["market", "market", "bench"])}
        slip = self._slip(f"lots/${lot.name}/splits", body, lot.paper)
        return self._making(slip, Lot(f"{slip.name}_part", lot.item, slip.name, lot.received))

    def count_of_item(self) -> Slip:
        """It may find a lot of its own, which is dated by its day."""
        item = self.random.choice(["oil", "shea", "jar", "tin"])
        counted = self.random.choice([0, 1, 3] if item in ("jar", "tin") else [0, 40, 130])
        what = {"product" if item == "jar" else "material": item}
        slip = self._slip("counts", {**what, "counted": counted, "counted_at": self._when})
        return self._dated(slip, (item, self.day))

    def count_of_lot(self) -> Slip | None:
        lot = self._of("oil", "shea")
        if lot is None:
            return None
        counted = self.random.choice([0, 20, 70])
        return self._slip("counts", {"lot": f"${lot.name}", "counted": counted, "counted_at": self._when}, lot.paper)

    def edit(self) -> Slip | None:
        lot = self._of("oil", "shea", "jar")
        if lot is None:
            return None
        statuses = [{"status": status} for status in ("rejected", "quarantined", "released")]
        change = self.random.choice([*statuses, {"place": "market"}, {"place": "bench"}])
        return self._slip(f"lots/${lot.name}", {**change, "effective_on": self._when}, lot.paper, method="PATCH")

    # About another paper.

    def _standing(self, *paths: str) -> list[Slip]:
        return [one for one in self.slips if one.path.split("/")[-1] in paths and (one.name, "reversed") not in self.done]

    def right_receipt(self) -> Slip | None:
        """Its cost, quantity or expiry, each once."""
        quantity = self.random.choice([2, 7, 30, 150, 500])
        changes: list[Body] = [{"cost": self.random.choice([5, 40])}, {"quantity": quantity}, {"expires_on": self._in(1)}]
        return self._correction("receipts", self.random.choice(changes))

    def right_run(self) -> Slip | None:
        return self._correction("runs", {"units": self.random.choice([1, 2, 5])})

    def _correction(self, noun: str, change: Body) -> Slip | None:
        free = [one for one in self._standing(noun) if (one.name, *change) not in self.done]
        papers = [one for one in free if noun == "receipts" or "units" in (one.body or {})]
        if not papers:
            return None
        target = self.random.choice(papers).name
        self.done.add((target, *change))
        return self._slip(f"{noun}/${target}/correction", change, target)

    def giving_back(self) -> Slip | None:
        """A dented jar comes back: it makes a lot, dated as its batch."""
        jars = [lot for lot in self.lots if lot.name.endswith("_jar")]
        sent = [one for one in self._standing("shipments") if self._product(one) == "jar"]
        if not jars or not sent:
            return None
        batch, shipment = self.random.choice(jars), self.random.choice(sent)
        body = {"batch": f"${batch.paper}", "product": "jar", "units": 1, "condition": "dented", "returned_on": self._when}
        path = shipment.path.replace("shipments", "returns")
        slip = self._slip(path, body, batch.paper, shipment.name)
        return self._making(slip, Lot(f"{slip.name}_back", "jar", slip.name, batch.received))

    def _product(self, shipment: Slip) -> str:
        order = next(one for one in self.slips if one.name == shipment.names[0])
        assert order.body is not None
        return str(order.body["lines"][0]["product"])

    def reversal(self) -> Slip | None:
        """Told after all that names its paper: what still stands of it then has it refused, or is settled."""
        papers = self._standing("receipts", "runs", "shipments", "disposals", "splits", "counts", "returns")
        if not papers:
            return None
        target = self.random.choice(papers).name
        self.done.add((target, "reversed"))
        settle = {"settle": True} if self.random.random() < 0.3 else {}
        named_by = [one.name for one in self.slips if target in one.names]
        return self._slip("reversals", {"document": f"${target}", "reason": "a mistake", **settle}, target, *named_by)
