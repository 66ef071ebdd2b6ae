"""The purchase plan: what to order today, from whom, in which packs, and why, at the least expected total cost.

Goods, delivery, capital held, what is expected to expire and the price of running out, less what is saved later; money in
millionths, quantities in the smallest units, days counted from today (day 0).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.core.buying.answers import Costs, Late, LeftOut, Line, Order, Other, Plan
from service.core.buying.courses import Made, Planned, make
from service.core.buying.facts import Facts, Material
from service.core.buying.model import Solved, solve
from service.core.buying.offers import Offer, next_best, order_costs
from service.core.buying.paths import Walked, walk
from service.core.buying.rows import Counts
from service.core.cover.runout import Days, Floats, Lot, daily_total, run_out
from service.core.units import MICRO

SOON = 28  # days in which a material that nobody offers is missed
EARLY = 0.5  # share of paths on which a delivery that is named as possible has come


@dataclass(frozen=True, slots=True)
class _Seen:
    """A material's paths with an order: the walk, where it is short between this delivery and the next, and when first."""

    walked: Walked
    risk: float
    out: Days


def plan(facts: Facts, aside: Mapping[str, Sequence[Offer]] | None = None) -> Plan:
    """The plan. `aside` holds offers by material that a preference excluded: they count as next best ones."""
    made = make(facts)
    seconds = facts.settings.seconds / (1 if facts.settings.budget is None else 2)  # what it left out takes the other half
    found = solve(made.problem, facts.settings.gap, seconds)
    walked = [_walked(made, at, found.packs) for at in range(len(made.planned))]
    orders = _orders(facts, made, found.packs, walked, aside or {})
    left_out = () if facts.settings.budget is None else _left_out(facts, made, found.packs)
    late = tuple(one for material in facts.materials if (one := _late(facts, made, material)) is not None)
    bound = min(found.bound, found.cost)
    costs = _costs(made, found, walked, orders)
    took = found.rounds, found.seconds, found.solver_seconds
    return Plan(orders, late, left_out, costs, round(bound * MICRO) if np.isfinite(bound) else -(10**15), float(found.gap), *took)


def _packs(made: Made, packs: Counts, order: int = 0) -> dict[Offer, int]:
    """Packs of each offer in one order."""
    taken: dict[Offer, int] = {}
    for choice, count in zip(made.choices, packs.tolist(), strict=True):
        if count and choice.order == order:
            taken[choice.offer] = taken.get(choice.offer, 0) + count
    return taken


def _filled(made: Made, planned: int, packs: Counts, order: int | None = 0) -> list[float]:
    """What an order (None: all planned) puts into a material's slots."""
    filled = [0.0] * len(made.planned[planned].course.slots)
    for column, choice, count in zip(made.problem.columns, made.choices, packs.tolist(), strict=True):
        if choice.planned == planned and (order is None or choice.order == order):
            filled[column.slot] += column.pack * count
    return filled


def _see(one: Planned, walked: Walked, since: Days) -> _Seen:
    """A material's paths as they were walked, judged from a day on, on each path."""
    begin = one.course.edges[:-1][None, :]
    reach = (begin >= since[:, None]) & (begin < one.until[:, None])
    return _Seen(walked, float(((walked.short * reach) > 0).any(axis=1).mean()), _first_short(one, walked, since))


def _first_short(one: Planned, walked: Walked, since: Days | None = None) -> Days:
    """The first day short, from a day on; the last edge where there is none."""
    edges = one.course.edges
    short = walked.short if since is None else np.where(edges[:-1][None, :] >= since[:, None], walked.short, 0.0)
    at, any_short = (short > 0).argmax(axis=1), (short > 0).any(axis=1)
    rows = np.arange(len(at))
    served = 1 - short[rows, at] / np.maximum(one.course.need[rows, at], 1e-12)
    days = edges[at] + np.floor(np.clip(served, 0, 1) * (edges[at + 1] - edges[at])).astype(np.int64)
    return np.asarray(np.where(any_short, days, edges[-1]), dtype=np.int64)


def _day(out: Floats | Days, allowed: float, end: int) -> int | None:
    """The day by which the stock is out on more than this share of the paths; None beyond the end."""
    day = int(np.quantile(out, allowed, method="higher"))
    return None if day >= end else day


def _walked(made: Made, at: int, packs: Counts, order: int | None = 0) -> Walked:
    """A material's paths with an order (None: with all planned)."""
    one, filled = made.planned[at], _filled(made, at, packs, order)
    return walk(one.course, filled) if any(filled) else one.nothing


def _orders(
    facts: Facts, made: Made, packs: Counts, walked: Sequence[Walked], aside: Mapping[str, Sequence[Offer]]
) -> tuple[Order, ...]:
    """Today's orders with their lines, by supplier as given."""
    taken = _packs(made, packs)
    found = []
    for name, supplier in facts.suppliers.items():
        lines = [(offer, count) for offer, count in taken.items() if offer.supplier == name]
        if lines:
            goods, delivery, shares = order_costs(supplier.terms, lines)
            shown = [_line(facts, made, packs, walked, line, share, aside) for line, share in zip(lines, shares, strict=True)]
            found.append(Order(name, tuple(shown), goods, delivery))
    return tuple(found)


def _line(
    facts: Facts, made: Made, packs: Counts, walked: Sequence[Walked], line: tuple[Offer, int], delivery: int,
    aside: Mapping[str, Sequence[Offer]],
) -> Line:  # fmt: skip
    """A line and its reasons: the paths without any order against those with today's."""
    offer, count = line
    at = next(place for place, one in enumerate(made.planned) if one.material.code == offer.material)
    one, filled = made.planned[at], _filled(made, at, packs)
    slot = next(column.slot for column, choice in zip(made.problem.columns, made.choices, strict=True) if choice.offer == offer)
    since = one.course.slots[slot].arrives
    without, with_it = _see(one, one.nothing, since), _see(one, walked[at], since)
    level, end = facts.level_of(one.material), int(one.course.edges[-1])
    allowed = 1 - level
    share = count * offer.pack / filled[slot]
    expires = float(with_it.walked.expired[:, len(one.material.lots) + slot].mean()) * share
    taken = _packs(made, packs)
    ordered: dict[str, int] = {}
    for each, number in taken.items():
        ordered[each.supplier] = ordered.get(each.supplier, 0) + each.cost(number)
    terms = {name: supplier.terms for name, supplier in facts.suppliers.items()}
    others = [*facts.offers_of(offer.material), *aside.get(offer.material, ())]
    best = next_best(offer, count, [each for each in others if each.supplier in terms], terms, ordered)
    price = offer.pack_price(count)
    return Line(
        offer.code, offer.material, count, count * offer.pack, price, price * count, delivery,
        int(np.median(since)), _day(_first_short(one, without.walked), allowed, end), _day(with_it.out, allowed, end),
        int(np.median(one.until)), without.risk, with_it.risk, expires, round(expires * price / offer.pack),
        None if best is None else Other(best[0].code, best[0].supplier, best[1], best[2]), level,
    )  # fmt: skip


def _late(facts: Facts, made: Made, material: Material) -> Late | None:
    """Whether a material runs out before an order can come, more often than allowed; or is needed and nobody offers it."""
    one = next((each for each in made.planned if each.material.code == material.code), None)
    if one is None:
        return None if material.need.sum() <= 0 else _alone(facts, material)
    begin = one.course.edges[:-1][None, :]
    short = one.nothing.short
    early = (short > 0) & (begin < one.first[:, None])
    risk = float(early.any(axis=1).mean())
    allowed = 1 - facts.level_of(material)
    if risk <= allowed + 1e-12:
        return None
    out = _day(_first_short(one, Walked(short, short, short)), allowed, int(one.course.edges[-1]))
    soonest = int(np.quantile(one.first, EARLY, method="higher"))
    return Late(material.code, out, min([soonest, *_other_days(facts, material, out)]), risk)


def _other_days(facts: Facts, material: Material, out: int | None) -> list[int]:
    """The likely days of what is on order, or offered from a day to come, and comes after the material has run out."""
    ordered = (one for one in material.lots if not isinstance(one, Lot))
    likely = [int(np.quantile(one.arrives, EARLY, method="higher")) for one in ordered]
    likely += [day for code, day in facts.later.items() if code == material.code]
    return [day for day in likely if out is not None and day > out]


def _alone(facts: Facts, material: Material) -> Late | None:
    """A material that nobody offers, where it runs out soon."""
    lots = [
        one if isinstance(one, Lot) else Lot(one.quantity, one.last_day, int(np.median(one.arrives))) for one in material.lots
    ]
    out = run_out(daily_total(material.need), lots).run_out
    soon = max(facts.settings.until or 0, SOON)
    risk, allowed = float((out <= soon).mean()), 1 - facts.level_of(material)
    if risk <= allowed:
        return None
    day = _day(out, allowed, material.need.shape[1] * 7)
    return Late(material.code, day, min(_other_days(facts, material, day), default=None), risk)


def _left_out(facts: Facts, made: Made, packs: Counts) -> tuple[LeftOut, ...]:
    """What the best order without a budget has more, and the risks of going without."""
    free = solve(replace(made.problem, budget=None), facts.settings.gap, facts.settings.seconds / 2).packs
    had, wanted = _packs(made, packs), _packs(made, free)
    found = []
    for at, one in enumerate(made.planned):
        more = {offer: count for offer, count in wanted.items() if offer.material == one.material.code}
        here, there = _filled(made, at, packs), _filled(made, at, free)
        if sum(there) <= sum(here):
            continue
        risk_without, risk_with = (_see(one, _walked(made, at, some), one.first).risk for some in (packs, free))
        for offer, count in more.items():
            missing = count - had.get(offer, 0)
            if missing > 0:
                cost = offer.cost(count) - offer.cost(had.get(offer, 0))
                found.append(LeftOut(offer.code, offer.material, offer.supplier, missing, cost, risk_with, risk_without))
    return tuple(sorted(found, key=lambda left: (left.risk_with - left.risk_without, left.material)))


def _costs(made: Made, found: Solved, walked: Sequence[Walked], orders: Sequence[Order]) -> Costs:
    """The parts of the expected total; all orders planned count, not only today's."""
    capital = running_out = saved = 0.0
    for at, one in enumerate(made.planned):
        nothing, with_it = one.nothing, walked[at]
        if any(choice.order for choice in made.choices):  # the later orders too
            with_it = _walked(made, at, found.packs, None)
        begin = one.course.edges[:-1][None, :]
        later = begin >= one.until[:, None]
        reach = (begin >= one.first[:, None]) & ~later
        capital += one.course.held * float((with_it.unused - nothing.unused).mean())
        short = float((with_it.short * reach).sum(axis=1).mean())
        running_out += one.short * short + one.course.breach * max(short - one.course.allowed, 0.0)
        saved += one.worth.later * float(((nothing.short - with_it.short) * later).sum(axis=1).mean())
    expires = sum(line.expires_cost for order in orders for line in order.lines)
    paid = [round(part * MICRO) for part in (found.goods, found.delivery, capital, running_out)]
    return Costs(paid[0], paid[1], paid[2], paid[3], expires, round(saved * MICRO), round(found.cost * MICRO))
