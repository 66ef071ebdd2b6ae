"""Any order of recording ends with the same books: every permutation of a few papers, random ones of more."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import islice, permutations
from random import Random

import pytest
from conftest import SOAK
from late.desk import TODAY, Desk, House, Read, Refused
from late.histories import Teller
from late.papers import Correction, Life, Paper, Receipt, Restated, Reversal, Run, receipt_of

pytest_plugins = ["late.rooms"]

MOST = 120  # orders of one story


def story(random: Random, length: int) -> list[Paper]:
    """Papers that nothing leaves undecided: each has a moment of its own, each lot its own receipt day and last day."""
    teller, times = Teller(random), random.sample(range(1, 340), 40)
    days: set[object] = set()
    while sum(not isinstance(one, Life) for one in teller.told) < length:
        paper = teller.next()
        if paper is None or isinstance(paper, Restated):
            continue
        if isinstance(paper, Receipt | Run):
            if paper.day in days:
                continue
            days.add(paper.day)
        if paper.at is not None or paper.day == TODAY or _competes(paper, teller.told):
            paper = replace(paper, at=times.pop())
        if undecided(paper, teller.told):
            continue
        teller.told.append(paper)
    return teller.told


def _competes(paper: Paper, told: list[Paper]) -> bool:
    """Another paper of its kind that day, both without a time."""
    return any(type(one) is type(paper) and one.day == paper.day and one.at is None for one in told)


def undecided(paper: Paper, told: list[Paper]) -> bool:
    """A second cost or quantity of one lot; a paper about one that is reversed; one that names a lot before it came."""
    if "own " in str(paper):
        return True  # whether a count finds a lot of its own hangs on what was told before
    if isinstance(paper, Correction):
        return any(isinstance(one, Correction) and one.target == paper.target for one in told)
    if isinstance(paper, Reversal):
        return paper.settle or any(_names(one, paper.target) for one in told)
    return False


def _names(paper: Paper, name: str) -> bool:
    named = [lot for _, lot, _ in paper.named] if isinstance(paper, Run) else []
    own = [one for one in (getattr(paper, "lot", None), getattr(paper, "target", None)) if one is not None]
    return name in map(receipt_of, [*own, *named])


def tellable(order: Sequence[Paper]) -> bool:
    """No paper comes before what it names."""
    seen: set[str] = set()
    for paper in order:
        if any(_names(paper, other.name) and other.name not in seen for other in order):
            return False
        seen.add(paper.name)
    return True


def shuffled(random: Random, told: list[Paper]) -> tuple[Paper, ...]:
    """A random order that can be told."""
    left, order = random.sample(told, len(told)), list[Paper]()
    while left:
        ready = [one for one in left if not any(_names(one, other.name) for other in left)]
        order.append(ready[0])
        left.remove(ready[0])
    return tuple(order)


def orders(random: Random, told: list[Paper]) -> Iterator[tuple[Paper, ...]]:
    first = tuple(one for one in told if isinstance(one, Life))
    rest = told[len(first) :]
    if len(rest) <= 5:
        yield from islice((first + one for one in permutations(rest) if tellable(one)), MOST)
        return
    for _ in range(12):
        yield first + shuffled(random, rest)


def ended(at: House, order: tuple[Paper, ...]) -> Read | None:
    """The books once all is told; None where a paper was refused (refused papers are left out)."""
    desk = Desk(at)
    try:
        for paper in order:
            desk.tell(paper)
    except Refused:
        return None
    return desk.read()


def unlike(first: Read, other: Read) -> list[str]:
    """Where two ends differ; a paper's money may by a millionth for each movement."""
    found = [
        f"{name}: {getattr(first, name)} and {getattr(other, name)}"
        for name in ("worth", "unbooked", "draws", "differences")
        if getattr(first, name) != getattr(other, name)
        and not (name == "worth" and _near(first.worth, other.worth, made_only=True))
    ]
    held = [
        {name: (grams, books.opened[name], books.use_by[name]) for name, grams in books.lots.items() if grams}
        for books in (first, other)
    ]
    found += [f"on hand: {held[0]} and {held[1]}"] if held[0] != held[1] else []
    found += [] if _near(first.costs, other.costs) else [f"costs: {first.costs} and {other.costs}"]
    return found


def _near(one: dict, other: dict, made_only: bool = False) -> bool:  # type: ignore[type-arg]
    for name in one.keys() | other.keys():
        mine, theirs = one.get(name), other.get(name)
        if mine == theirs or {mine, theirs} <= {0, None}:
            continue
        exact = made_only and name.startswith("L")
        if exact or mine is None or theirs is None or abs(Fraction(mine) - Fraction(theirs)) > Fraction(20, 1_000_000):
            return False
    return True


def look(at: House, seed: int, length: int) -> int:
    """How many orders of one story were compared."""
    random = Random(seed)
    told = story(random, length)
    first: Read | None = None
    first_order: tuple[Paper, ...] = ()
    compared = 0
    for order in orders(random, told):
        end = ended(at, order)
        if end is None:
            continue
        if first is None:
            first, first_order = end, order
            continue
        compared += 1
        wrong = unlike(first, end)
        assert not wrong, "\n".join([f"seed {seed}, {length} papers", *wrong, *map(str, first_order), "and", *map(str, order)])
    return compared


@pytest.mark.parametrize("length", [3, 4, 5])
def test_every_order_of_a_few_papers(at: House, length: int) -> None:
    stories = {3: 4, 4: 2, 5: 1}[length] * (40 if SOAK else 1)
    assert sum(look(at, 1_000 * length + seed, length) for seed in range(stories)) > stories


def test_random_orders_of_more_papers(at: House) -> None:
    stories = 500 if SOAK else 2
    assert sum(look(at, 9_002 + seed, 9) for seed in range(stories)) > 0
