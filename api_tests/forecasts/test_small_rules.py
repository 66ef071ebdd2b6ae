"""Gaps in finished stock, what a unit takes, sentences, and the child process."""

import os
import signal
import time
from datetime import date

import pytest

from service.actions.compute import Child, Failed
from service.actions.recent import Recent
from service.core.demand import saying, stockouts
from service.core.demand.planning import Books, History, Quality
from service.core.making import recipes
from service.core.making.needs import Catalogue, Made, Recipe
from service.errors import Busy


def test_gaps_lie_between_running_out_and_the_next_batch() -> None:
    moves = {10: 24, 14: -20, 15: -4, 22: 24, 30: -24}
    assert stockouts.gaps(moves, {11: 20, 15: 4, 25: 5}, 35) == [(16, 21), (31, 34)]
    assert stockouts.gaps(moves, {11: 20, 15: 4, 18: 1, 25: 5}, 35) == [(16, 17), (19, 21), (31, 34)]
    assert stockouts.gaps({}, {3: 1.0}, 35) == []
    assert stockouts.gaps({10: 24}, {12: 3.0}, 35) == []


def test_what_is_made_when_it_is_ordered_is_never_out_of_stock() -> None:
    moves = dict.fromkeys(range(10, 60, 10), 0)
    assert stockouts.gaps(moves, {day + 1: 5.0 for day in moves}, 60) == []


def test_what_one_unit_takes_through_bulk_loss_and_packaging() -> None:
    base = Recipe(10, ((1, 400_000), (2, 600_000)), loss_ppm=200_000)
    balm = Recipe(11, ((10, 500_000), (1, 500_000)), loss_mg=10_000)
    tin, gift = Made(20, 11, 50_000, ((3, 1),)), Made(21, None, 0, ((3, 2),), ((20, 4),))
    catalogue = Catalogue({11: balm, 10: base}, {20: tin, 21: gift})
    whole = recipes.parts(catalogue, {11: 100_000, 10: None}, (), ())
    made = 50_000 * 100_000 / 90_000  # of a batch of 100 g, 90 g are filled
    assert whole.goes[20] == pytest.approx({1: made * (0.5 + 0.5 * 0.4 / 0.8), 2: made * 0.5 * 0.6 / 0.8, 3: 1})
    assert whole.goes[21] == {3: 2}
    assert whole.sets == [(21, 20, 4.0)]
    apart = recipes.parts(catalogue, {11: 100_000, 10: None}, {10}, {1})
    assert apart.goes[20] == pytest.approx({10: made * 0.5, 3: 1})
    assert apart.bulk == {10: pytest.approx({2: 0.75})}


def test_sentences() -> None:
    today = date(2026, 11, 25)
    assert saying.lasts("Shea butter", [55, 70, 97], 48, today, 182, True) == (
        "Shea butter lasts until about 3 February, between 19 January and 2 March; order by 12 January."
    )
    assert saying.lasts("Wax", [0, 0, 0], None, today, 182, True) == "Wax has run out: order it now."
    assert saying.lasts("Wax", [None] * 3, None, today, 182, True) == "Wax lasts beyond 26 May."
    assert saying.lasts("Wax", [160, None, None], 9, today, 182, True) == (
        "Wax lasts beyond 26 May, though it may run out from 4 May; order by 4 December."
    )
    assert "some day after 26 May; order it now, it should have been ordered by 20 November" in saying.lasts(
        "Wax", [9, 40, None], -5, today, 182, True
    )
    assert saying.lasts("Wax", [55, 70, 97], 48, today, 182, True, is_awaited=True) == (
        "Wax lasts until about 3 February, between 19 January and 2 March."
    )
    assert saying.awaited("2 kg", "30 November", (70, 99), 60, today, 182) == (
        "With 2 kg on order, expected 30 November, it lasts until about 4 March; order more by 24 January."
    )
    assert saying.awaited("2 kg", "30 November", (3, 3), -2, today, 182) == (
        "2 kg on order, expected 30 November, may come too late; order more now, it should have been ordered by 23 November."
    )
    unused = saying.lasts("Wax", [None] * 3, None, today, 182, False)
    assert unused == "Wax is not needed by anything expected to sell by 26 May."
    base = saying.lasts("Base", [55, 70, 97], 48, today, 182, True, made=True)
    assert base == "Base lasts until about 3 February, between 19 January and 2 March; make it by 12 January."
    assert saying.lasts("base", [55, 70, 97], 0, today, 182, True, made=True, kept=False) == (
        "No base is kept: a batch is needed about 3 February, between 19 January and 2 March; make it today."
    )
    assert saying.lasts("base", [0, 0, 0], None, today, 182, True, True, False) == (
        "No base is kept, and it is needed: make it now."
    )
    assert saying.stretch([55, 70, 97], today, 182) == "between 19 January and 2 March"
    assert saying.stretch([55, 70, None], today, 182) == "between 19 January and some day after 26 May"
    assert saying.stretch([160, None, None], today, 182) == "it may run out from 4 May"
    assert saying.stretch([None] * 3, today, 182) == "it lasts beyond 26 May"
    good = saying.how_good(Quality(31, 0.72, 0.84, {}), "its forecasts")
    assert good == (
        "Over 31 past spans of four weeks, its forecasts were 28 % better than repeating the four weeks before; "
        "84 % of what came lay between the 10 % and 90 % lines (80 % should)."
    )
    assert "12 % worse than" in saying.how_good(Quality(31, 1.12, 0.5, {}), "they")


@pytest.fixture
def child() -> object:
    made = Child()
    yield made
    made.close()


def test_the_child_keeps_what_it_computed_and_survives_a_fault(child: Child) -> None:
    told = History(740_000)
    first = child.run("cover", told, Books(), [])
    assert first == ([], None)
    assert child.run("cover", History(740_000), Books(), []) is first, "the same books: no second computation"
    with pytest.raises(Failed, match="KeyError"):
        child.run("no such task")
    assert child.run("quality", told) is None


def test_a_child_that_died_is_started_again(child: Child) -> None:
    child.run("quality", History(740_000))
    assert child._process is not None
    os.kill(child._process.pid, signal.SIGKILL)
    child._process.wait()
    assert child.run("quality", History(740_001)) is None
    child._process.send_signal(signal.SIGSTOP)
    stopped = child._process
    began = time.monotonic()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("service.actions.compute.TASK_SECONDS", 0.3)
        with pytest.raises(Busy):
            child.run("quality", History(740_002))
    assert time.monotonic() - began < 10
    assert stopped.poll() is not None, "what takes too long is ended"
    assert child.run("quality", History(740_002)) is None


def test_what_was_made_lately_is_made_again_when_what_it_follows_from_changed() -> None:
    recent, made = Recent[int | None](2), []

    def get(key: str, digest: bytes, value: int | None) -> int | None:
        def make() -> int | None:
            made.append(key)
            return value

        return recent.get(key, make, digest)

    assert [get("a", b"1", 1), get("a", b"1", 2), get("a", b"2", 3), get("a", b"1", 4)] == [1, 1, 3, 4]
    assert made == ["a", "a", "a"]
    assert [get("b", b"", None), get("a", b"1", 5), get("b", b"", 6)] == [None, 4, None], "nothing is an answer too"
    assert [get("c", b"", 7), get("b", b"", 8), get("a", b"1", 9)] == [7, None, 9], "what was not used longest goes"
