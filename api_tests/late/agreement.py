"""Where the service's books and the clerk's differ."""

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from late.desk import Read
from late.ledgers import Books, standing, worth
from late.papers import Count, Disposal, Paper, Receipt, Run

MILLIONTH = Fraction(1, 1_000_000)


def differences(service: Read, clerk: Books) -> list[str]:
    """One sentence for each figure that differs; empty when they agree."""
    found: list[str] = []
    arrived = {name: lot for name, lot in clerk.lots.items() if lot.arrived}
    for name in arrived.keys() | service.lots.keys():
        theirs = arrived[name].on_hand if name in arrived else 0
        _say(found, f"on hand of {name}", service.lots.get(name, 0), theirs)
    for name, status in service.status.items():
        if name in arrived and not name.startswith("own"):
            _say(found, f"status of {name}", status, arrived[name].status((date.max,)))
    for name in arrived.keys() & service.lots.keys():
        opened, last = arrived[name].opened, arrived[name].use_by
        _say(found, f"opening of {name}", service.opened[name], None if opened is None else str(opened))
        _say(found, f"last usable day of {name}", service.use_by[name], None if last == date.max else str(last))
    for item, unbooked in service.unbooked.items():
        _say(found, f"unbooked {item}", unbooked, clerk.unbooked(item))
    for run, draws in service.draws.items():
        _say(found, f"draws of {run}", draws, {key: Decimal(grams) for key, grams in clerk.draws(run).items()})
    for count, difference in service.differences.items():
        _say(found, f"difference of {count}", difference, clerk.differences.get(count))
    return found


def money(service: Read, clerk: Books) -> list[str]:
    """The same for money: lots bought to the millionth, papers within one millionth for each movement beneath."""
    found: list[str] = []
    slack = MILLIONTH * (len(clerk.pieces) + len(clerk.lots) + 2)
    for name, lot in clerk.lots.items():
        if not lot.arrived or name not in service.worth:
            continue
        ours, said = lot.cost, service.worth[name]
        if name not in clerk.made and lot.parent is None:
            exact = None if ours is None else Decimal(worth(ours, lot.on_hand, lot.quantity)) / 1_000_000
            if lot.on_hand or exact is not None:
                _say(found, f"worth of {name}", said, exact)
    for paper, cost in service.costs.items():
        ours_cost = clerk.costs.get(paper, Fraction(0))
        if (cost is None) != (ours_cost is None):
            found.append(f"cost of {paper}: the service says {cost}, the clerk {ours_cost}")
        elif cost is not None and ours_cost is not None and abs(Fraction(cost) - ours_cost) > slack:
            found.append(f"cost of {paper}: the service says {cost}, the clerk {float(ours_cost)}")
    for run, estimated in service.estimated.items():
        if service.costs[run] is not None:
            _say(found, f"estimated of {run}", estimated, clerk.estimated.get(run, False))
    return found


def plain_sum(told: list[Paper], service: Read, formulas: dict[str, dict[str, int]]) -> list[str]:
    """Without counts of single lots: on hand - unbooked = the last count of the item + in - out since. No model."""
    found: list[str] = []
    for item in ("oil", "wax"):
        expected = 0
        for _, paper in sorted(standing(told), key=lambda one: _moment(*one)):
            if isinstance(paper, Receipt) and paper.item == item:
                expected += paper.grams
            elif isinstance(paper, Run):
                expected -= paper.grams * formulas[paper.formula].get(item, 0) // 100
            elif isinstance(paper, Disposal) and service.items[paper.lot] == item:
                expected -= paper.grams
            elif isinstance(paper, Count) and paper.item == item:
                expected = paper.counted
        held = sum(grams for name, grams in service.lots.items() if service.items[name] == item)
        _say(found, f"{item}: on hand - unbooked", held - service.unbooked[item], expected)
    return found


def _moment(order: int, paper: Paper) -> tuple[Any, ...]:
    last = isinstance(paper, Count)
    return (paper.day, 2 if last and paper.at is None else paper.at is not None, paper.at or 0, last, order)


def _say(found: list[str], what: str, service: object, clerk: object) -> None:
    if service != clerk:
        found.append(f"{what}: the service says {service}, the clerk {clerk}")
