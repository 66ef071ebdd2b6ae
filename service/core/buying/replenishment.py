"""Textbook lot sizes for known demand, each beside its source: how much to order when nothing is uncertain.

`fixed` is the cost of an order, `holding` the cost of one unit kept for one period, `demand` the units of a period.
What to keep against uncertainty stands in `safety`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt


@dataclass(frozen=True, slots=True)
class Order:
    """How much to order at a time, and what a period then costs."""

    quantity: float
    cost: float


@dataclass(frozen=True, slots=True)
class Short:
    """The same with planned shortages: the most that is owed at a time."""

    quantity: float
    cost: float
    most_short: float


@dataclass(frozen=True, slots=True)
class Made:
    """A lot that comes in at a finite rate: the most in stock, and the time from lot to lot."""

    quantity: float
    cost: float
    most_held: float
    cycle: float


@dataclass(frozen=True, slots=True)
class Schedule:
    """What to order in each period, what all of it costs, and the least cost up to each period."""

    orders: tuple[float, ...]
    cost: float
    cumulative: tuple[float, ...]


def eoq(fixed: float, holding: float, demand: float) -> Order:
    """Economic order quantity: Harris, Factory, The Magazine of Management 10 (1913) 135-136, 152."""
    return Order(sqrt(2 * fixed * demand / holding), sqrt(2 * fixed * demand * holding))


def eoq_cost(quantity: float, fixed: float, holding: float, demand: float) -> float:
    """Orders and stock of a period at any quantity (the same source)."""
    return fixed * demand / quantity + holding * quantity / 2


def planned_shortages(fixed: float, holding: float, shortage: float, demand: float) -> Short:
    """With shortages that are delivered later at `shortage` per unit and period.

    Hillier & Lieberman, Introduction to Operations Research, inventory theory: the basic model with planned shortages.
    """
    quantity = sqrt(2 * fixed * demand * (holding + shortage) / (holding * shortage))
    cost = sqrt(2 * fixed * demand * holding * shortage / (holding + shortage))
    return Short(quantity, cost, quantity * holding / (holding + shortage))


def epq(fixed: float, holding: float, demand: float, rate: float) -> Made:
    """Economic production quantity at a finite production `rate`: Taft, Iron Age 101 (1918) 1410-1412."""
    if rate <= demand:
        raise ValueError("the rate must be above the demand")
    kept = 1 - demand / rate
    quantity = sqrt(2 * fixed * demand / (holding * kept))
    return Made(quantity, fixed * demand / quantity + holding * quantity * kept / 2, quantity * kept, quantity / demand)


def all_units_tiers(fixed: float, rate: float, demand: float, breaks: Sequence[float], prices: Sequence[float]) -> list[Order]:
    """The best order within each tier; a tier's price holds for the whole order from its break on.

    `rate` x price is the holding cost; the cost of a period contains the goods. Snyder & Shen, Fundamentals of Supply
    Chain Theory (2019), 3.3: a tier's own optimum, or the end of the tier next to it.
    """
    best = []
    for at, (begin, price) in enumerate(zip(breaks, prices, strict=True)):
        end = breaks[at + 1] if at + 1 < len(breaks) else inf
        quantity = min(max(eoq(fixed, rate * price, demand).quantity, begin), end)
        best.append(Order(quantity, price * demand + eoq_cost(quantity, fixed, rate * price, demand)))
    return best


def all_units(fixed: float, rate: float, demand: float, breaks: Sequence[float], prices: Sequence[float]) -> Order:
    """The best order with an all-units discount (the same source)."""
    return min(all_units_tiers(fixed, rate, demand, breaks, prices), key=lambda tier: tier.cost)


def incremental(fixed: float, rate: float, demand: float, breaks: Sequence[float], prices: Sequence[float]) -> Order:
    """The best order when each price holds only for the units within its tier.

    Snyder & Shen (2019), 3.3: what the lower tiers cost more is part of the fixed cost of a tier; its optimum counts
    when it lies within the tier, and the best of them is the best of all.
    """
    best, more = Order(0.0, inf), 0.0
    for at, (begin, price) in enumerate(zip(breaks, prices, strict=True)):
        end = breaks[at + 1] if at + 1 < len(breaks) else inf
        more += (prices[at - 1] - price) * begin if at else 0.0
        quantity = sqrt(2 * (fixed + more) * demand / (rate * price))
        cost = price * demand + rate * more / 2 + sqrt(2 * (fixed + more) * demand * rate * price)
        if begin <= quantity <= end and cost < best.cost:
            best = Order(quantity, cost)
    return best


def wagner_whitin(demand: Sequence[float], setup: float | Sequence[float], holding: float | Sequence[float]) -> Schedule:
    """The cheapest orders for known demands: Wagner & Whitin, Management Science 5 (1958) 89-96.

    `setup` is paid in a period with an order, `holding` on what is left at a period's end; both may differ by period.
    Nothing is there at the start, no demand may wait, and an order serves whole periods.
    """
    periods = len(demand)
    setups, carried = _each(setup, periods), _each(holding, periods)
    least, begin = [0.0], [0] * periods
    for until in range(periods):
        best, kept, ahead = inf, 0.0, 0.0
        for first in range(until, -1, -1):
            kept += ahead * carried[first] if first < until else 0.0
            ahead += demand[first]
            cost = least[first] + kept + (setups[first] if ahead > 0 else 0.0)
            if cost < best:
                best, begin[until] = cost, first
        least.append(best)
    orders, until = [0.0] * periods, periods - 1
    while until >= 0:
        first = begin[until]
        orders[first] = sum(demand[first : until + 1])
        until = first - 1
    return Schedule(tuple(orders), least[-1], tuple(least[1:]))


def silver_meal_averages(demand: Sequence[float], setup: float, holding: float) -> list[float]:
    """Cost per period when the first order serves 1, 2, ... periods, up to the first that is dearer (the same source)."""
    averages: list[float] = []
    cost = setup
    for ahead, units in enumerate(demand):
        cost += holding * ahead * units
        averages.append(cost / (ahead + 1))
        if ahead and averages[-1] > averages[-2]:
            break
    return averages


def silver_meal(demand: Sequence[float], setup: float, holding: float) -> Schedule:
    """Each order serves periods as long as the cost per period falls: Silver & Meal, Production and Inventory
    Management 14 (1973) 64-74. A good guess, not always the least cost; `cumulative` is left empty.
    """
    orders, cost, at = [0.0] * len(demand), 0.0, 0
    while at < len(demand):
        averages = silver_meal_averages(demand[at:], setup, holding)
        dearer = len(averages) > 1 and averages[-1] > averages[-2]
        served = len(averages) - dearer
        orders[at] = sum(demand[at : at + served])
        cost += averages[served - 1] * served
        at += served
    return Schedule(tuple(orders), cost, ())


def economic_cycle(fixed: float, holding_a_day: float, spend_a_day: float, free_from: float | None, smallest: float) -> float:
    """Days from delivery to delivery of all that one supplier sends together: the EOQ in time.

    `holding_a_day`: what one day's need of everything costs to keep for a day; `spend_a_day`: its price. A joint order every
    T days costs fixed / T + holding_a_day T / 2 (Silver, Pyke & Peterson, Inventory Management and Production Planning
    and Scheduling (1998), 11.2); from T = free_from / spend on without `fixed`; never less than the smallest order.
    """
    if spend_a_day <= 0 or holding_a_day <= 0:
        return 0.0
    least = smallest / spend_a_day
    paid = max(sqrt(2 * fixed / holding_a_day), least)
    if free_from is None or fixed <= 0:
        return paid
    free = max(free_from / spend_a_day, least)
    costs_paid = fixed / paid + holding_a_day * paid / 2 if paid else inf
    return free if holding_a_day * free / 2 < costs_paid else paid


def _each(value: float | Sequence[float], periods: int) -> list[float]:
    """One figure for all periods, or one for each."""
    return [float(value)] * periods if isinstance(value, int | float) else [float(one) for one in value]
