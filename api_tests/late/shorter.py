"""The same story with fewer papers: what is left when dropping any one more makes it agree again."""

from collections.abc import Callable

from late.agreement import differences, money, plain_sum
from late.clerk import Clerk
from late.desk import Desk, House, Refused
from late.papers import FORMULAS, Count, Paper

Judge = Callable[[Desk], list[str]]


def judged(desk: Desk) -> list[str]:
    """Where the desk's books and the clerk's differ."""
    read, books = desk.read(), Clerk(desk.told).books
    wrong = differences(read, books) + money(read, books)
    if not any(isinstance(paper, Count) and (paper.lot or paper.place) for paper in desk.told):
        wrong += plain_sum(desk.told, read, FORMULAS)
    return wrong + desk.house.proof(desk.workshop)


def retold(at: House, story: list[Paper], judge: Judge = judged) -> list[str]:
    """What is wrong once a story was told; nothing where it cannot be told (a paper is missing or refused)."""
    desk = Desk(at)
    try:
        for paper in story:
            desk.tell(paper)
        return judge(desk)
    except (Refused, KeyError):
        return []
    except AssertionError as error:
        return [str(error)]


def shortest(at: House, story: list[Paper]) -> str:
    """A failing story without what it does not need, and what is wrong in it."""
    wrong, at_end = retold(at, story), len(story)
    while at_end:
        at_end -= 1
        without = story[:at_end] + story[at_end + 1 :]
        if found := retold(at, without):
            story, wrong = without, found
    return "\n".join(["", *wrong, *map(str, story)])
