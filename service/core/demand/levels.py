"""The common shock and the 28 levels of every series: what the pooled forecast learns from each week.

All series at once; N series, G powers of the shock, A smoothing constants, T weeks. Demand is in units a week.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]

POWERS = np.array([0.0, 0.15, 0.4, 1.0])  # how far a level follows the common shock
ALPHAS = np.array([0.015, 0.03, 0.06, 0.1, 0.2, 0.3, 0.45])  # Brown (1959); Gardner, Int. J. Forecasting 22 (2006) 637-666
CLOSED = 0.15  # a week with a smaller open share says nothing
CALM = 8.0  # units that hold the shock at 1 in a small catalogue
CROWD = 15  # fewer series than this have no common shock
OLD = 6  # weeks since its first sale before a series speaks for the catalogue


@dataclass(slots=True)
class Levels:
    """State after some weeks. `level` (G, A, N); `index` (G, T + 1), the running product of the shock; `weeks` learnt (N,)."""

    level: Floats
    weeks: Floats
    slow: Floats  # (G, N): the level (0.1) of capped demand, which the shock is measured against
    noise: Floats  # (G, N): its error variance
    index: Floats
    shocks: Floats  # (T,): what the catalogue did in each week against its slow levels (power 0)
    one_step: Floats  # (N,): discounted squared one-week error of the mean level, and its weight
    one_weight: Floats
    capped: list[tuple[int, int, float, float]] = field(default_factory=list)  # series, week, demand, what was learnt from


def begin(series: int, weeks: int) -> Levels:
    """Nothing learnt yet."""
    powers, constants = len(POWERS), len(ALPHAS)
    return Levels(
        level=np.zeros((powers, constants, series)),
        weeks=np.zeros(series),
        slow=np.zeros((powers, series)),
        noise=np.zeros((powers, series)),
        index=np.ones((powers, weeks + 1)),
        shocks=np.ones(weeks),
        one_step=np.zeros(series),
        one_weight=np.zeros(series),
    )


def common_shock(demand: Floats, slow: Floats, noise: Floats, speaking: Flags) -> float:
    """What all products did together this week against their slow levels: 1 as expected.

    A ratio of sums, as in top-down forecasting of hierarchies (Gross & Sohl, Journal of Forecasting 9 (1990) 233-254),
    weighted by level / variance; the constant shrinks it to 1 for small catalogues.
    """
    if np.count_nonzero(speaking) < CROWD:
        return 1.0
    weight = np.where(speaking, slow / np.maximum(np.maximum(noise, slow), 1e-9), 0.0)
    return float((CALM + weight @ demand) / (CALM + weight @ slow))


def learn(state: Levels, week: int, sold: Floats, share: Floats, first: Counts, discount: float, cap: float | None) -> None:
    """Take one week in, in place: `sold` and `share` (the open share) have shape (N,), `first` is each one's first week.

    Open share e: demand sold / e is learnt from, with the learning rate times e (at most 1). A week with e <= 0.15 is
    skipped. `cap`: demand above the slow level + cap standard deviations is learnt as that much and noted in `capped`.
    """
    state.index[:, week + 1] = state.index[:, week]
    heard = (first <= week) & (share > CLOSED)
    if not heard.any():
        return
    demand = np.where(heard, sold / np.maximum(share, CLOSED), 0.0)
    rate = np.where(heard, np.minimum(share, 1.0), 0.0)
    _one_step(state, demand, rate, first < week, discount)
    gain = np.maximum(0.1, 1 / (state.weeks + 1)) * rate
    speaking = heard & (week - first >= OLD)
    learnt = demand
    for at, power in enumerate(POWERS):
        slow, noise = state.slow[at], state.noise[at]
        roof = np.where(state.weeks >= OLD, slow + 3 * np.sqrt(noise), np.inf)
        held = np.minimum(demand, roof)
        shock = common_shock(held, slow, noise, speaking & (slow > 0))
        moved = shock**power
        if at == 0:
            state.shocks[week] = shock
            learnt = demand if cap is None else _capped(state, week, demand, slow, noise, cap)
        state.index[at, week + 1] = state.index[at, week] * moved
        error = held - slow
        state.noise[at] = np.where(heard & (state.weeks > 0), noise + gain * (error**2 - noise), noise)
        state.slow[at] = slow * moved + gain * (held - slow * moved)
        state.level[at] *= moved
    pace = np.maximum(ALPHAS[:, None], 1 / (state.weeks + 1)) * rate
    state.level += pace * (learnt - state.level)
    state.weeks = state.weeks + rate


def _one_step(state: Levels, demand: Floats, rate: Floats, before: Flags, discount: float) -> None:
    """The squared error of the mean of the levels, one week ahead, discounted."""
    weight = np.where(before, rate, 0.0)
    error = demand - state.level.mean(axis=(0, 1))
    fade = np.where(weight > 0, discount, 1.0)
    state.one_step = state.one_step * fade + weight * error**2
    state.one_weight = state.one_weight * fade + weight


def _capped(state: Levels, week: int, demand: Floats, slow: Floats, noise: Floats, cap: float) -> Floats:
    """Demand held at the slow level + `cap` standard deviations, for series old enough to know; what was held is noted."""
    roof = np.where((state.weeks >= OLD) & (slow > 0), slow + cap * np.sqrt(np.maximum(noise, slow)), np.inf)
    for series in np.flatnonzero(demand > roof):
        state.capped.append((int(series), week, float(demand[series]), float(roof[series])))
    return np.minimum(demand, roof)
