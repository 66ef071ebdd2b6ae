"""The pooled forecast, the textbook ones beside their publications, and the sample paths."""

import warnings
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from api_tests.core.published import Case, cases, source
from service.core.buying import textbook
from service.core.demand import levels, negbin, paths, season
from service.core.demand.fitted import weights
from service.core.demand.forecast import Forecast, first_sale, fit
from service.core.demand.tuned import Settings

Floats = NDArray[np.float64]
EDGES = ("all zero", "never zero", "one sale", "brand new", "sleeping", "one huge order")


def held(case: Case, got: Any, expected: Any) -> None:
    allowed = case["tolerance"]
    most = float(allowed["abs"]) if "abs" in allowed else float(allowed["rel"]) * np.abs(np.asarray(expected, dtype=float))
    assert (np.abs(np.asarray(got, dtype=float) - np.asarray(expected, dtype=float)) <= most).all(), source(case)


def numbers(case: Case, name: str) -> Floats:
    return np.array(case["inputs"][name], dtype=float)


# --- published ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("Croston"))
def test_croston_with_the_books_start(case: Case) -> None:
    given = case["inputs"]
    start = (float(given["q0"]), float(given["a0"]))
    got = textbook.croston(numbers(case, "y"), float(given["alpha_q"]), float(given["alpha_a"]), start)
    held(case, [got.size, got.interval, got.forecast], [case["expected"][name] for name in ("q_hat", "a_hat", "forecast")])


@pytest.mark.parametrize("case", cases("Croston original (alpha 0.1)"))
def test_croston_and_sba(case: Case) -> None:
    y, alpha = numbers(case, "y"), float(case["inputs"]["alpha"])
    got = textbook.croston(y, alpha)
    held(case, [got.size, got.interval, got.forecast], [case["expected"][name] for name in ("z", "p", "forecast")])
    held(case, textbook.sba(y, alpha), case["expected"]["sba_0.95"])


@pytest.mark.parametrize("case", cases("Croston decomposition"))
def test_croston_sees_the_published_sizes_and_intervals(case: Case) -> None:
    # smoothed with alpha 1 the state is the last size and the last interval
    y = numbers(case, "y_first12")
    sizes, intervals = [], []
    for until in np.flatnonzero(y > 0):
        got = textbook.croston(y[: until + 1], 1.0)
        sizes.append(float(got.size))
        intervals.append(float(got.interval))
    assert sizes == [float(value) for value in case["expected"]["q"]], source(case)
    # the table prints a dash for the first interval
    assert intervals[1:] == [float(value) for value in case["expected"]["a"][1:]], source(case)


@pytest.mark.parametrize("case", cases("demand class"))
def test_demand_class(case: Case) -> None:
    interval, spread, name = textbook.demand_class(numbers(case, "y"))
    held(case, [interval, spread], [case["expected"]["adi"], case["expected"]["cv2_pop"]])
    assert name == case["expected"]["class"]


@pytest.mark.parametrize("case", cases("SBA / SBJ"))
def test_bias_factors(case: Case) -> None:
    alpha = float(case["inputs"]["alpha"])
    held(case, [textbook.sba_factor(alpha), textbook.sbj_factor(alpha)], [case["expected"]["sba"], case["expected"]["sbj"]])


@pytest.mark.parametrize("case", cases("TSB"))
def test_tsb(case: Case) -> None:
    got = textbook.tsb(numbers(case, "y"), float(case["inputs"]["alpha_size"]), float(case["inputs"]["alpha_prob"]))
    held(case, [got.size, got.interval, got.forecast], [case["expected"][name] for name in ("z", "p", "forecast")])


@pytest.mark.parametrize("case", cases("SES"))
def test_ses(case: Case) -> None:
    y, alpha = numbers(case, "y"), float(case["inputs"]["alpha"])
    if "l0" in case["inputs"]:
        got = textbook.ses(y, alpha, float(case["inputs"]["l0"]))
        held(case, got[:8], [float(value) for value in case["expected"]["levels_first8"]])
        held(case, got[-4:], [float(value) for value in case["expected"]["levels_last4"]])
    else:  # from memory: S_2 is the first value, S_t the forecast of period t
        got = textbook.ses(y, alpha)
        held(case, [got[10], got[11]], [case["expected"]["S12"], case["expected"]["S13"]])


@pytest.mark.parametrize("case", cases("Holt linear"))
def test_holt_line(case: Case) -> None:
    got = textbook.trend_line(float(case["inputs"]["level_T"]), float(case["inputs"]["slope_T"]), 10)
    held(case, got, [float(value) for value in case["expected"]["forecasts"]])


@pytest.mark.parametrize("case", cases("Holt-Winters additive"))
def test_holt_winters_line(case: Case) -> None:
    given = case["inputs"]
    got = textbook.seasonal_line(float(given["level_T"]), float(given["slope_T"]), numbers(case, "season"), 12)
    held(case, got, [float(value) for value in case["expected"]["forecasts_h1_12"]])


def test_agrees_with_statsmodels() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        api = pytest.importorskip("statsmodels.tsa.holtwinters")
    rng = np.random.default_rng(11)
    for _ in range(5):
        y = rng.gamma(3, 10, 60)
        alpha, beta, gamma = rng.uniform(0.05, 0.9, 3)
        level, slope, season = y[0], 0.7, np.array([3.0, -1.0, 2.0, -4.0])
        simple = api.SimpleExpSmoothing(y, initialization_method="known", initial_level=level)
        theirs = simple.fit(smoothing_level=alpha, optimized=False).forecast(1)[0]
        assert textbook.ses(y, alpha, level)[-1] == pytest.approx(theirs, rel=1e-6)
        trend = api.Holt(y, initialization_method="known", initial_level=level, initial_trend=slope)
        line = trend.fit(smoothing_level=alpha, smoothing_trend=beta, optimized=False).forecast(6)
        assert textbook.trend_line(*textbook.holt(y, alpha, beta, level, slope), 6) == pytest.approx(line, rel=1e-6)
        full = api.ExponentialSmoothing(
            y, trend="add", seasonal="add", seasonal_periods=4, initialization_method="known",
            initial_level=level, initial_trend=slope, initial_seasonal=season,
        )  # fmt: skip
        fitted = full.fit(smoothing_level=alpha, smoothing_trend=beta, smoothing_seasonal=gamma, optimized=False)
        ours = textbook.holt_winters(y, alpha, beta, gamma, level, slope, season)
        assert ours[0] == pytest.approx(fitted.level[-1], rel=1e-6)
        assert ours[1] == pytest.approx(fitted.trend[-1], rel=1e-6)
        assert ours[2] == pytest.approx(fitted.season[-4:], rel=1e-6)
        # the library's fourth forecast uses the season before its last update, so three are compared
        assert textbook.seasonal_line(*ours, 3) == pytest.approx(fitted.forecast(3), rel=1e-6)


def test_many_series_at_once_are_each_alone() -> None:
    y = np.random.default_rng(2).poisson(0.6, (7, 40)).astype(float)
    y[3] = 0
    alone = [textbook.croston(row, 0.2) for row in y]
    together = textbook.croston(y, 0.2)
    assert together.forecast.tolist() == [float(one.forecast) for one in alone]
    assert together.forecast[3] == 0
    assert textbook.tsb(y, 0.2, 0.1).forecast.tolist() == [float(textbook.tsb(row, 0.2, 0.1).forecast) for row in y]
    assert textbook.ses(y, 0.3).tolist() == [textbook.ses(row, 0.3).tolist() for row in y]


# --- negative binomial ---------------------------------------------------------------------------------------------------


def test_quantiles_are_the_smallest_counts_that_reach_the_level() -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(4)
    mean = np.exp(rng.normal(0.5, 1.5, 400))
    variance = mean * (1.01 + rng.gamma(1, 3, 400))
    shares = np.array([0.1, 0.5, 0.9, 0.99])
    got = negbin.quantiles(mean, variance, shares)
    r, p = (mean**2 / (variance - mean))[:, None], (mean / variance)[:, None]
    assert (stats.nbinom.cdf(got, r, p) >= shares - 1e-12).all()
    assert (stats.nbinom.cdf(got - 1, r, p) < shares + 1e-12).all()


def test_summed_and_stepped_quantiles_agree() -> None:
    rng = np.random.default_rng(7)
    mean = np.exp(rng.normal(2, 2, 600)).clip(1e-3, 600)
    variance = mean * (1.01 + rng.gamma(0.7, 5, 600))
    shares = np.array([1e-5, 0.02, 0.5, 0.97, 1 - 1e-5])
    summed = negbin.quantiles(mean, variance, shares)
    stepped = negbin._stepped(np.repeat(mean, 5), np.repeat(variance, 5), np.tile(shares, 600)).reshape(600, 5)
    assert (summed == stepped).all()
    many = negbin.quantiles(mean, variance, np.linspace(0.001, 0.999, 99))
    assert (np.diff(many, axis=1) >= 0).all()


def test_quantiles_of_nothing_and_of_much() -> None:
    assert negbin.quantiles([0.0, 1e-12], [0.0, 0.0], [0.5, 0.99]).tolist() == [[0, 0], [0, 0]]
    got = negbin.quantiles([1e6], [1e6 * 1.01], [0.5])[0, 0]
    assert got == pytest.approx(1e6, rel=1e-4)
    assert negbin.quantiles(np.zeros((0, 3)), np.zeros((0, 3)), [0.5]).shape == (0, 3, 1)


# --- the pooled method ---------------------------------------------------------------------------------------------------


def catalogue(series: int = 40, weeks: int = 90, seed: int = 5) -> Floats:
    rng = np.random.default_rng(seed)
    rates = rng.gamma(0.8, 6, (series, 1))
    return rng.poisson(rates * rng.gamma(4, 0.25, (series, weeks))).astype(float)


def edge_series(weeks: int = 90) -> Floats:
    rng = np.random.default_rng(6)
    y = np.zeros((len(EDGES), weeks))
    y[1] = 5 + rng.poisson(3, weeks)
    y[2, 30] = 4
    y[3, -1] = 6
    y[4, :20] = rng.poisson(8, 20)
    y[5] = rng.poisson(3, weeks)
    y[5, -12] = 5000
    return y


def test_edge_series_get_sound_forecasts() -> None:
    y = np.vstack([edge_series(), catalogue()])
    got = paths.forecast(fit(y), 26)
    for part in (got.mean, got.variance, got.week_mean, got.week_variance):
        assert np.isfinite(part).all()
        assert (part >= 0).all()
    assert (np.diff(got.mean, axis=1) >= 0).all()
    bands = got.quantiles()
    assert (np.diff(bands, axis=2) >= 0).all()
    assert (np.diff(bands, axis=1) >= 0).all()
    mean = dict(zip(EDGES, got.mean[:, 7] / 8, strict=False))
    assert mean["all zero"] == 0
    assert bands[0].max() == 0
    assert mean["never zero"] == pytest.approx(8, rel=0.25)
    assert 0 < mean["one sale"] < 0.2
    assert 0 < mean["brand new"] <= 6
    assert mean["sleeping"] < 1.5
    assert got.quantiles((0.5,))[4, 7, 0] < 12


def test_one_huge_order_is_capped_and_shown() -> None:
    y = np.vstack([edge_series(), catalogue()])
    free, capped = fit(y), fit(y, settings=Settings(cap=3.0))
    before = y.copy()
    before[5, -12] = 3
    usual = paths.forecast(fit(before), 8).mean[5, -1]
    assert paths.forecast(free, 8).mean[5, -1] > 2 * usual
    assert paths.forecast(capped, 8).mean[5, -1] < 1.5 * usual
    noted = [note for note in capped.state.capped if note[:2] == (5, 78)]
    assert [note[2] for note in noted] == [5000.0]
    assert noted[0][3] < 100
    assert free.state.capped == []


def test_states_nothing_from_the_future() -> None:
    y = catalogue()
    whole = fit(y, origins=(30, 60))
    for origin in (30, 60):
        cut = fit(y[:, :origin], origins=(origin,))
        for horizon in (1, 4, 26):
            for ours, theirs in zip(whole.past[origin, horizon], cut.past[origin, horizon], strict=True):
                assert ours == pytest.approx(theirs, rel=1e-12, abs=1e-12)


def test_levels_are_browns_when_nothing_is_shared() -> None:
    # 14 series have no common shock; past their first weeks the gain is alpha alone (Brown 1959)
    y = catalogue(14, 80)
    y[:, 0] = 1
    made = fit(y)
    assert (made.state.index == 1).all()
    for at, alpha in enumerate(levels.ALPHAS):
        late = int(1 / alpha) + 1
        if late < 70:
            start = fit(y[:, :late]).state.level[0, at]
            assert made.state.level[0, at] == pytest.approx(textbook.ses(y[:, late:], alpha, start)[:, -1])
    assert made.state.level[0, 0] == pytest.approx(made.state.level[3, 0])


def test_a_common_shock_is_recognised_and_followed() -> None:
    rng = np.random.default_rng(8)
    rates = rng.gamma(3, 10, (60, 1)) * np.ones(60)
    rates[:, 50:] *= 1.3
    made = fit(rng.poisson(rates).astype(float))
    assert made.state.shocks[50] == pytest.approx(1.3, rel=0.05)
    assert np.abs(np.log(made.state.shocks[20:50])).max() < 0.1
    assert made.state.index[0, -1] == 1
    assert made.state.index[3, -1] == pytest.approx(1.3, rel=0.1)


def test_closed_and_censored_weeks() -> None:
    y = np.full((20, 60), 12.0)
    share = np.ones((20, 60))
    y[:, 40:50], share[:, 40:50] = 0, 0  # closed: says nothing
    y[3, 50:60], share[3, 50:60] = 6, 0.5  # there on half of the days, and half was sold
    made = fit(y, share)
    assert made.state.level == pytest.approx(12)
    unaware = fit(y)
    assert unaware.state.level[0, 3].max() < 11.9
    assert paths.forecast(made, 4, np.full(4, 0.5)).mean[:, -1] == pytest.approx(24)


def test_future_open_share_is_last_years() -> None:
    y, share = np.full((20, 100), 10.0), np.ones(100)
    closed = [48, 100 - 52 + 3]  # a week of the first year, whose next comes four weeks after the end
    y[:, closed], share[closed] = 0, 0
    got = paths.forecast(fit(y, share), 8)
    assert got.week_mean[:, 3] == pytest.approx(0)
    assert got.week_mean[:, 4] == pytest.approx(10, rel=0.01)


def test_a_season_of_the_whole_catalogue_is_half_believed() -> None:
    rng = np.random.default_rng(9)
    year = np.where(np.arange(156) % 52 >= 44, 3.0, 1.0)
    y = rng.poisson(rng.gamma(3, 8, (50, 1)) * year[:148]).astype(float)  # the third year's high season lies ahead
    got = paths.forecast(fit(y), 8).mean[:, -1].sum()
    unaware = paths.forecast(fit(y, settings=Settings(echo=0.0)), 8).mean[:, -1].sum()
    assert 1.2 * unaware < got < 3 * unaware


def test_a_season_of_its_own_is_partly_believed() -> None:
    """Two products of many sell three times as much in the weeks ahead as in the half year before them: last year they did."""
    rng = np.random.default_rng(13)
    year = np.ones((30, 156))
    year[:2, np.arange(156) % 52 >= 44] = 3.0
    y = rng.poisson(40 * year[:, :148]).astype(float)
    made = fit(y)
    got = paths.forecast(made, 8).mean[:, -1]
    assert got[:2].min() > 1.2 * 320
    assert got[:2].max() < 3 * 320
    assert got[2:] == pytest.approx(320, rel=0.15)
    short = paths.forecast(fit(y[:, 104:]), 8).mean[:, -1]
    assert short[:2] == pytest.approx(320, rel=0.15), "without a year behind it nothing is known of a season"


def test_own_season_is_the_ratio_of_last_years_weeks() -> None:
    rules = Settings(own_around=0, own_before=26)
    y = np.full((3, 110), 10.0)
    y[0, 58:62], y[1, 58:62] = 30.0, 0.0
    share = np.ones((3, 110))
    share[2, 58:62] = 0  # closed: nothing known
    sums = season.Sums.of(y, share)
    found = season.own(sums, np.array([0, 6, 0]), 110, [4], rules)
    assert found is not None
    raw = np.array([(120 + rules.own_calm) / (40 + rules.own_calm), rules.own_calm / (40 + rules.own_calm), 1.0])
    assert found[0] == pytest.approx(np.clip(raw**rules.own_echo, 1 / 3, 3))
    young = season.own(sums, np.array([7, 60, 0]), 110, [4], rules)
    assert young is not None
    assert young[0, :2].tolist() == [1.0, 1.0], "less than two years of history"
    assert season.own(sums, np.array([7, 60, 55]), 110, [4], rules) is None


def test_weights_are_stable_and_of_the_whole_catalogue() -> None:
    y = catalogue(60, 100)
    kept = [weights(fit(y[:, :end]).judged, Settings())[2] for end in (96, 97, 98, 99, 100)]
    for before, after in pairwise(kept):
        assert before.sum() == pytest.approx(1)
        assert np.abs(after - before).sum() < 0.25
    fresh = fit(y[:, : Settings().ripe]).judged
    assert weights(fresh, Settings()) == pytest.approx(1 / 28)


def test_calibrated_and_better_than_naive_on_a_known_process() -> None:
    from service.core.demand.scores import calibrated, coverage, naive_error, pinball

    y = catalogue(150, 120, seed=10)
    origins = range(40, 113, 8)
    made = fit(y, origins=origins)
    actual = np.concatenate([y[:, o : o + 8].sum(axis=1) for o in origins])
    bands = np.concatenate([negbin.quantiles(*made.past[o, 8], (0.5, 0.8, 0.9, 0.95)) for o in origins])
    for at, level in enumerate((0.5, 0.8, 0.9, 0.95)):
        assert calibrated(*coverage(actual, bands[:, at]), level, 0.03), level
    naive = np.concatenate([8 * y[:, o - 1] for o in origins])
    assert pinball(actual, bands[:, 0], 0.5).mean() < 0.8 * pinball(actual, naive, 0.5).mean()
    assert (naive_error(y, first_sale(y), 120) >= 0).all()


@pytest.mark.parametrize(("series", "weeks"), [(0, 0), (0, 30), (3, 0), (1, 1), (2, 5), (1, 60)])
def test_small_and_empty_histories(series: int, weeks: int) -> None:
    y = np.arange(series * weeks, dtype=float).reshape(series, weeks) % 4
    got = paths.forecast(fit(y), 26)
    assert got.mean.shape == (series, 26)
    assert np.isfinite(got.variance).all()
    assert paths.sample(got, 10, 1).shape == (10, 26, series)


def test_hundreds_of_series_alone_or_together_cost_alike_and_give_alike() -> None:
    # thinning the voices of a large catalogue changes the weights only
    y = catalogue(120, 60)
    few, all_ = fit(y, settings=Settings(voices=40)), fit(y)
    assert few.state.level == pytest.approx(all_.state.level)
    assert paths.forecast(few, 8).mean == pytest.approx(paths.forecast(all_, 8).mean, rel=0.15, abs=0.05)


# --- borrowing, sample paths, consumption ----------------------------------------------------------------------------------


def test_new_products_borrow_from_those_they_are_like() -> None:
    y = np.vstack([np.full((10, 60), 20.0), np.full((10, 60), 2.0), np.zeros((2, 60))])
    own = paths.forecast(fit(y), 8)
    age = [60] * 20 + [0, 0]
    got = paths.borrow(own, age, [()] * 20 + [(0, 1, 2), ()])
    assert got.forecast.mean[20] == pytest.approx(own.mean[0])
    assert got.forecast.mean[21] == pytest.approx(np.median(own.mean[:20], axis=0))
    assert got.share.tolist() == [0] * 20 + [1, 1]
    half = paths.borrow(own, [60] * 20 + [7, 60], [()] * 20 + [(0,), ()])
    assert half.share[20] == pytest.approx(8 / 15)
    assert half.forecast.mean[20] == pytest.approx(own.mean[0] * 8 / 15)
    assert half.share[21] == 0
    assert half.forecast.mean[21, -1] == 0


def test_paths_have_the_forecasts_moments() -> None:
    y = catalogue(30, 100)
    outlook = paths.forecast(fit(y), 26)
    drawn = paths.sample(outlook, 6000, seed=1).astype(float)
    live = outlook.mean[:, -1] > 2
    total = drawn.cumsum(axis=1)
    for week in (0, 3, 12, 25):
        mean = total[:, week].mean(axis=0)
        assert mean[live] == pytest.approx(outlook.mean[live, week], rel=0.15)
        assert mean.sum() == pytest.approx(outlook.mean[:, week].sum(), rel=0.03)
    for week in (7, 12, 25):
        ratio = total[:, week].var(axis=0)[live] / outlook.variance[live, week]
        assert 0.75 < np.median(ratio) < 1.3
    assert (drawn >= 0).all()


def test_paths_are_seeded() -> None:
    outlook = paths.forecast(fit(catalogue(20, 50)), 5)
    assert (paths.sample(outlook, 50, 3) == paths.sample(outlook, 50, 3)).all()
    assert (paths.sample(outlook, 50, 3) != paths.sample(outlook, 50, 4)).any()


def test_paths_share_what_the_catalogue_shares() -> None:
    rng = np.random.default_rng(12)
    apart = rng.poisson(30, (40, 100)).astype(float)
    together = rng.poisson(30 * rng.gamma(20, 1 / 20, 100), (40, 100)).astype(float)
    spreads = []
    for y in (apart, together):
        made = fit(y)
        drawn = paths.sample(paths.forecast(made, 4), 3000, 5, paths.shared_luck(made))
        spreads.append(drawn[:, 1].sum(axis=1).std() / drawn[:, 1].sum(axis=1).mean())
    assert spreads[0] < 0.06
    assert spreads[1] == pytest.approx(20**-0.5, rel=0.35)


def test_known_orders_consume_the_forecast() -> None:
    drawn = np.array([[[4.0], [4.0], [4.0], [4.0]]], dtype=np.float32)
    known = np.array([[0.0], [10.0], [0.0], [1.0]])
    assert paths.consume(drawn, known, carry=0.5)[0, :, 0].tolist() == [4.0, 10.0, 1.0, 4.0]
    assert (paths.consume(drawn, np.zeros((4, 1))) == drawn).all()


def test_a_forecast_says_what_it_is_of() -> None:
    got = paths.forecast(fit(catalogue(20, 40)), 3)
    assert isinstance(got, Forecast)
    assert got.quantiles(cumulative=False).shape == (20, 3, 5)
    assert got.mean[:, 2] == pytest.approx(got.week_mean.sum(axis=1))
