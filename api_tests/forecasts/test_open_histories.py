"""The forecast beside a plain library method on real demand nobody here invented: api_tests/data (CC BY 4.0)."""

import warnings

import numpy as np
import pytest
from numpy.typing import NDArray

from api_tests.bench import openhistories, rolling
from api_tests.bench.openhistories import Floats, History
from service.core.demand.forecast import first_sale
from service.core.demand.scores import calibrated

HISTORIES = {history.name: history for history in openhistories.histories(openhistories.SLICE)}


def simple(history: History, wanted: list[tuple[int, int]]) -> dict[tuple[int, int], Floats]:
    """Optimised simple exponential smoothing of statsmodels: quantiles of the next periods from bootstrapped errors, (H, 5)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        api = pytest.importorskip("statsmodels.tsa.holtwinters")
        first, found = first_sale(history.y), {}
        for origin, row in wanted:
            made = api.SimpleExpSmoothing(history.y[row, first[row] : origin], initialization_method="estimated").fit()
            rng = np.random.default_rng(3)
            drawn = made.simulate(max(history.horizons), repetitions=200, random_errors="bootstrap", rng=rng)
            total = np.cumsum(np.asarray(drawn).reshape(max(history.horizons), -1), axis=0)
            found[origin, row] = np.maximum(np.quantile(total, rolling.LEVELS, axis=1).T, 0)
    return found


@pytest.mark.parametrize("name", HISTORIES)
def test_the_forecast_is_better_than_a_librarys_on_origins_it_was_not_tuned_on(name: str) -> None:
    """Same series, same origins, only data before them: about 40 series, at three origins or four."""
    history = HISTORIES[name]
    origins = rolling.reported(history)
    origins = origins[:: len(origins) // 3]
    some = set(range(3, len(history.y), len(history.y) // 40))
    wanted = [(origin, int(row)) for origin, rows, _ in rolling.cells(history, origins, some) for row in rows]
    bands = simple(history, wanted)

    def stated(origin: int, horizon: int, rows: NDArray[np.intp]) -> Floats:
        return np.array([bands[origin, int(row)][horizon - 1] for row in rows])

    theirs = rolling.outcomes(history, origins, stated, some)
    mine = rolling.evaluate(history, rolling.pooled(history)[0], origins)
    ours = mine.of(np.isin(mine.series, list(some)))
    assert len(ours.loss) == len(theirs.loss) >= 400
    assert ours.score < 0.97 * theirs.score, (ours.score, theirs.score)


@pytest.mark.parametrize("name", HISTORIES)
def test_the_bands_hold_about_as_often_as_they_say(name: str) -> None:
    """Within 3 points on the slice (the benchmark has the whole histories and 1.5 points)."""
    history = HISTORIES[name]
    shares = rolling.evaluate(history, rolling.pooled(history)[0], rolling.reported(history)).shares()
    for level, (below, at_or_below) in shares.items():
        if level in ("0.9", "0.95", "0.99"):
            assert calibrated(below, at_or_below, float(level), 0.03), (level, below, at_or_below)


def test_only_what_was_before_an_origin_is_used() -> None:
    history = HISTORIES["sales_weekly"]
    made, _ = rolling.pooled(history)
    origin = rolling.reported(history)[1]
    later = history.y.copy()
    later[:, origin:] = later[::-1, origin:] * 3 + 1
    changed, _ = rolling.pooled(History(history.name, later, None, history.horizons, history.stride, history.season))
    for horizon in history.horizons:
        assert (made.past[origin, horizon][0] == changed.past[origin, horizon][0]).all()
        assert (made.past[origin, horizon][1] == changed.past[origin, horizon][1]).all()


def test_the_slice_is_what_its_page_says() -> None:
    retail, weekly = HISTORIES["online_retail_ii_order_lines"], HISTORIES["sales_weekly"]
    assert retail.y.shape == (200, 106)
    assert weekly.y.shape == (406, 52)
    lines = sum(1 for _ in openhistories.rows([openhistories.SLICE / "online_retail_ii_order_lines.csv.gz"]))
    page = (openhistories.SLICE / "README.md").read_text()
    assert f"{lines:,} lines" in page
    assert "Creative Commons" in page
    assert sum(file.stat().st_size for file in openhistories.SLICE.iterdir()) < 1_000_000
