"""Scores of forecasts against published figures, and against plain sums."""

from typing import Any

import numpy as np
import pytest

from api_tests.core.published import Case, cases, source
from service.core.demand import scores


def close(case: Case, got: float, expected: Any) -> None:
    assert abs(float(got) - float(expected)) <= float(case["tolerance"]["abs"]), source(case)


@pytest.mark.parametrize("case", cases("pinball / quantile score"))
def test_quantile_score(case: Case) -> None:
    given = case["inputs"]
    got = scores.quantile_score(float(given["y"]), float(given["f"]), float(given["p"]))
    close(case, float(got), case["expected"]["Q"])
    assert 2 * scores.pinball(float(given["y"]), float(given["f"]), float(given["p"])) == got


@pytest.mark.parametrize("case", cases("weighted interval score"))
def test_weighted_interval_score(case: Case) -> None:
    given = {key: float(value) for key, value in case["inputs"].items()}
    got = scores.weighted_interval_score(given["y"], [given["lower"]], [given["upper"]], [given["alpha"]])
    close(case, float(got), case["expected"]["wis"])
    plain = scores.interval_score(given["y"], given["lower"], given["upper"], given["alpha"])
    close(case, float(plain) * given["alpha"] / 2, case["expected"]["wis"])


def test_weighted_interval_score_is_the_mean_of_its_quantiles_losses() -> None:
    # Bracher et al. (2021), equation 4: with the median, the score is 2 / (2 K + 1) x the sum of the 2 K + 1 pinball losses
    rng = np.random.default_rng(3)
    alphas, actual = np.array([0.1, 0.4]), rng.gamma(2, 5, 50)
    middle, reach = rng.gamma(2, 5, 50), rng.gamma(2, 2, (50, 2))
    low, high = middle[:, None] - reach, middle[:, None] + reach
    got = scores.weighted_interval_score(actual, low, high, alphas, middle)
    stated = np.column_stack([low, high, middle])
    levels = np.array([0.05, 0.2, 0.95, 0.8, 0.5])
    assert got == pytest.approx(scores.pinball(actual[:, None], stated, levels).sum(axis=1) * 2 / 5)


@pytest.mark.parametrize("case", cases("accuracy measures"))
@pytest.mark.parametrize("method", ["mean", "naive", "snaive", "drift"])
def test_accuracy(case: Case, method: str) -> None:
    train = np.array(case["inputs"]["train"], dtype=float)
    test = np.array(case["inputs"]["test"], dtype=float)
    season = int(case["inputs"]["m"])
    ahead = np.arange(len(test))
    stated = {
        "mean": np.full(len(test), train.mean()),
        "naive": np.full(len(test), train[-1]),
        "snaive": train[-season:][ahead % season],
        "drift": train[-1] + (ahead + 1) * (train[-1] - train[0]) / (len(train) - 1),
    }[method]
    scale = float(scores.naive_error(train[None, :], [0], len(train), season)[0])
    got = scores.accuracy(test, stated, scale)
    for name, figure in case["expected"][method].items():
        close(case, got[name], figure)


def test_naive_error_counts_from_the_first_sale_and_sees_no_future() -> None:
    y = np.array([[0, 0, 4, 6, 1, 100], [5, 5, 5, 5, 5, 5], [0, 0, 0, 0, 7, 0]])
    assert scores.naive_error(y, [2, 0, 4], 5).tolist() == [3.5, 0.0, 0.0]
    assert scores.naive_error(y, [2, 0, 4], 1).tolist() == [0.0, 0.0, 0.0]


def test_pinball_is_least_at_the_true_quantile() -> None:
    drawn = np.random.default_rng(1).gamma(2, 10, 20_000)
    for level in (0.1, 0.5, 0.95):
        places = np.quantile(drawn, [level - 0.04, level, level + 0.04])
        below, true, above = (scores.pinball(drawn, place, level).mean() for place in places)
        assert true < below
        assert true < above


def test_coverage_takes_ties_from_both_sides() -> None:
    below, at_or_below = scores.coverage([0, 0, 0, 1, 5], [0, 0, 2, 1, 3])
    assert (below, at_or_below) == (0.2, 0.8)
    assert scores.calibrated(below, at_or_below, 0.8, 0.0)
    assert not scores.calibrated(below, at_or_below, 0.9, 0.05)
    assert scores.calibrated(below, at_or_below, 0.9, 0.11)
    assert not scores.calibrated(below, at_or_below, 0.1, 0.05)
    assert np.isnan(scores.coverage([], [])).all()
