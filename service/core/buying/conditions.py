"""What suppliers ask of an order: the charge for delivery, the smallest order; and whether the budget allows it."""

from service.core.buying.rows import Counts, Group, Problem

LOOSE = 1e-7  # of money: what is no difference


def spent(problem: Problem, packs: Counts) -> dict[int, float]:
    """The value of goods of each order that is placed."""
    found: dict[int, float] = {}
    for at in packs.nonzero()[0].tolist():
        column = problem.columns[at]
        found[column.group] = found.get(column.group, 0.0) + column.price * int(packs[at])
    return found


def charge(group: Group, goods: float) -> float:
    """What the delivery of goods of this value costs."""
    return 0.0 if group.free_from is not None and goods >= group.free_from - LOOSE else group.charge


def changed(problem: Problem, goods: dict[int, float], group: int, more: float) -> float | None:
    """What it costs, with delivery, to order goods of so much more value in a placed order; None where that is refused."""
    one, before = problem.groups[group], goods[group]
    if before + more < one.smallest - LOOSE:
        return None
    cost = more + charge(one, before + more) - charge(one, before)
    if problem.budget is not None and one.order == 0:
        now = {at: value for at, value in goods.items() if problem.groups[at].order == 0}
        paid = sum(value + charge(problem.groups[at], value) for at, value in now.items())
        if paid + cost > problem.budget + LOOSE:
            return None
    return cost
