"""Past forecasts against what came: the losses that weigh the levels, and the errors that say how far a series strays.

Only data before an origin makes what is stated at it. N series, H horizons, K levels, V voices (series that are listened to).
"""

from typing import NamedTuple

import numpy as np

from service.core.demand.fitted import Fit, expected, variance
from service.core.demand.levels import Flags, Floats


class Stated(NamedTuple):
    """What was stated at one origin: means (H, N), and of the voices the lifts (H, G, V or 1) and levels (G, A, V)."""

    mean: Floats
    lift: Floats
    level: Floats | None


class Judge:
    """Forecasts whose horizon has not ended yet, and the running sums that will judge them."""

    def __init__(self, made: Fit, demand: Floats) -> None:
        series, weeks = demand.shape
        self.made = made
        self.total = np.zeros((weeks + 1, series))
        np.cumsum(demand.T, axis=0, out=self.total[1:])
        moves = np.abs(np.diff(demand.T, axis=0, prepend=demand.T[:1]))
        moves[np.arange(weeks)[:, None] <= made.first] = 0
        self.moved = np.zeros((weeks + 1, series))
        np.cumsum(moves, axis=0, out=self.moved[1:])
        self.voices = np.arange(0, series, max(series // made.settings.voices, 1))
        self.stated: dict[int, Stated] = {}

    def state(self, origin: int, keep: bool) -> None:
        """What is forecast before week `origin` is learnt from, for every horizon that ends within the history (or is kept)."""
        made, rules = self.made, self.made.settings
        ripe = (origin - made.first).max(initial=-1) >= rules.ripe
        places = [at for at, horizon in enumerate(rules.horizons) if keep or origin + horizon <= made.weeks]
        if not places or not (keep or ripe):
            return
        told = expected(made, origin, places)
        if keep:
            spread = variance(made, places, told)
            for row, place in enumerate(places):
                made.past[origin, rules.horizons[place]] = (told.mean[row], spread[row])
        if ripe:
            lift = told.lift[:, :, self.voices] if told.lift.shape[2] > 1 else told.lift
            heard = origin % rules.stride == 0
            self.stated[origin] = Stated(told.mean, lift, made.state.level[:, :, self.voices] if heard else None)

    def judge(self, week: int) -> None:
        """Score every forecast whose last week is `week`."""
        rules, judged = self.made.settings, self.made.judged
        ended = [(at, week + 1 - horizon) for at, horizon in enumerate(rules.horizons) if week + 1 - horizon in self.stated]
        if not ended:
            return
        places, origins = [at for at, _ in ended], np.array([origin for _, origin in ended])
        ripe = origins[:, None] - self.made.first >= rules.ripe
        mean = np.stack([self.stated[origin].mean[at] for at, origin in ended])
        actual = self.total[week + 1] - self.total[origins]
        for row, (at, origin) in enumerate(ended):
            self._weigh(at, origin, actual[row, self.voices], ripe[row, self.voices])
        fade = np.where(ripe, rules.discount, 1.0)
        judged.squares[places] = judged.squares[places] * fade + np.where(ripe, (actual - mean) ** 2, 0.0)
        judged.means[places] = judged.means[places] * fade + np.where(ripe, mean, 0.0)
        judged.weight[places] = judged.weight[places] * fade + ripe
        self.stated.pop(week + 1 - max(rules.horizons), None)

    def _weigh(self, at: int, origin: int, actual: Floats, ripe: Flags) -> None:
        """Add each level's scaled squared error over the catalogue, winsorised, to its discounted loss at a horizon."""
        rules, judged, stated = self.made.settings, self.made.judged, self.stated[origin]
        spans = np.maximum(origin - 1 - self.made.first[self.voices], 1)
        scale = self.moved[origin, self.voices] / spans
        rows = np.flatnonzero(ripe & (scale > 0))
        if stated.level is None or not len(rows):
            return
        level, lift = stated.level, stated.lift[at][:, None]
        if len(rows) < len(ripe):
            level, lift = level[:, :, rows], lift[:, :, rows] if lift.shape[2] > 1 else lift
        errors = level * lift
        errors -= actual[rows]
        errors *= errors
        errors *= 1 / (scale[rows] ** 2 * rules.horizons[at])
        np.minimum(errors, np.quantile(errors.mean(axis=(0, 1)), rules.winsor), out=errors)
        fade = 0.5 ** (rules.stride / rules.half_life)
        judged.loss[at] = judged.loss[at] * fade + errors.mean(axis=2).reshape(-1)
        judged.origins[at] = judged.origins[at] * fade + 1
