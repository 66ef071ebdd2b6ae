"""Past forecasts against what came: the losses that weigh the levels, and the errors that say how far a series strays.

Only data before an origin makes what is stated at it. N series, H horizons, K levels, V voices (series that are listened to).
"""

from typing import NamedTuple

import numpy as np

from service.core.demand.fitted import Fit, expected, variance
from service.core.demand.levels import Counts, Flags, Floats, Singles


class Stated(NamedTuple):
    """What was stated at one origin: means (H, N), and of the voices the lifts (H, G, V or 1) and levels (G, A, V)."""

    mean: Floats
    lift: Floats
    level: Singles


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
            if len(made.share) > 1:  # each series' own from a year on: the same shape before
                lift = np.broadcast_to(lift, (*lift.shape[:2], self.voices.size))
            self.stated[origin] = Stated(told.mean, lift, made.state.level[:, :, self.voices])

    def judge(self, week: int) -> None:
        """Score every forecast whose last week is `week`."""
        rules, judged = self.made.settings, self.made.judged
        ended = [(at, week + 1 - horizon) for at, horizon in enumerate(rules.horizons) if week + 1 - horizon in self.stated]
        if not ended:  # else the shortest ones: what is stated at an origin is for all horizons, or all that end in time
            return
        places, origins = slice(len(ended)), np.array([origin for _, origin in ended])
        mean = np.stack([self.stated[origin].mean[at] for at, origin in ended])
        actual = self.total[week + 1] - self.total[origins]
        ripe = origins[:, None] - self.made.first >= rules.ripe
        self._weigh(origins, actual[:, self.voices], ripe[:, self.voices])
        fade = rules.discount if ripe.all() else np.where(ripe, rules.discount, 1.0)
        actual -= mean
        actual *= actual
        for sums, new in ((judged.squares[places], actual), (judged.means[places], mean), (judged.weight[places], 1.0)):
            sums *= fade
            np.add(sums, new, out=sums, where=ripe)
        self.stated.pop(week + 1 - max(rules.horizons), None)

    def _weigh(self, origins: Counts, actual: Floats, ripe: Flags) -> None:
        """Add each level's scaled squared error over the catalogue, winsorised, to its discounted loss at each horizon."""
        rules, judged = self.made.settings, self.made.judged
        scale = self.moved[origins][:, self.voices] / np.maximum(origins[:, None] - 1 - self.made.first[self.voices], 1)
        heard = ripe & (scale > 0)
        some = np.flatnonzero(heard.any(axis=1))
        if not some.size:
            return
        heard, ended = heard[some], [(at, self.stated[int(origins[at])]) for at in some.tolist()]
        spans = np.sqrt(np.array(rules.horizons)[some])[:, None]
        errors = np.stack([stated.level for _, stated in ended])
        errors *= np.stack([stated.lift[at] for at, stated in ended])[:, :, None]
        errors -= actual[some, None, None]
        errors *= np.where(heard, 1 / np.maximum(scale[some] * spans, 1e-9), 0.0)[:, None, None]
        errors *= errors
        errors = errors.reshape(some.size, -1, errors.shape[-1])
        np.minimum(errors, _ceiling(errors.mean(axis=1), heard, rules.winsor)[:, None, None], out=errors)
        fade = 0.5 ** (1 / rules.half_life)
        judged.loss[some] = judged.loss[some] * fade + errors.sum(axis=2) / np.count_nonzero(heard, axis=1)[:, None]
        judged.origins[some] = judged.origins[some] * fade + 1


def _ceiling(errors: Floats, heard: Flags, share: float) -> Floats:
    """The quantile of each row's heard errors (one at least), linear between them, (H,) of (H, V)."""
    last = np.count_nonzero(heard, axis=1) - 1
    ordered, rows = np.sort(np.where(heard, errors, np.inf), axis=1), np.arange(len(errors))
    low = np.floor(last * share).astype(np.intp)
    lower, upper = ordered[rows, low], ordered[rows, np.minimum(low + 1, last)]
    return np.asarray(lower + (last * share - low) * (upper - lower))
