"""Rearrangement tests against scipy and hand counts; the trend against statsmodels."""

import math
from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from sleepbrux.analysis.comparison import rearrangement_test, trend_over_nights


def studentised(y, h, at, others):
    # each condition's own spread, hours alike: (n / (n - 1)) squared times the sum of squares over the total
    parts = [y[k] for k in (at, others)]
    means = [v.sum() / h[k].sum() for v, k in zip(parts, (at, others), strict=True)]
    variances = [(len(v) / (len(v) - 1)) ** 2 * ((v - v.mean()) ** 2).sum() / v.sum() ** 2 for v in parts]
    floors = [0.25 / v.sum() for v in parts]
    return abs(math.log(means[0] / means[1])) / math.sqrt(sum(map(max, variances, floors)))


def test_randomised_nights_are_all_rearranged():
    y, h = np.array([20, 25, 22, 40, 35, 45, 50.0]), np.full(7, 7.0)
    found = rearrangement_test(y, h, [True] * 3 + [False] * 4, "randomised nights")
    assert (found.arrangements, found.exact) == (35, True)
    values = [
        studentised(y, h, list(at), [i for i in range(7) if i not in at]) for at in combinations(range(7), 3)
    ]
    seen = studentised(y, h, [0, 1, 2], [3, 4, 5, 6])
    assert found.p == pytest.approx(sum(v >= seen - 1e-9 for v in values) / 35)
    assert found.least_p == pytest.approx(1 / 35)


@pytest.mark.shows("outside-compare")
def test_pairs_are_the_sign_flips_of_scipy():
    # pairs (blocks of two) with equal hours: labels change places inside a pair only
    a, b = np.array([20, 25, 22, 30, 18.0]), np.array([40, 35, 45, 50, 28.0])
    y = np.column_stack((a, b)).ravel()
    found = rearrangement_test(
        y, np.full(10, 7.0), [True, False] * 5, "randomised blocks", [k // 2 for k in range(10)]
    )

    def statistic(x, z):
        return abs(math.log(x.sum() / z.sum()))

    outside = stats.permutation_test(
        (a, b),
        statistic,
        permutation_type="samples",
        n_resamples=np.inf,
        alternative="greater",
        vectorized=False,
    )
    assert found.arrangements == 32
    assert found.p == pytest.approx(outside.pvalue)
    assert found.least_p == pytest.approx(2 / 32)


def test_many_nights_are_drawn_and_agree_with_scipy():
    rng = np.random.default_rng(3)
    y, h = rng.poisson(30, 24).astype(float), np.full(24, 7.0)
    y[:12] += 4
    found = rearrangement_test(y, h, [True] * 12 + [False] * 12, "as it came")
    assert not found.exact
    assert "cannot be known" in found.assumption

    def statistic(x, z, axis):
        both = np.concatenate((x, z))
        return studentised(both, np.full(24, 7.0), list(range(12)), list(range(12, 24)))

    outside = stats.permutation_test(
        (y[:12], y[12:]),
        lambda x, z: statistic(x, z, -1),
        vectorized=False,
        n_resamples=4000,
        alternative="greater",
        rng=1,
    )
    assert found.p == pytest.approx(outside.pvalue, abs=0.025)


def test_under_no_effect_the_test_keeps_its_level():
    rng = np.random.default_rng(5)
    p = [
        rearrangement_test(
            rng.poisson(20 * rng.gamma(4, 0.25, 8)),
            np.full(8, 7.0),
            [True] * 4 + [False] * 4,
            "randomised nights",
        ).p
        for _ in range(300)
    ]
    assert np.mean(np.array(p) <= 0.05) <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / 300)


def test_the_trend_is_least_squares_of_statsmodels():
    rng = np.random.default_rng(2)
    days = np.array([0, 1, 2, 5, 6, 7, 9, 12.0])
    conditions = ["none", "splint"] * 4
    y, h = rng.poisson(30, 8), rng.uniform(6, 8, 8)
    found = trend_over_nights(y, h, conditions, days)
    x = np.column_stack((np.ones(8), np.array([c == "splint" for c in conditions]), days))
    fit = sm.OLS(np.log((y + 0.5) / h), x.astype(float)).fit()
    assert found.factor_per_week == pytest.approx(np.exp(7 * fit.params[2]))
    assert (found.low, found.high) == pytest.approx(np.exp(7 * fit.conf_int()[2]))
    assert found.p == pytest.approx(fit.pvalues[2])


def test_phases_that_are_time_itself_have_no_trend():
    assert trend_over_nights([9, 8], [7, 7], ["a", "b"], [0, 1]) is None
    same_day = trend_over_nights([9, 8, 9, 8, 9], [7] * 5, ["a"] * 5, [3] * 5)
    assert same_day is None


def test_neighbours_alike_are_seen():
    rest = np.sin(np.arange(20) / 3) * 10 + 30
    found = trend_over_nights(rest, [7] * 20, ["none"] * 20, list(range(20)))
    assert found.lag_1 > 0.5


@pytest.mark.parametrize("events", [[20] * 8, [0] * 8, [7, 3] * 4, [1234567] * 8])
@pytest.mark.parametrize("hours", [7, 6.9, 7.123456789, 1 / 3])
@pytest.mark.shows("wrong-count")
def test_nights_of_equal_rates_have_no_trend_and_no_likeness_of_neighbours(events, hours):
    """What arithmetic leaves of equal nights differs from one processor to another, and means nothing."""
    days = [0, 1, 2, 5, 6, 7, 9, 12]
    assert trend_over_nights(events, [hours] * 8, ["none", "splint"] * 4, days) is None
    assert trend_over_nights(events, [hours] * 8, ["none", "splint"] * 4, list(range(8))) is None


def test_the_least_difference_of_one_night_is_enough_for_a_trend():
    hours = [7.0] * 7 + [7.0 + 1 / 3600]
    found = trend_over_nights([20] * 8, hours, ["none"] * 8, list(range(8)))
    assert found.lag_1 is not None
    assert found.factor_per_week == pytest.approx(1, abs=1e-3)
