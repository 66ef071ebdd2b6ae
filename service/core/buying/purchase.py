"""From the books and what is offered to a purchase plan: the paths behind the cover, what is there and what is on order."""

from collections.abc import Mapping

import numpy as np

from service.core.buying.answers import Plan
from service.core.buying.asked import Asked, Node
from service.core.buying.facts import Facts, Material, Settings, Supplier
from service.core.buying.paths import Coming, Stock
from service.core.buying.plan import plan
from service.core.cover.arriving import samples
from service.core.cover.cover import DAYS, Singles, needs
from service.core.cover.runout import Lot
from service.core.cover.sampled import Clock
from service.core.demand.planning import PATHS, SEED, Books, History

WEEKS = DAYS // 7


def purchase(history: History, books: Books, asked: Asked, seed: int = SEED, count: int = PATHS) -> Plan:
    """The plan for the materials asked for; the same books give the same plan."""
    need, clock = needs(history, books, seed, count)
    luck = {one.name: seed + 1 + at for at, one in enumerate(asked.sources)}
    materials = [_material(node, need[:, :, node.at], clock, books, luck, seed) for node in asked.nodes]
    suppliers = {
        one.name: Supplier(one.name, one.terms, samples(one.days, one.chances, count, luck[one.name]), one.review_days)
        for one in asked.sources
    }
    settings = Settings(capital_rate=asked.capital_rate, budget=asked.budget, seconds=asked.seconds, until=asked.until)
    return plan(Facts(materials, asked.offers, suppliers, settings, asked.later), asked.aside)


def _material(node: Node, need: Singles, clock: Clock, books: Books, luck: Mapping[str, int], seed: int) -> Material:
    """Its need by weeks from today, its lots, and what is on order with the chances of its day.

    A supplier's luck on a path is that of all its deliveries: what is ordered now does not overtake what it has still to send.
    """
    total = np.stack([clock.at(need, 7.0 * week) for week in range(WEEKS + 1)], axis=1).astype(np.float64)
    weekly = np.diff(total, axis=1)
    weekly[:, 0] += total[:, 0]  # needed at once
    lots: list[Stock] = [Lot(lot.quantity, lot.last, lot.first) for lot in books.lots.get(node.at, ())]
    for name, one in zip(node.coming_from, books.coming.get(node.at, ()), strict=True):
        comes = samples(one.days, one.chances, len(need), luck.get(name, seed))
        lots.append(Coming(one.quantity, comes, None if one.life is None else int(np.median(comes)) + one.life))
    return Material(node.code, node.name, node.unit, weekly, tuple(lots), level=node.level, lead_days=node.lead_days)
