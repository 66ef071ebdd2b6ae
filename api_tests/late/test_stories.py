"""Stories that once ended otherwise than the clerk's: the shortest forms of what the machine found."""

from datetime import date

import pytest
from late.desk import TODAY, Desk
from late.papers import SET_APART, Correction, Count, Disposal, Edit, Life, Paper, Receipt, Restated, Reversal, Run, Split
from late.shorter import judged

pytest_plugins = ["late.rooms"]


def the(number: int) -> date:
    """A day of the month; today is the 20th."""
    return TODAY.replace(day=number)


STORIES: dict[str, list[Paper]] = {
    "one material behind, one in order": [
        Receipt("L1", the(20), grams=100),
        Run("B1", the(15), None, "cream", 100),
    ],
    "a late count finds a lot of its own": [
        Run("B1", the(20), 60, "solo", 150),
        Count("C1", the(19), 60, "oil", counted=30),
    ],
    "a gain after its lot's receipt was reversed": [
        Receipt("L1", the(15), grams=150),
        Reversal("V1", the(20), 0, "L1"),
        Count("C1", the(16), 60, "oil", counted=100),
    ],
    "a guess after its lot's receipt was reversed": [
        Receipt("L1", the(15), grams=100, cost=23),
        Reversal("V1", the(20), 0, "L1"),
        Run("B1", the(17), 60, "solo", 200),
    ],
    "a split told late of a lot that was rejected after it": [
        Receipt("L1", the(15), grams=300, status="quarantined"),
        Edit("E1", the(20), 120, "L1", "rejected"),
        Split("S1", the(15), 120, "L1", 50),
    ],
    "a quarantine told late of before the split": [
        Run("B1", the(19), None, "cream", 300),
        Split("S1", the(19), 240, "B1", 100),
        Edit("E1", the(19), None, "B1", "quarantined"),
    ],
    "named and unnamed at one moment": [
        Receipt("L1", the(18), 120, "oil", 150),
        Run("B1", the(20), 60, "mix", 200),
        Run("B2", the(20), 60, "solo", 200, (("oil", "L1", 200),)),
    ],
    "a draw before its lot was split that day": [
        Run("B1", the(15), None, "mix", 50),
        Split("S1", the(18), 240, "B1", 20),
        Run("B2", the(18), 60, "cream", 100),
    ],
    "a count of a place before anything came there": [
        Count("C1", the(20), 180, "oil", counted=0),
        Receipt("L1", the(19), 240, "oil", 150, cost=23, place="market"),
        Count("C2", the(16), 180, "oil", place="market", counted=0),
        Run("B1", the(15), None, "mix", 150),
        Correction("K1", the(20), 0, "L1", {"cost": 40}),
    ],
    "a place counted twice": [
        Count("C1", the(16), 180, "oil", place="shelf", counted=30),
        Count("C2", the(16), 180, "oil", place="shelf", counted=30),
    ],
    "a split of what a count found empty": [
        Receipt("L1", the(17), 5, "oil", 50, cost=23),
        Count("C1", the(19), 105, "oil", "L1", counted=0),
        Split("S1", the(19), 175, "L1", 50),
    ],
    "a count of the item after one of a place": [
        Run("B1", the(15), 65, "cream", 50),
        Count("C1", the(17), 65, "oil", place="market", counted=30),
        Count("C2", the(18), 205, "oil", counted=100),
    ],
    "a gain after a count's own lot was explained away": [
        Count("C1", the(17), 155, "wax", counted=100),
        Receipt("L1", the(17), None, "wax", 100, expires=the(19), cost=7),
        Count("C2", the(20), 85, "wax", counted=220),
    ],
    "an edit told late of before a part of its lot was counted": [
        Receipt("L1", the(15), None, "oil", 150, expires=the(15), cost=10, place="shelf"),
        Count("C1", the(20), 125, "oil", place="market", counted=100),
        Split("S1", the(20), 215, "L1", 50, "market"),
        Correction("K1", the(20), 0, "L1", {"grams": 50}),
        Edit("E1", the(18), None, "L1", place="market"),
    ],
    "a draw told late that a later count explains, and then another draw": [
        Receipt("L1", the(15), 155, "oil", 300, expires=the(18), cost=23, status="quarantined"),
        Count("C1", the(19), 325, "oil", counted=100),
        Run("B1", the(16), None, "cream", 50, (("oil", "L1", 12),)),
        Edit("E1", the(18), None, "L1", "released"),
        Run("B2", the(18), 105, "solo", 200),
    ],
    "a named lot of unknown cost that gave nothing": [
        Count("C1", the(18), 265, "oil", place="shelf", counted=0),
        Receipt("L1", the(15), 335, "oil", 150, expires=the(15), status="quarantined", place="shelf"),
        Receipt("L2", the(19), 205, "oil", 300, cost=10),
        Run("B1", the(19), None, "solo", 150, (("oil", "L1", 75),)),
    ],
    "a second named lot of unknown cost that was not needed": [
        Receipt("L1", the(16), None, "oil", 300, expires=the(18), cost=7),
        Receipt("L2", the(16), None, "oil", 100),
        Run("B1", the(17), None, "solo", 150, (("oil", "L1", None), ("oil", "L2", 75))),
    ],
    "a part of a lot whose receipt is corrected to a later day": [
        Receipt("L1", the(15), 195, "oil", 150, expires=the(19), cost=7, place="shelf"),
        Split("S1", the(19), 235, "L1", 20),
        Run("B1", the(16), 55, "solo", 150),
        Correction("K1", the(20), 0, "L1", {"day": the(17), "at": None}),
    ],
    "an edit of before the day that a receipt is corrected to": [
        Receipt("L1", the(15), None, "oil", 200, expires=the(20)),
        Split("S1", the(19), 175, "L1", 20, "shelf"),
        Edit("E1", the(15), 135, "L1", "rejected"),
        Correction("K1", the(20), 0, "L1", {"day": the(19), "at": None}),
        Run("B1", the(17), 60, "solo", 50),
    ],
    "a count of before the day that a receipt is corrected to": [
        Receipt("L1", the(15), None, "oil", 50, expires=the(15), cost=7),
        Correction("K1", the(20), 0, "L1", {"day": the(19), "at": None}),
        Count("C1", the(18), 155, "oil", counted=220),
    ],
    "a count reversed whose lot other counts had filled": [
        Count("C1", the(18), 15, "oil", counted=220),
        Count("C2", the(16), 295, "oil", place="shelf", counted=30),
        Count("C3", the(17), 115, "oil", place="shelf", counted=100),
        Reversal("V1", the(20), 0, "C2"),
    ],
    "a receipt corrected to another day, then reversed": [
        Receipt("L1", the(15), None, "wax", 150, expires=the(18), cost=23),
        Correction("K1", the(20), 0, "L1", {"day": the(17), "at": None}),
        Reversal("V1", the(20), 0, "L1"),
        Receipt("L2", the(16), None, "wax", 100, cost=7, status="quarantined"),
        Correction("K2", the(20), 0, "L2", {"cost": 9}),
        Run("B1", the(16), 60, "mix", 50),
    ],
    "a part of an older lot does not change what is guessed": [
        Receipt("L1", the(15), 105, "oil", 300, expires=the(20), cost=10, place="market"),
        Count("C1", the(15), 255, "oil", "L1", counted=0),
        Receipt("L2", the(15), None, "oil", 200, expires=the(15), cost=23),
        Run("B1", the(16), None, "solo", 150),
        Split("S1", the(19), None, "L1", 20, "market"),
    ],
    "two lots that counts found on one day": [
        Count("C1", the(17), None, "oil", place="shelf", counted=100),
        Run("B1", the(19), 125, "cream", 150),
        Count("C2", the(17), 105, "oil", place="market", counted=30),
    ],
    "a quarantine told late of before a part moved": [
        Receipt("L1", the(15), None, "oil", 200),
        Split("S1", the(17), 60, "L1", 100),
        Edit("E1", the(18), None, "S1", place="market"),
        Edit("E2", the(16), None, "L1", "quarantined"),
        Run("B1", the(20), 60, "solo", 50),
        Run("B2", the(20), 30, "solo", 50),
    ],
    "an expiry corrected after a part moved": [
        Receipt("L1", the(15), None, "oil", 200, expires=the(18)),
        Split("S1", the(17), 60, "L1", 100),
        Edit("E1", the(18), None, "S1", place="market"),
        Correction("K1", the(20), 0, "L1", {"expires": the(16)}),
        Run("B1", the(20), 60, "solo", 50),
        Run("B2", the(18), 30, "solo", 50),
    ],
    "a run told between a draw that was unbooked and the count that explains it": [
        Run("B1", the(16), 235, "solo", 300),
        Count("C1", the(19), None, "oil", counted=0),
        Count("C2", the(16), None, "oil", place="market", counted=100),
        Run("B2", the(18), None, "solo", 50),
    ],
    "a split told after its lot had moved, and a count of where it was": [
        Receipt("L1", the(16), 175, "oil", 300, the(20), cost=23, status="quarantined", place="shelf"),
        Edit("E1", the(18), None, "L1", place="market"),
        Split("S1", the(17), 105, "L1", 100),
        Count("C1", the(20), 366, "oil", place="shelf", counted=30),
    ],
    "a lot that was moved before the day its receipt is corrected to, and a count of where it was": [
        Receipt("L1", the(16), None, "oil", 150, expires=the(18), cost=7, place="shelf"),
        Edit("E1", the(16), None, "L1", place="market"),
        Run("B1", the(18), None, "mix", 300),
        Run("B2", the(20), 335, "cream", 50, (("mix", "B1", 25), ("oil", "L1", 25))),
        Count("C1", the(18), None, "oil", place="shelf", counted=0),
        Correction("K1", the(20), 0, "L1", {"day": the(17), "at": None}),
    ],
    "a part that is quarantined on the day of its split, and one that is moved": [
        Run("B1", the(16), 245, "cream", 200),
        Split("S1", the(17), None, "B1", 50, place="market"),
        Edit("E1", the(17), None, "S1", "quarantined"),
        Receipt("L1", the(16), None, "oil", 200, cost=7),
        Split("S2", the(17), None, "L1", 50, place="market"),
        Edit("E2", the(17), None, "S2", place="shelf"),
        Run("B2", the(20), 335, "solo", 50, (("oil", "S2", 50),)),
        Count("C1", the(18), None, "oil", place="market", counted=0),
        Run("B3", the(17), 300, "solo", 200),
    ],
    "a lot in which a count found more is moved within its place later that day": [
        Receipt("L1", the(16), 145, "oil", 50, expires=the(20), cost=23, place="shelf"),
        Edit("E1", the(18), 315, "L1", place="shelf"),
        Run("B1", the(18), 145, "mix", 150),
        Count("C1", the(18), 155, "oil", "L1", counted=100),
    ],
    "a batch and a lot that a count found on one day": [
        Count("C1", the(19), 65, "mix", counted=30),
        Run("B1", the(19), 185, "mix", 100),
        Run("B2", the(20), 45, "cream", 50),
    ],
    "a part of nothing, of which a count finds some": [
        Receipt("L1", the(16), None, "wax", 100, expires=the(20), cost=23, place="shelf"),
        Split("S1", the(17), None, "L1", 100),
        Count("C1", the(17), None, "wax", counted=220),
        Receipt("L2", the(17), 175, "oil", 300, cost=7),
        Run("B1", the(19), 65, "mix", 300, (("oil", "L2", None), ("wax", "S1", 120))),
        Count("C2", the(16), 165, "wax", counted=0),
    ],
    "a run that named more than it is corrected to": [
        Run("B1", the(15), 195, "mix", 300),
        Count("C1", the(18), 205, "mix", "B1", counted=30),
        Split("S1", the(16), 215, "B1", 50),
        Split("S2", the(15), 235, "B1", 20, place="market"),
        Run("B2", the(19), None, "cream", 300, (("mix", "B1", 75), ("mix", "S2", 75))),
        Restated("K1", the(20), 0, "B2", 100),
    ],
    "a count explains a draw from a lot that is named after it": [
        Receipt("L1", the(17), None, "oil", 50, expires=the(17), cost=23),
        Split("S1", the(18), 135, "L1", 50, place="market"),
        Run("B1", the(20), 75, "solo", 300, (("oil", "S1", 150),)),
        Count("C1", the(19), 165, "oil", counted=0),
        Receipt("L2", the(18), 245, "oil", 300, expires=the(18), cost=10, status="quarantined"),
        Run("B2", the(18), None, "solo", 200),
    ],
    "a count finds some in a place that production does not draw from": [
        Count("C1", the(17), 35, "oil", place=SET_APART, counted=30),
        Run("B1", the(18), None, "solo", 150),
    ],
    "a count in order explains a draw of a lot that it opens": [
        Life("A1", TODAY, 0, "oil", 2),
        Run("B1", the(18), None, "solo", 200),
        Receipt("L1", the(15), 85, "oil", 300, cost=10, status="quarantined"),
        Count("C1", the(19), None, "oil", "L1", counted=100),
    ],
    "a count shows that a lot was drawn before what had opened it": [
        Life("A1", TODAY, 0, "oil", 2),
        Receipt("L1", the(16), None, "oil", 100, expires=the(17), cost=7, place=SET_APART),
        Disposal("D1", the(18), None, "L1", 10),
        Count("C1", the(19), 145, "oil", counted=30),
        Run("B1", the(17), 305, "solo", 200),
    ],
    "a part of a corrected batch, and grams of another item that moved there and back": [
        Run("B1", the(17), 225, "solo", 100),
        Split("S1", the(20), 365, "B1", 50),
        Receipt("L1", the(16), 215, "oil", 150, expires=the(20), cost=10, status="quarantined"),
        Restated("K1", the(20), 0, "B1", 50),
    ],
    "what a count found is counted again with its place": [
        Count("C1", the(16), 115, "oil", place="shelf", counted=100),
        Receipt("L1", the(15), 105, "wax", 200, expires=the(16), cost=23, place=SET_APART),
        Run("B1", the(18), None, "mix", 200, (("oil", "own C1", 60), ("wax", "L1", None)), "quarantined"),
        Count("C2", the(18), 125, "oil", place="shelf", counted=0),
        Run("B2", the(18), 145, "solo", 200, (("oil", "own C1", 200),)),
    ],
    "what a count cleared is costed at what came later on its day": [
        Run("B1", the(17), None, "solo", 150),
        Count("C1", the(17), 245, "oil", counted=30),
        Receipt("L1", the(17), 315, "oil", 300, expires=the(19), cost=23),
    ],
}


@pytest.mark.parametrize("story", STORIES.values(), ids=STORIES.keys())
def test_a_story_ends_as_the_clerk_says(desk: Desk, story: list[Paper]) -> None:
    for paper in story:
        desk.tell(paper)
    assert judged(desk) == []
