"""The negative binomial distribution by mean and variance: quantiles for many series at once."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

EXACT_BELOW = 2000.0  # above this mean one unit is far inside the spread: the gamma's quantile is rounded


def quantiles(mean: ArrayLike, variance: ArrayLike, levels: ArrayLike) -> Floats:
    """Smallest counts k with P(demand <= k) >= level, shape (*mean.shape, len(levels)).

    Negative binomial with r = mean^2 / (variance - mean) and p = mean / variance (Johnson, Kemp & Kotz, Univariate
    Discrete Distributions (2005), 5.1); its distribution function is the regularised incomplete beta I_p(r, k + 1). The
    variance is taken as at least 1.01 means. Starts at the quantile of the gamma with the same moments, then steps to the
    exact count.
    """
    from scipy.special import betainc, gammaincinv  # type: ignore[import-untyped]

    shares = np.asarray(levels, dtype=np.float64)
    centre = np.asarray(mean, dtype=np.float64)
    shape = centre.shape
    m = np.repeat(centre.reshape(-1), len(shares))
    v = np.maximum(np.repeat(np.broadcast_to(np.asarray(variance, dtype=np.float64), shape).reshape(-1), len(shares)), 1.01 * m)
    q = np.tile(shares, centre.size)
    found = np.zeros(len(m))
    live = np.flatnonzero(m > 1e-9)
    m, v, q = m[live], v[live], q[live]
    k = np.maximum(np.ceil(gammaincinv(m * m / v, q) * v / m - 0.5), 0.0)
    r, p = m * m / (v - m), m / v
    rising = np.flatnonzero(m < EXACT_BELOW)
    falling = rising
    while len(rising):  # each pass moves one count up where the distribution has not reached the level
        rising = rising[betainc(r[rising], k[rising] + 1, p[rising]) < q[rising]]
        k[rising] += 1
    while len(falling):  # and one down where the count before had already reached it
        falling = falling[k[falling] > 0]
        falling = falling[betainc(r[falling], k[falling], p[falling]) >= q[falling]]
        k[falling] -= 1
    found[live] = k
    return found.reshape(*shape, len(shares))
