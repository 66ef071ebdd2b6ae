"""True costs of an order, day by day and unit by unit, and every order there is, written apart from the planner; and a shelf."""

from itertools import product

import numpy as np

from service.core.buying.facts import Facts, Material, Settings, Supplier
from service.core.buying.offers import Break, Offer, Terms
from service.core.buying.paths import Course, Slot
from service.core.buying.rows import Column, Group, Problem
from service.core.cover.runout import Floats, Lot

KG = 1_000_000  # milligrams
EUR = 1_000_000  # millionths


def course_cost(course: Course, quantities: tuple[float, ...]) -> float:
    """What follows for one material: spans are days here."""
    total, missed = 0.0, 0.0
    for path in range(len(course.need)):
        shelf = [[lot.quantity, max(lot.first_day, 0), lot.last_day] for lot in course.lots]
        shelf += [[q, int(slot.arrives[path]), slot.last_day] for q, slot in zip(quantities, course.slots, strict=True)]
        shelf.sort(key=lambda lot: float("inf") if lot[2] is None else lot[2])
        bought = [(lot[1], lot[0]) for lot in shelf]
        used = 0.0
        for day in range(course.need.shape[1]):
            need = float(course.need[path, day])
            for lot in shelf:
                if lot[1] <= day and (lot[2] is None or day <= lot[2]):
                    taken = min(lot[0], need)
                    lot[0] -= taken
                    need -= taken
                    used += taken
            total += need * float(course.weight[path, day])
            total += course.held * (sum(amount for came, amount in bought if came <= day) - used)
            if course.promised is not None:
                missed += need * float(course.promised[path, day])
    paths = len(course.need)
    return total / paths + course.breach * max(missed / paths - course.allowed, 0.0)


class Orders:
    """Every order of a small problem, and what it costs; None where a supplier or the budget refuses it."""

    def __init__(self, problem: Problem, reach: int) -> None:
        self.problem = problem
        self.choices = sorted({column.choice for column in problem.columns})
        self.counts = [range(reach + 1) for _ in self.choices]
        self.known: dict[tuple[int, tuple[float, ...]], float] = {}

    def cost(self, packs: dict[int, int]) -> float | None:
        """The true cost of packs by choice."""
        spent = [0.0] * len(self.problem.groups)
        filled = [[0.0] * len(course.slots) for course in self.problem.courses]
        placed = set()
        for choice, count in packs.items():
            if count == 0:
                continue
            tiers = [column for column in self.problem.columns if column.choice == choice]
            fit = [one for one in tiers if one.least <= count and (one.most is None or count <= one.most)]
            if not fit:
                return None
            column = min(fit, key=lambda one: one.price)
            spent[column.group] += column.price * count
            filled[column.item][column.slot] += column.pack * count
            placed.add(column.group)
        delivery = {at: self._delivery(self.problem.groups[at], spent[at]) for at in placed}
        if any(charge is None for charge in delivery.values()):
            return None
        now = [at for at in placed if self.problem.groups[at].order == 0]
        paid = sum(spent[at] + (delivery[at] or 0.0) for at in now)
        if self.problem.budget is not None and paid > self.problem.budget + 1e-9:
            return None
        total = sum(spent) + sum(charge or 0.0 for charge in delivery.values())
        for item, quantities in enumerate(filled):
            key = item, tuple(quantities)
            if key not in self.known:
                self.known[key] = course_cost(self.problem.courses[item], tuple(quantities))
            total += self.known[key]
        return total - self.problem.constant

    def _delivery(self, group: Group, goods: float) -> float | None:
        if goods < group.smallest - 1e-9:
            return None
        return 0.0 if group.free_from is not None and goods >= group.free_from - 1e-9 else group.charge

    def best(self) -> float:
        """The least true cost of all."""
        costs = (self.cost(dict(zip(self.choices, packs, strict=True))) for packs in product(*self.counts))
        return min(cost for cost in costs if cost is not None)


def some_course(rng: np.random.Generator, slots: int, paths: int, days: int) -> Course:
    """A small material with lots, lead times, expiry and a price of running out."""

    def last(begin: int) -> int | None:
        return None if rng.random() < 0.4 else int(rng.integers(begin, days + 3))

    need = (rng.integers(0, 6, (paths, days)) * (rng.random((paths, days)) < 0.6)).astype(float)
    lots = tuple(
        Lot(float(rng.integers(0, 12)), last(-1), int(rng.integers(0, days)) if rng.random() < 0.3 else 0)
        for _ in range(rng.integers(0, 3))
    )
    made = tuple(Slot(rng.integers(0, days // 2 + 1, paths), last(0)) for _ in range(slots))
    first = np.min([slot.arrives for slot in made], axis=0)
    until, day = first + rng.integers(1, days, paths), np.arange(days)[None, :]
    within = ((day >= first[:, None]) & (day < until[:, None])).astype(float)
    short, later = float(rng.uniform(3, 20)), float(rng.choice([0.0, 1.0, 3.0]))
    weight = within * short + later * (day >= until[:, None])
    promise = rng.random() < 0.5
    return Course(
        np.arange(days + 1), need, weight, float(rng.choice([0.0, 0.02, 0.2])), lots, made,
        within if promise else None, float(rng.uniform(0, 3)), float(rng.uniform(5, 40)) if promise else 0.0,
    )  # fmt: skip


def some_problem(rng: np.random.Generator) -> Problem:
    """One to three materials, two suppliers, up to three offers each: breaks, smallest packs and orders, free delivery."""
    ahead = int(rng.random() < 0.15) + 1
    groups = []
    for order in range(ahead):
        for _ in range(2):
            free = float(rng.integers(20, 120)) if rng.random() < 0.5 else None
            charge, smallest = float(rng.integers(0, 15)), float(rng.choice([0, 0, 15, 40]))
            groups.append(Group(charge, free, smallest, order))
    courses: list[Course] = []
    columns: list[Column] = []
    choice = 0
    for item in range(int(rng.integers(1, 4)) if ahead == 1 else 1):
        offers = int(rng.integers(1, 4)) if item == 0 else int(rng.integers(1, 3)) if item == 1 else 1
        course = some_course(rng, offers * ahead, int(rng.integers(2, 7)), int(rng.integers(6, 15)))
        courses.append(course)
        most = max(float(course.need.sum(axis=1).max()), 1.0)
        for slot in range(offers * ahead):
            pack = float(np.ceil(most / rng.integers(1, 5)))
            price = pack * float(rng.uniform(0.5, 3))
            group, least = (slot % ahead) * 2 + int(rng.integers(2)), int(rng.choice([1, 1, 1, 2]))
            if rng.random() < 0.4:
                step = int(rng.integers(least + 1, 5))
                columns.append(Column(item, slot, group, choice, pack, price, least, step - 1))
                columns.append(Column(item, slot, group, choice, pack, price * float(rng.uniform(0.6, 0.95)), step))
            else:
                columns.append(Column(item, slot, group, choice, pack, price, least))
            choice += 1
    budget = float(rng.uniform(10, 120)) if rng.random() < 0.3 else None
    return Problem(courses, columns, groups, budget, float(rng.uniform(0, 20)))


def gamma_need(rng: np.random.Generator, weekly_kg: float, paths: int = 400, weeks: int = 26, spread: float = 0.3) -> Floats:
    shape = 1 / spread**2
    return np.asarray(rng.gamma(shape, weekly_kg * KG / shape, (paths, weeks)))


def workshop(seed: int, materials: int, suppliers: int, offers: int, paths: int = 200) -> Facts:
    """A maker's shelf of invented materials."""
    rng = np.random.default_rng(seed)
    names = {
        f"s{at}": Supplier(
            f"s{at}",
            Terms(
                f"s{at}",
                int(rng.choice([5, 8, 12])) * EUR,
                int(rng.choice([100, 150, 250])) * EUR if rng.random() < 0.7 else None,
                int(rng.choice([0, 0, 25, 50])) * EUR,
            ),
            rng.integers(3, 12) + rng.integers(0, 4, 30),
            int(rng.choice([7, 7, 14])),
        )
        for at in range(suppliers)
    }
    made, offered = [], []
    counts = np.bincount(np.concatenate([np.arange(materials), rng.integers(0, materials, offers - materials)]))
    for at, count in enumerate(counts.tolist()):
        weekly = float(np.exp(rng.normal(-1, 1.2)))
        need = gamma_need(rng, weekly, paths, spread=0.6)
        lots = tuple(Lot(float(rng.uniform(0, 4)) * weekly * KG, int(rng.integers(5, 300))) for _ in range(rng.integers(0, 4)))
        made.append(Material(f"m{at}", f"m{at}", "g", need, lots))
        price = float(np.exp(rng.normal(2.6, 0.7)))
        for number in range(count):
            grams = int(rng.choice([250, 500, 1000, 2500, 5000]))
            pack_price = int(price * rng.uniform(0.85, 1.3) * grams / 1000 * EUR)
            breaks = (Break(3, int(pack_price * 0.93)), Break(10, int(pack_price * 0.85))) if rng.random() < 0.5 else ()
            life = int(rng.integers(120, 700))
            offered.append(
                Offer(f"o{at}-{number}", f"s{rng.integers(suppliers)}", f"m{at}", grams * 1000, pack_price, breaks, 1, life)
            )
    return Facts(made, offered, names, Settings(seconds=600))
