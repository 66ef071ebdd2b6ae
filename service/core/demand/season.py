"""What last year says of the weeks to come: the shop's open shares, the catalogue's season, and each series' own."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.core.demand.levels import Counts, Floats
from service.core.demand.tuned import CLOSED, Settings

FURTHEST = 3.0  # a season at most triples or thirds what is expected


@dataclass(frozen=True, slots=True)
class Sums:
    """Running sums from week 0: `demand` over its open share (T + 1, N), and the weeks that say anything (T + 1, N or 1)."""

    demand: Floats
    weeks: Floats

    @classmethod
    def of(cls, demand: Floats, share: Floats) -> "Sums":
        """`demand` is (N, T), the open `share` (N or 1, T)."""
        says = share > CLOSED
        full = np.where(says, demand / np.maximum(share, CLOSED), 0.0)
        return cls(_running(full), _running(says.astype(np.float64)))


def _running(rows: Floats) -> Floats:
    """Sums before each week, weeks first: (T + 1, N) of (N, T)."""
    found = np.zeros((rows.shape[1] + 1, rows.shape[0]))
    np.cumsum(rows.T, axis=0, out=found[1:])
    return found


def future_share(share: Floats, origin: int, weeks: int, season: int) -> Floats:
    """Open shares of the weeks to come: last year's with a year behind, else 1; (N or 1, weeks) of `share` (N or 1, T)."""
    if origin < season:
        return np.ones((1, weeks))
    return share[:, origin - season + np.arange(weeks) % season]


def lifts(index: Floats, origin: int, ahead: Floats, horizons: Sequence[int], rules: Settings) -> Floats:
    """What a level (a week) is multiplied by for the demand of the next h weeks: open weeks times the catalogue's season.

    `index` is (G, T + 1), `ahead` the open shares to come (N or 1, weeks); shape (h, G, N or 1).
    """
    within = (np.arange(ahead.shape[1]) < np.array(horizons)[:, None]).astype(np.float64)
    open_weeks = within @ ahead.T
    if origin < rules.season:
        return np.repeat(open_weeks[:, None], len(index), axis=1)
    begin = origin - rules.season
    coming = index[:, begin + 1 + np.arange(ahead.shape[1]) % rules.season] / index[:, begin : begin + 1]
    ratio = ((within[:, None] * coming) @ ahead.T) / np.maximum(open_weeks, 1e-9)[:, None]
    kept = np.clip(np.maximum(ratio, 1e-9) ** rules.echo, 1 / FURTHEST, FURTHEST)
    return np.asarray(open_weeks[:, None] * kept)


def own(sums: Sums, first: Counts, origin: int, horizons: Sequence[int], rules: Settings) -> Floats | None:
    """Each series' season of its own, (h, N): last year's demand in the weeks to come over that of the weeks before them.

    Both are drawn to each other by some units, and the ratio is believed in part, as seasonal factors are shrunk in short
    or noisy histories (Miller & Williams, Int. J. Forecasting 19 (2003) 669-684). None before there are two years.
    """
    year = origin - rules.season
    known = first <= origin - rules.own_years * rules.season
    if not known.any():
        return None
    begin = max(year - rules.own_before, 0)
    open_before = sums.weeks[year] - sums.weeks[begin]
    before = (sums.demand[year] - sums.demand[begin]) / np.maximum(open_before, 1.0)
    stop = np.minimum(year + np.array(horizons) + rules.own_around, origin)
    weeks = sums.weeks[stop] - sums.weeks[year - rules.own_around]
    same = sums.demand[stop] - sums.demand[year - rules.own_around]
    ratio = ((same + rules.own_calm) / (before * weeks + rules.own_calm)) ** rules.own_echo
    return np.where(known & (weeks > 0) & (open_before > 0), np.clip(ratio, 1 / FURTHEST, FURTHEST), 1.0)
