"""The negative binomial distribution by mean and variance: quantiles for many series at once."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

EXACT_BELOW = 2000.0  # above this mean one unit is far inside the spread: the gamma's quantile is rounded
NOTHING = 1e-9  # a smaller mean is none
SMALLEST = -690.0  # log of the smallest chance of nothing that a sum of chances may start from
DEAR = 300  # counts that are summed in the time in which one quantile is stepped to
BLOCK = 1 << 17  # chances in one block: what fits a processor's cache


def quantiles(mean: ArrayLike, variance: ArrayLike, levels: ArrayLike) -> Floats:
    """Smallest counts k with P(demand <= k) >= level, shape (*mean.shape, len(levels)).

    Negative binomial with r = mean^2 / (variance - mean) and p = mean / variance (Johnson, Kemp & Kotz, Univariate
    Discrete Distributions (2005), 5.1). The variance is taken as at least 1.01 means. Few counts are summed; where they
    would be many, each quantile is stepped to.
    """
    shares = np.asarray(levels, dtype=np.float64)
    centre = np.asarray(mean, dtype=np.float64)
    m = centre.reshape(-1)
    v = np.maximum(np.broadcast_to(np.asarray(variance, dtype=np.float64), centre.shape).reshape(-1), 1.01 * m)
    found = np.zeros((m.size, shares.size))
    live = np.flatnonzero(m > NOTHING)
    if not live.size or not shares.size:
        return found.reshape(*centre.shape, shares.size)
    reach = _reach(m[live], v[live], float(shares.max()))
    empty = np.log(m[live] / v[live]) * m[live] ** 2 / (v[live] - m[live])
    short = (reach <= DEAR * shares.size) & (empty > SMALLEST)
    order = np.argsort(np.where(short, reach, np.inf), kind="stable")[: np.count_nonzero(short)]
    rest, begin = [live[~short]], 0
    while begin < order.size:
        width = int(BLOCK // reach[order[begin]])
        width = max(int(BLOCK // reach[order[begin : begin + width + 1][-1]]), 1)
        block = order[begin : begin + width]
        some, begin = live[block], begin + width
        found[some], missed = _summed(m[some], v[some], shares, int(reach[block[-1]]))
        rest.append(some[missed])
    if (left := np.concatenate(rest)).size:
        stepped = _stepped(np.repeat(m[left], shares.size), np.repeat(v[left], shares.size), np.tile(shares, left.size))
        found[left] = stepped.reshape(left.size, shares.size)
    return found.reshape(*centre.shape, shares.size)


def _reach(m: Floats, v: Floats, level: float) -> Floats:
    """A count that the quantile hardly exceeds: Bernstein's bound of a gamma with these moments.

    Boucheron, Lugosi & Massart, Concentration Inequalities (2013), 2.4.
    """
    tail = np.log(1 / max(1 - level, 1e-12))
    return np.asarray(np.ceil(m + np.sqrt(2 * v * tail) + tail * v / m) + 2)


def _summed(m: Floats, v: Floats, shares: Floats, most: int) -> tuple[Floats, Places]:
    """Quantiles (C, levels) from the running sums of the chances of 0, 1, 2 ..., and places that `most` are too few for."""
    r, p = (m * m / (v - m))[:, None], (m / v)[:, None]
    chance = np.empty((m.size, most + 1))
    chance[:, :1] = np.exp(r * np.log(p))
    np.multiply((1 - p) * (r - 1), 1 / np.arange(1.0, most + 1), out=chance[:, 1:])  # each over the one before: (r + k) / (k + 1)
    chance[:, 1:] += 1 - p
    np.cumprod(chance, axis=1, out=chance)
    rows = np.arange(m.size)[:, None]
    chance[:, :1] += 2.0 * rows  # sums of one row lie between those of its neighbours: one search finds all
    np.cumsum(chance, axis=1, out=chance)
    found = np.searchsorted(chance.reshape(-1), (shares + 2.0 * rows).reshape(-1)).reshape(m.size, -1) - rows * (most + 1)
    return found.astype(np.float64), np.flatnonzero((found > most).any(axis=1))


def _stepped(m: Floats, v: Floats, q: Floats) -> Floats:
    """From the quantile of the gamma with the same moments in steps to the exact count; all shapes (C,).

    The distribution function is the regularised incomplete beta I_p(r, k + 1).
    """
    from scipy.special import betainc, gammaincinv  # type: ignore[import-untyped]

    k = np.maximum(np.ceil(gammaincinv(m * m / v, q) * v / m - 0.5), 0.0)
    r, p = m * m / (v - m), m / v
    exact = np.flatnonzero(m < EXACT_BELOW)
    low = betainc(r[exact], k[exact] + 1, p[exact]) < q[exact]
    rising, falling = exact[low], exact[~low]
    while rising.size:  # each pass moves one count up where the distribution has not reached the level
        k[rising] += 1
        rising = rising[betainc(r[rising], k[rising] + 1, p[rising]) < q[rising]]
    while falling.size:  # and one down where the count before had already reached it
        falling = falling[k[falling] > 0]
        falling = falling[betainc(r[falling], k[falling], p[falling]) >= q[falling]]
        k[falling] -= 1
    return np.asarray(k)
