"""A simulated workshop whose true demand is known, drawn from processes the forecaster does not assume: do the dates hold?"""

from datetime import date, timedelta

import numpy as np
import pytest
from conftest import SOAK

from service.core.cover import cover
from service.core.demand.planning import Books, History, Lot, Season
from service.core.demand.shares import seasonal_shares

TODAY = date(2026, 11, 23)  # a Monday
BEHIND, AHEAD, SERIES = 104, 30, 100
WORLDS = 120 if SOAK else 12
BANDS = (0.1, 0.5, 0.9)


def trend(dice: np.random.Generator, weeks: int) -> np.ndarray:
    return dice.poisson((dice.gamma(2, 4) + 1) * np.exp(dice.uniform(-0.004, 0.006) * np.arange(weeks)))


def bursts(dice: np.random.Generator, weeks: int) -> np.ndarray:
    """A mention somewhere: two and a half times as much for some weeks."""
    level, on, rate = dice.gamma(2, 4) + 1, False, np.zeros(weeks)
    for week in range(weeks):
        on = dice.random() < (0.7 if on else 0.06)
        rate[week] = level * (2.5 if on else 0.8)
    return dice.poisson(rate)


def reorders(dice: np.random.Generator, weeks: int) -> np.ndarray:
    """A stockist that orders a box about every so many weeks."""
    found, week = np.zeros(weeks), int(dice.integers(0, 6))
    gap, size = dice.integers(3, 8), dice.integers(12, 60)
    while week < weeks:
        found[week] += dice.poisson(size)
        week += max(1, int(dice.normal(gap, 1)))
    return found


def waves(dice: np.random.Generator, weeks: int) -> np.ndarray:
    """A season of its own that no other product shares."""
    wave = 1 + 0.5 * np.sin(2 * np.pi * (np.arange(weeks) + dice.uniform(0, 52)) / 52)
    return dice.poisson((dice.gamma(2, 4) + 1) * wave)


def clumps(dice: np.random.Generator, weeks: int) -> np.ndarray:
    level = dice.gamma(2, 4) + 1
    return dice.negative_binomial(3, 3 / (3 + level), weeks)


def dead_season(dice: np.random.Generator, weeks: int) -> np.ndarray:
    """Nothing outside 30 weeks a year, which the catalogue names; another level each year, which nobody names.

    Last stands the day on which they begin.
    """
    begin = TODAY + timedelta(days=int(dice.integers(0, 365)))
    days = [TODAY + timedelta(days=7 * (week - BEHIND)) for week in range(weeks)]
    share = seasonal_shares(days, [season_of(begin)])[0]
    years = np.array([(day - begin).days // 365 for day in days])
    level = (dice.gamma(2, 4) + 1) * np.exp(0.2 * dice.standard_normal(8))[years + 4]
    return np.concatenate([dice.poisson(level * share), [begin.toordinal()]])


def season_of(begin: date) -> Season:
    """30 weeks from a day on; no 29th, 30th or 31st, so that every year has it."""
    end = begin + timedelta(days=210)
    return (begin.month, min(begin.day, 28)), (end.month, min(end.day, 28))


PROCESSES = (trend, bursts, reorders, waves, clumps, dead_season)
Case = tuple[str, int, list[int]]


def cases(seed: int) -> list[Case]:
    """For each product of a world: its process, the day its material really runs out, and the three days stated."""
    dice = np.random.default_rng(seed)
    made = [PROCESSES[n % len(PROCESSES)] for n in range(SERIES)]
    drawn = [process(dice, BEHIND + AHEAD) for process in made]
    units = np.array([row[: BEHIND + AHEAD] for row in drawn], float)
    told = History(TODAY.toordinal(), 0, SERIES, [(n, "wholesale" if made[n] is reorders else "retail") for n in range(SERIES)])
    told.seasons = {n: season_of(date.fromordinal(int(drawn[n][-1]))) for n in range(SERIES) if made[n] is dead_season}
    for n, week in zip(*np.nonzero(units[:, :BEHIND]), strict=True):
        told.at.append(int(n))
        told.day.append(TODAY.toordinal() - 7 * (BEHIND - int(week)) + 3)
        told.units.append(float(units[n, week]))
    books = Books(SERIES, [(n, n, 1.0) for n in range(SERIES)], rest=[0] * SERIES, lead=[0] * SERIES, level=[0.9] * SERIES)
    for n in range(SERIES):
        lately = units[n, BEHIND - 26 : BEHIND].mean() or units[n, :BEHIND].mean()
        books.lots[n] = [Lot(max(round(dice.uniform(2, 14) * lately), 1.0))]
    found = []
    for n, one in enumerate(cover.cover(told, books)):
        total = np.cumsum(np.repeat(units[n, BEHIND:] / 7, 7))
        really = min(int((total <= books.lots[n][0].quantity * (1 + 1e-9)).sum()), cover.DAYS)
        found.append((made[n].__name__, really, [cover.DAYS if day is None else day for day in one.runs_out]))
    return found


@pytest.fixture(scope="module")
def worlds() -> list[list[Case]]:
    """All cases of every world."""
    return [cases(seed) for seed in range(WORLDS)]


def shares(found: list[Case], n: int) -> tuple[float, float]:
    """How often it really ran out before the n-th stated day, and by it."""
    below = sum(really < stated[n] for _, really, stated in found) / len(found)
    return below, sum(really <= stated[n] for _, really, stated in found) / len(found)


def test_stated_run_out_dates_hold_as_often_as_they_say(worlds: list[list[Case]]) -> None:
    """10, 50 and 90 % within 3 points; days are whole, so a level may lie between the two shares (ties)."""
    found = [case for world in worlds for case in world]
    assert len(found) >= 1_000
    for n, level in enumerate(BANDS):
        below, at_or_below = shares(found, n)
        assert below - 0.03 <= level <= at_or_below + 0.03, (level, below, at_or_below)


@pytest.mark.parametrize("process", [process.__name__ for process in PROCESSES])
def test_no_kind_of_demand_is_far_off(worlds: list[list[Case]], process: str) -> None:
    """Of each process alone within 12 points; rhythms that the forecast does not look for leave its bands too wide."""
    found = [case for world in worlds for case in world if case[0] == process]
    for n, level in enumerate(BANDS):
        below, at_or_below = shares(found, n)
        assert below - 0.12 <= level <= at_or_below + 0.12, (level, below, at_or_below)


def test_the_dates_say_something(worlds: list[list[Case]]) -> None:
    """Bands that always held could be as wide as they like: half of them are narrower than the time to their middle."""
    for world in worlds:
        stated = [days for _, _, days in world if days[1] < cover.DAYS]
        widths = [(late - early) / max(likely, 7) for early, likely, late in stated]
        assert sorted(widths)[len(widths) // 2] < 1
