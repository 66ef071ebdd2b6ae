"""What a purchase plan is made from, and what its materials are worth: prices of a unit, cycles, the price of running out.

Quantities in the smallest units (mg or pieces); prices of offers in millionths, everything else here in whole money.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from service.core.buying.answers import GAP
from service.core.buying.offers import Offer, Terms, packs_for
from service.core.buying.paths import Stock
from service.core.buying.replenishment import economic_cycle
from service.core.buying.safety import price_of_running_out
from service.core.cover.runout import Days, Floats
from service.core.units import MICRO

MONTH = 30.0  # days whose need is priced where nothing says how long an order lasts


@dataclass(frozen=True, slots=True)
class Material:
    """A material's weekly need along its sample paths (P, W) from today on, and what is there of it or on order.

    `short` and `held` set what a unit short costs, and a unit kept for a day; by default they follow from the service
    level (`level`: its own) and from prices. `lead_days`: how long every order of it takes, whoever sends it.
    """

    code: str
    name: str
    unit: str
    need: Floats
    lots: tuple[Stock, ...] = ()
    short: float | None = None
    held: float | None = None
    level: float | None = None
    lead_days: int | None = None


@dataclass(frozen=True, slots=True)
class Supplier:
    """A supplier's conditions, samples of its lead time in days (any number of them), and the days between two orders."""

    name: str
    terms: Terms
    leads: Days
    review_days: int = 7

    def lead(self, paths: int, turn: int = 0) -> Days:
        """A lead time for each path; another `turn` is another order, whose luck is its own."""
        return np.resize(np.roll(np.ceil(self.leads).astype(np.int64), -turn * (len(self.leads) // 3 + 1)), paths)

    @property
    def usual(self) -> int:
        """The median lead time."""
        return int(np.ceil(np.median(self.leads)))


@dataclass(frozen=True, slots=True)
class Settings:
    """How the plan weighs things. `orders_ahead` later orders are planned together with this one (their packs are not kept).

    `until`: the day up to which these orders alone serve what is needed, where the next order could come sooner.
    """

    service_level: float = 0.95
    capital_rate: float = 0.10  # a year, of the price of what lies on the shelf
    budget: int | None = None
    gap: float = GAP
    seconds: float = 30.0
    keep_days: int = 365
    orders_ahead: int = 0
    until: int | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything a plan is made from."""

    materials: Sequence[Material]
    offers: Sequence[Offer]
    suppliers: Mapping[str, Supplier]
    settings: Settings = field(default_factory=Settings)
    later: Mapping[str, int] = field(default_factory=dict)  # by material, when what is offered from a day to come could be there

    def level_of(self, material: Material) -> float:
        """The service level that a material is held to."""
        return self.settings.service_level if material.level is None else material.level

    def offers_of(self, material: str) -> list[Offer]:
        """Its offers, in the order given."""
        return [offer for offer in self.offers if offer.material == material]


@dataclass(frozen=True, slots=True)
class Worth:
    """Of one material: units a day, the price of a unit used and kept a day, the offer it comes cheapest by, and the days that an
    order of it lasts.

    `later` is all that a unit costs in the long run: its price, its delivery, and being kept until it is used. Putting off
    what is cheapest today then never looks cheaper.
    """

    rate: float
    price: float
    held: float
    offer: Offer
    cycle: float = 0.0
    later: float = 0.0


def worths(facts: Facts) -> dict[str, Worth]:
    """What each material that is needed and offered is worth."""
    found = {}
    for material in facts.materials:
        rate = float(material.need.mean()) / 7
        offers = facts.offers_of(material.code)
        if rate <= 0 or not offers:
            continue
        kept = facts.settings.capital_rate / 365
        ways = [(price, days, offer) for offer in offers for price, days in ways_to_buy(offer, rate, MONTH, facts.settings)]
        price, _, offer = min(ways, key=lambda way: way[0] * (1 + kept * way[1] / 2))
        held = price * kept if material.held is None else material.held
        found[material.code] = Worth(rate, price, held, offer)
    cycles = _cycles(facts, found)
    return {code: _in_the_long_run(facts, one, code, cycles) for code, one in found.items()}


def ways_to_buy(offer: Offer, rate: float, days: float, settings: Settings) -> list[tuple[float, float]]:
    """What a unit used costs, and how many days a purchase lasts: so many days' need, or from a price break on that is used
    before it expires."""
    usable = rate * min(settings.keep_days, settings.keep_days if offer.life_days is None else offer.life_days)
    counts = {packs_for(offer, int(np.ceil(rate * days)))}
    counts |= {begin for begin, _, _ in offer.tiers() if begin * offer.pack <= usable}
    used = {packs: max(min(packs * offer.pack, usable), 1e-9) for packs in counts}
    return [(offer.cost(packs) / MICRO / used[packs], used[packs] / rate) for packs in sorted(counts)]


def _cycles(facts: Facts, found: Mapping[str, Worth]) -> dict[str, float]:
    """How long an order lasts when everything that comes cheapest from a supplier is ordered together (EOQ in time)."""
    holding: dict[str, float] = {}
    spend: dict[str, float] = {}
    for one in found.values():
        name = one.offer.supplier
        holding[name] = holding.get(name, 0.0) + one.held * one.rate
        spend[name] = spend.get(name, 0.0) + one.price * one.rate
    return {name: _cycle(facts, name, holding[name], spend[name]) for name in holding}


def _cycle(facts: Facts, name: str, holding: float, spend: float) -> float:
    """Days from order to order at a supplier from which so much is used a day."""
    terms = facts.suppliers[name].terms
    free = None if terms.free_from is None else terms.free_from / MICRO
    cycle = economic_cycle(terms.delivery / MICRO, holding, spend, free, terms.smallest / MICRO)
    return min(cycle, float(facts.settings.keep_days))


def _in_the_long_run(facts: Facts, one: Worth, code: str, cycles: Mapping[str, float]) -> Worth:
    """The cheapest way to buy a material for good: price, the share of deliveries, and keeping it.

    A delivery shared by all that comes with it costs a material what makes its supplier's cycle T its own best one: per unit
    kept T^2 / 2t when it is bought every t days, beside kept t / 2. Where T is shorter than a review it plays no part.
    """
    ways = []
    for offer in facts.offers_of(code):
        name = offer.supplier
        cycle = cycles[name] if name in cycles else _cycle(facts, name, one.held * one.rate, one.price * one.rate)
        review = facts.suppliers[name].review_days
        shared = cycle if cycle > review else 0.0
        for price, days in ways_to_buy(offer, one.rate, max(cycle, review), facts.settings):
            lasts = max(days, review, shared)
            ways.append((price + one.held * (lasts / 2 + shared**2 / (2 * lasts)), max(lasts, cycle)))
    later, cycle = min(ways)
    return replace(one, cycle=min(cycle, float(facts.settings.keep_days)), later=later)


def price_of_a_broken_promise(worth: Worth, service_level: float) -> float:
    """What a unit costs that is short beyond what the service level allows: its critical fractile if a unit too many were lost.

    Without it a delivery charge, a smallest order, or a cheaper and slower offer could be worth running out for.
    """
    return price_of_running_out(service_level, worth.price)
