"""Every tuned constant of the pooled forecast, and the split it was tuned on. No other file of the service holds one.

Tuned on the first `TUNED` of the origins of each open history alone; the benchmark reports on the origins after them.
"""

from dataclasses import dataclass

TUNED = 0.4  # share of each history's origins, the first ones

POWERS = (0.0, 0.15, 0.4, 1.0)  # how far a level follows the common shock
ALPHAS = (0.015, 0.03, 0.06, 0.1, 0.2, 0.3, 0.45)  # smoothing constants of the levels
CLOSED = 0.15  # a period with a smaller open share says nothing
CALM = 8.0  # units that hold the common shock at 1 in a small catalogue
CROWD = 15  # fewer series than this have no common shock
OLD = 6  # periods since its first sale before a series speaks for the catalogue


@dataclass(frozen=True, slots=True)
class Settings:
    """The constants of the method that may differ from one use to another; periods are weeks (months for monthly data)."""

    season: int = 52  # periods in a year
    horizons: tuple[int, ...] = (1, 2, 4, 8, 13, 26)  # cumulative horizons that are learnt; between them it is interpolated
    sharpness: float = 25.0  # of the weights
    half_life: float = 26.0  # of past origins, in periods
    winsor: float = 0.98  # share of squared errors that is left as it is
    voices: int = 400  # series that the weights learn from: a larger catalogue is thinned evenly
    ripe: int = 4  # periods since the first sale before a series' errors count
    discount: float = 0.97  # of squared errors, per period
    shrink: float = 8.0  # origins' worth of trust in the catalogue against the series' own errors
    usual: float = 0.6  # which of the catalogue's ratios of squared error to mean a series without errors of its own gets
    echo: float = 0.4  # how much of the catalogue's season of last year is believed
    own_echo: float = 0.35  # how much of the series' own season of last year is believed
    own_calm: float = 20.0  # units that hold it at 1
    own_before: int = 26  # periods before those of last year that they are compared with
    own_years: int = 2  # of history before a series has a season of its own; until then only the catalogue's
    own_around: int = 2  # neighbouring periods that are looked at with those of last year
    cap: float | None = None  # standard deviations above which a single order is learnt as that much
