"""The common shock and the 28 levels of every series: what the pooled forecast learns from each week.

All series at once; N series, G powers of the shock, A smoothing constants, T weeks. Demand is in units a week.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.core.demand import tuned
from service.core.demand.tuned import CALM, CLOSED, CROWD, OLD

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]

POWERS = np.array(tuned.POWERS)
EVEN = np.full(len(tuned.POWERS) * len(tuned.ALPHAS), 1 / (len(tuned.POWERS) * len(tuned.ALPHAS)), np.float32)
ALPHAS = np.array(tuned.ALPHAS)  # Brown (1959); Gardner, Int. J. Forecasting 22 (2006) 637-666


@dataclass(slots=True)
class Levels:
    """State after some weeks. `level` (G, A, N); `index` (G, T + 1), the running product of the shock; `weeks` learnt (N,)."""

    level: Singles  # single floats: it is what fills the processor's caches
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
        level=np.zeros((powers, constants, series), np.float32),
        weeks=np.zeros(series),
        slow=np.zeros((powers, series)),
        noise=np.zeros((powers, series)),
        index=np.ones((powers, weeks + 1)),
        shocks=np.ones(weeks),
        one_step=np.zeros(series),
        one_weight=np.zeros(series),
    )


def common_shock(demand: Floats, slow: Floats, noise: Floats, speaking: Flags) -> Floats:
    """What all products did together this week against their slow levels, for each power (G,): 1 as expected. All (G, N).

    A ratio of sums, as in top-down forecasting of hierarchies (Gross & Sohl, Journal of Forecasting 9 (1990) 233-254),
    weighted by level / variance; the constant shrinks it to 1 for small catalogues.
    """
    weight = np.where(speaking, slow / np.maximum(np.maximum(noise, slow), 1e-9), 0.0)
    ratio = (CALM + (weight * demand).sum(axis=1)) / (CALM + (weight * slow).sum(axis=1))
    return np.asarray(np.where(np.count_nonzero(speaking, axis=1) < CROWD, 1.0, ratio))


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
    roof = np.where(state.weeks >= OLD, state.slow + 3 * np.sqrt(state.noise), np.inf)
    held = np.minimum(demand, roof)
    shock = common_shock(held, state.slow, state.noise, (heard & (week - first >= OLD)) & (state.slow > 0))
    state.shocks[week] = shock[0]
    learnt = demand if cap is None else _capped(state, week, demand, cap)
    moved = shock**POWERS
    state.index[:, week + 1] *= moved
    error, slow = held - state.slow, state.slow * moved[:, None]
    state.noise += np.where(heard & (state.weeks > 0), gain * (error**2 - state.noise), 0.0)
    state.slow = slow + gain * (held - slow)
    if (moved != 1).any():
        state.level *= moved[:, None, None].astype(np.float32)
    step = learnt.astype(np.float32) - state.level
    step *= (np.maximum(ALPHAS[:, None], 1 / (state.weeks + 1)) * rate).astype(np.float32)
    state.level += step
    state.weeks = state.weeks + rate


def _one_step(state: Levels, demand: Floats, rate: Floats, before: Flags, discount: float) -> None:
    """The squared error of the mean of the levels, one week ahead, discounted."""
    weight = np.where(before, rate, 0.0)
    error = demand - EVEN @ state.level.reshape(len(EVEN), -1)
    fade = np.where(weight > 0, discount, 1.0)
    state.one_step = state.one_step * fade + weight * error**2
    state.one_weight = state.one_weight * fade + weight


def _capped(state: Levels, week: int, demand: Floats, cap: float) -> Floats:
    """Demand held at the slow level + `cap` standard deviations, for series old enough to know; what was held is noted."""
    slow, noise = state.slow[0], state.noise[0]
    roof = np.where((state.weeks >= OLD) & (slow > 0), slow + cap * np.sqrt(np.maximum(noise, slow)), np.inf)
    for series in np.flatnonzero(demand > roof):
        state.capped.append((int(series), week, float(demand[series]), float(roof[series])))
    return np.minimum(demand, roof)
