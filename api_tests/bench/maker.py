"""A maker's setting: materials that age, bought in packs from suppliers with delivery charges, reviewed once a week.

What was asked for in an open history is each material's need. The service's plan orders every week beside two textbook rules
in whole packs; all pay for what they use and throw away, for deliveries, for the capital on the shelf, and for what they lack.
The materials' packs, prices and shelf lives are invented.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from api_tests.bench.figures import Figure
from api_tests.bench.ordering_rules import CAP, LEAD, LEVELS, STEPS, order_up_to
from api_tests.bench.weekly_files import Floats, Weekly
from service.core.buying.facts import Facts, Material, Settings, Supplier
from service.core.buying.offers import Offer, Terms
from service.core.buying.plan import plan
from service.core.cover.runout import Lot
from service.core.demand import forecast, paths

UNIT = 10_000  # milligrams of a unit asked for: 10 g
MICRO = 1_000_000
LEVEL = 0.95  # asked for
LACKING = 5.0  # prices of a unit: what one that lacks costs (common practice, no source)
CAPITAL = 0.10  # a year
PATHS, AHEAD, WARM = 200, 13, 4
CHARGE, FREE = 8.0, 120.0
Packs = Callable[[int, "Shelves"], list[int]]


@dataclass(frozen=True)
class Setting:
    """The needs (N, T), and of each material the units in a pack, the price of a unit, the life on arrival in weeks, the
    supplier."""

    history: Weekly
    pack: list[int]
    price: list[float]
    life: list[int]
    supplier: list[int]

    @classmethod
    def of(cls, history: Weekly, count: int) -> "Setting":
        """The series that sell most steadily, with invented packs."""
        dice = np.random.default_rng(95)
        able = np.flatnonzero((history.y[:, : history.first] > 0).mean(axis=1) > 0.5)
        chosen = able[np.linspace(0, len(able) - 1, min(count, len(able))).astype(int)]
        share = None if history.share is None else history.share[chosen] if len(history.share) > 1 else history.share
        kept = Weekly(history.name, history.y[chosen], share, history.first, None)
        mean = kept.y[:, : kept.first].mean(axis=1)
        pack = np.maximum(np.round(mean * dice.choice([0.5, 1, 2, 4], len(chosen))), 1).astype(int)
        price = np.exp(dice.normal(-2, 0.5, len(chosen)))
        life = dice.choice([6, 10, 16, 26], len(chosen))
        return cls(kept, pack.tolist(), price.tolist(), life.tolist(), dice.integers(0, 3, len(chosen)).tolist())


@dataclass
class Shelves:
    """What lies on each material's shelf, as [units, last week], first expired first; what comes next week; what it cost."""

    setting: Setting
    lots: list[list[list[float]]]
    coming: list[list[int]] = field(default_factory=list)  # packs of each material, by week
    spent: dict[str, float] = field(default_factory=dict)
    lacked: int = 0
    met: int = 0

    def pay(self, what: str, amount: float, counted: bool) -> None:
        if counted:
            self.spent[what] = self.spent.get(what, 0.0) + amount

    def arrive(self, week: int, packs: list[int], counted: bool) -> None:
        """An order comes in, with its deliveries."""
        setting, goods = self.setting, [0.0, 0.0, 0.0]
        for at, number in enumerate(packs):
            if number:
                self.lots[at].append([float(number * setting.pack[at]), week + setting.life[at] - 1])
                self.lots[at].sort(key=lambda lot: lot[1])
                goods[setting.supplier[at]] += number * setting.pack[at] * setting.price[at]
        self.pay("delivery", sum(CHARGE for value in goods if 0 < value < FREE), counted)

    def serve(self, week: int, counted: bool) -> None:
        """A week's need, then what has expired is thrown away and the rest is kept."""
        for at, lots in enumerate(self.lots):
            need, price = float(self.setting.history.y[at, week]), self.setting.price[at]
            for lot in lots:
                taken = min(lot[0], need)
                lot[0] -= taken
                need -= taken
                self.pay("used", taken * price, counted)
            self.pay("lacking", LACKING * need * price, counted)
            self.lacked += counted and need > 0
            self.met += counted and need <= 0
            gone = sum(lot[0] for lot in lots if lot[1] <= week)
            self.pay("thrown away", gone * price, counted)
            self.pay("grams thrown away", gone * UNIT / 1000, counted)
            lots[:] = [lot for lot in lots if lot[1] > week and lot[0] > 0]
            kept = sum(lot[0] for lot in lots) * price
            self.pay("capital", kept * CAPITAL * 7 / 365, counted)
            self.pay("held", kept, counted)

    def units(self, at: int) -> float:
        """Units on a shelf."""
        return sum(lot[0] for lot in self.lots[at])


def replay(setting: Setting, rule: Packs, first: int, until: int) -> Shelves:
    """From an empty shelf; costs after four weeks."""
    shelves = Shelves(setting, [[] for _ in setting.pack])
    nothing = [0] * len(setting.pack)
    shelves.coming = [nothing, nothing]
    for week in range(first, until):
        counted = week >= first + WARM
        shelves.arrive(week, shelves.coming.pop(0), counted)
        shelves.coming.append(rule(week, shelves) if week + LEAD < until else nothing)
        shelves.serve(week, counted)
    return shelves


def planned(setting: Setting) -> Packs:
    """The service's plan, from its own forecast."""
    suppliers = {
        f"s{at}": Supplier(f"s{at}", Terms(f"s{at}", int(CHARGE * MICRO), int(FREE * MICRO)), np.array([7 * LEAD]), 7)
        for at in range(3)
    }
    offers = [
        Offer(
            f"m{at}", f"s{setting.supplier[at]}", f"m{at}", pack * UNIT, round(pack * setting.price[at] * MICRO),
            life_days=7 * setting.life[at],
        )
        for at, pack in enumerate(setting.pack)
    ]  # fmt: skip
    history = setting.history

    def rule(week: int, shelves: Shelves) -> list[int]:
        known = None if history.share is None else history.share[:, :week]
        made = forecast.fit(history.y[:, :week], known, forecast.Settings(cap=CAP))
        drawn = paths.sample(paths.forecast(made, AHEAD), PATHS, week, paths.shared_luck(made)).astype(np.float64) * UNIT
        materials = []
        for at, lots in enumerate(shelves.lots):
            there = [Lot(units * UNIT, 7 * (int(last) - week) + 6) for units, last in lots]
            if shelves.coming[0][at]:
                arriving = float(shelves.coming[0][at] * setting.pack[at] * UNIT)
                there.append(Lot(arriving, 7 * (1 + setting.life[at]) - 1, 7))
            materials.append(Material(f"m{at}", f"m{at}", "g", drawn[:, :, at], tuple(there)))
        found = plan(Facts(materials, offers, suppliers, Settings(LEVEL, CAPITAL, seconds=60, gap=2e-3)))
        packs = {line.offer: line.packs for order in found.orders for line in order.lines}
        return [packs.get(f"m{at}", 0) for at in range(len(setting.pack))]

    return rule


def in_packs(setting: Setting, units: Floats) -> list[int]:
    """Whole packs that hold so many units."""
    return [max(int(np.ceil(some / pack - 1e-9)), 0) for some, pack in zip(units.tolist(), setting.pack, strict=True)]


def raised(setting: Setting, window: int) -> Packs:
    """The order-up-to rule in whole packs."""
    rule = order_up_to(setting.history, window, LEVEL)

    def packs(week: int, shelves: Shelves) -> list[int]:
        there = np.array([shelves.units(at) for at in range(len(setting.pack))])
        coming = np.array([count * pack for count, pack in zip(shelves.coming[0], setting.pack, strict=True)], dtype=float)
        return in_packs(setting, rule(week, there, coming))

    return packs


def between(setting: Setting, low: Floats, high: Floats) -> Packs:
    """At or below a minimum up to a maximum, in whole packs."""

    def packs(_: int, shelves: Shelves) -> list[int]:
        there = np.array([shelves.units(at) for at in range(len(setting.pack))])
        position = there + np.array([count * pack for count, pack in zip(shelves.coming[0], setting.pack, strict=True)])
        return in_packs(setting, np.where(position <= low, high - position, 0.0))

    return packs


def best_pairs(setting: Setting) -> Packs:
    """Each material's best minimum and maximum in hindsight, on the weeks before the replay; a delivery shared by the supplier's
    materials."""
    until, low, high = setting.history.first, [], []
    for at in range(len(setting.pack)):
        history = Weekly("", setting.history.y[[at]], None, until, None)
        alone = Setting(history, [setting.pack[at]], [setting.price[at]], [setting.life[at]], [setting.supplier[at]])
        mean, shared = float(history.y[:, :until].mean()), setting.supplier.count(setting.supplier[at])
        tried = []
        for level in LEVELS:
            for step in STEPS:
                pair = np.array([np.ceil(level * mean)]), np.array([np.ceil((level + step) * mean)])
                tried.append((cost(replay(alone, between(alone, *pair), 0, until), 1 / shared), pair))
        pair = min(tried, key=lambda one: one[0])[1]
        low.append(pair[0][0])
        high.append(pair[1][0])
    return between(setting, np.array(low), np.array(high))


def cost(shelves: Shelves, deliveries: float = 1.0) -> float:
    spent = shelves.spent
    return sum(spent.get(name, 0.0) for name in ("used", "thrown away", "capital", "lacking")) + deliveries * spent.get(
        "delivery", 0.0
    )


def measured(quick: bool, history: Weekly) -> tuple[dict[str, object], list[Figure]]:
    """The three rules in the same setting."""
    setting = Setting.of(history, 12 if quick else 24)
    weeks = history.y.shape[1]
    until = min(weeks, history.first + 16) if quick else weeks
    rules = {"planner": planned(setting), "min-max": best_pairs(setting)}
    rules |= {f"order-up-to, {window} weeks": raised(setting, window) for window in (13, 26, 10_000)}
    runs = {name: replay(setting, rule, history.first, until) for name, rule in rules.items()}
    best = min((name for name in runs if name.startswith("order-up-to")), key=lambda name: cost(runs[name]))
    counted = until - history.first - WARM
    shown = {
        name: {
            "total": cost(run), **run.spent, "held": run.spent.get("held", 0.0) / counted,
            "stock-outs": run.lacked, "weeks served in full": run.met / (run.met + run.lacked),
        }
        for name, run in runs.items()
    }  # fmt: skip
    figures = []
    for name in (best, "min-max"):
        said = "; ".join(f"{who.split(',')[0]}: {words(shown[who])}" for who in ("planner", name))
        label = f"maker's setting: cost / {name.split(',')[0]}"
        figures.append(Figure("ordering", label, cost(runs["planner"]) / cost(runs[name]), said, most=1.0))
    return {"materials": len(setting.pack), "weeks counted": counted, "asked": LEVEL, **shown}, figures


def words(one: dict[str, float]) -> str:
    return (
        f"{one['total']:.0f}, {one['stock-outs']:.0f} stock-outs, {one.get('grams thrown away', 0) / 1000:.1f} kg thrown away, "
        f"{one['held']:.0f} held"
    )
