"""From facts to the programme: each material's course of days, what its need weighs, and what could be ordered.

Need before any order can arrive is out of reach. From there until the day on which the order after the last one planned
arrives, only these orders can serve it: a unit short costs the price of running out. Later need a later order can serve: what
is left then saves what a unit costs later.
"""

from dataclasses import dataclass, replace

import numpy as np

from service.core.buying.facts import (
    Facts,
    Material,
    Supplier,
    Worth,
    price_of_a_broken_promise,
    worths,
)
from service.core.buying.offers import Offer
from service.core.buying.paths import Course, Slot, Walked, days_of, one_more, walk
from service.core.buying.rows import Column, Group, Problem
from service.core.cover.runout import Days, Floats, daily_total
from service.core.units import MICRO

COARSE = 28  # days in a span beyond the paths' own weeks


@dataclass(frozen=True, slots=True)
class Planned:
    """A material in the programme: its course, its first reachable day and the next order's on each path, its weights; and what
    happens without any order."""

    material: Material
    worth: Worth
    course: Course
    first: Days
    until: Days
    short: float
    nothing: Walked


@dataclass(frozen=True, slots=True)
class Choice:
    """What a column of the programme stands for."""

    planned: int
    offer: Offer
    order: int  # 0: now


@dataclass(frozen=True, slots=True)
class Made:
    """The programme with what its parts stand for."""

    problem: Problem
    planned: list[Planned]
    choices: list[Choice]
    groups: list[tuple[str, int]]


def make(facts: Facts) -> Made:
    """The programme for all materials that are needed and offered."""
    worth = worths(facts)
    wanted = [material for material in facts.materials if material.code in worth]
    orders = range(facts.settings.orders_ahead + 1)
    groups = [(name, order) for order in orders for name in facts.suppliers]
    terms = [facts.suppliers[name].terms for name, _ in groups]
    made_groups = [
        Group(one.delivery / MICRO, None if one.free_from is None else one.free_from / MICRO, one.smallest / MICRO, order)
        for one, (_, order) in zip(terms, groups, strict=True)
    ]
    planned: list[Planned] = []
    columns: list[Column] = []
    choices: list[Choice] = []
    constant = 0.0
    for item, material in enumerate(wanted):
        slots, places = _slots(facts, material)
        one = _planned(facts, material, worth[material.code], slots)
        planned.append(one)
        constant += _unavoidable(one)
        for (offer, order), slot in places.items():
            line = len(choices)
            for begin, end, price in offer.tiers():
                group = groups.index((offer.supplier, order))
                columns.append(Column(item, slot, group, line, float(offer.pack), price / MICRO, begin, end))
                choices.append(Choice(item, offer, order))
    budget = None if facts.settings.budget is None else facts.settings.budget / MICRO
    courses = [one.course for one in planned]
    return Made(Problem(courses, columns, made_groups, budget, constant), planned, choices, groups)


def _slots(facts: Facts, material: Material) -> tuple[list[Slot], dict[tuple[Offer, int], int]]:
    """The different arrivals that the offers of a material can bring, and which offer and order fills which."""
    paths = len(material.need)
    slots: list[Slot] = []
    found: dict[tuple[str, int, int | None], int] = {}
    places: dict[tuple[Offer, int], int] = {}
    for order in range(facts.settings.orders_ahead + 1):
        for offer in facts.offers_of(material.code):
            supplier, key = facts.suppliers[offer.supplier], (offer.supplier, order, offer.life_days)
            if key not in found:
                day, usual = order * supplier.review_days, supplier.usual if material.lead_days is None else material.lead_days
                last = None if offer.life_days is None else day + usual + offer.life_days - 1
                found[key] = len(slots)
                slots.append(Slot(day + _lead(supplier, material, paths, order), last))
            places[offer, order] = found[key]
    return slots, places


def _lead(supplier: Supplier, material: Material, paths: int, turn: int) -> Days:
    """A lead time for each path: the material's own, where it has one."""
    if material.lead_days is not None:
        return np.full(paths, material.lead_days, dtype=np.int64)
    return supplier.lead(paths, turn)


def _planned(facts: Facts, material: Material, worth: Worth, slots: list[Slot]) -> Planned:
    """A material's course with its weights."""
    paths, ahead = len(material.need), facts.settings.orders_ahead + 1
    names = {offer.supplier for offer in facts.offers_of(material.code)}
    every = [facts.suppliers[name] for name in sorted(names)]
    until = np.min([ahead * one.review_days + _lead(one, material, paths, ahead) for one in every], axis=0)
    first = np.min([slot.arrives for slot in slots], axis=0)
    until = np.maximum(until, np.maximum(first, facts.settings.until or 0) + 1)
    end = max(facts.settings.keep_days, material.need.shape[1] * 7, int(until.max()) + 1)
    usual = np.concatenate([np.arange(0, material.need.shape[1] * 7 + 1, 7), np.arange(0, end, COARSE)])
    edges = days_of(material.lots, slots, until, usual[usual <= end], end)
    need = _need(material, edges)
    course = Course(edges, need, np.zeros_like(need), worth.held, material.lots, tuple(slots))
    return _priced(facts, material, worth, course, (first, until))


def _priced(facts: Facts, material: Material, worth: Worth, course: Course, reach: tuple[Days, Days]) -> Planned:
    """The weights: what was set for the material, or what follows from the service level."""
    within, later = _spans(course.edges, *reach)
    nothing = walk(course, [0.0] * len(course.slots))
    if material.short is not None:
        short = max(material.short, worth.later)
        weighed = replace(course, weight=within * short + later * worth.later)
        return Planned(material, worth, weighed, *reach, short, nothing)
    level, missing = facts.level_of(material), (nothing.short * within).sum(axis=1)
    found, allowed = _running_out(replace(course, weight=later * worth.later), worth, within, missing, level)
    short = max(found, worth.later)
    weighed = replace(
        course,
        weight=within * short + later * worth.later,
        promised=within,
        allowed=allowed,
        breach=max(price_of_a_broken_promise(worth, level), 0.0),
    )
    return Planned(material, worth, weighed, *reach, short, nothing)


def _spans(edges: Days, first: Days, until: Days) -> tuple[Floats, Floats]:
    """Which spans only these orders can serve, and which later ones can, as 0 and 1 (P, B)."""
    begin = edges[:-1][None, :]
    within = (begin >= first[:, None]) & (begin < until[:, None])
    return within.astype(np.float64), (begin >= until[:, None]).astype(np.float64)


def _need(material: Material, edges: Days) -> Floats:
    """Need in each span (P, B); beyond the paths' weeks as on average in their last 13."""
    total = np.concatenate([np.zeros((len(material.need), 1)), daily_total(material.need)], axis=1)
    days = total.shape[1] - 1
    rate = float(material.need[:, -13:].mean()) / 7
    at = total[:, np.minimum(edges, days)] + np.maximum(edges - days, 0) * rate
    return np.asarray(np.diff(at, axis=1))


def _running_out(course: Course, worth: Worth, within: Floats, missing: Floats, service_level: float) -> tuple[float, float]:
    """What a unit short must cost for the service level to be the critical fractile, found on the paths themselves, and what is
    then expected to be short. `missing`: what each path lacks without an order (P,).

    At the quantity that serves the need in reach on that share of the paths, a unit more costs its price and what follows on
    the paths where it is too many (kept, perhaps expired, or saving a later purchase); on the others it saves what is sought.
    """
    wanted = float(np.quantile(missing, service_level, method="inverted_cdf"))
    early = int(np.argmin([slot.arrives.mean() for slot in course.slots]))
    point = [wanted if slot == early else 0.0 for slot in range(len(course.slots))]
    short, slopes = one_more(course, point)
    allowed = float((short * within).sum(axis=1).mean())
    return (worth.price + float(slopes[early])) / (1 - service_level), allowed


def _unavoidable(planned: Planned) -> float:
    """What follows for a material without any order, but for running out: the same for every order, and left out."""
    nothing = planned.nothing
    begin = planned.course.edges[:-1][None, :]
    later = float((nothing.short * planned.worth.later * (begin >= planned.until[:, None])).sum(axis=1).mean())
    return later + planned.course.held * float(nothing.unused.mean())
