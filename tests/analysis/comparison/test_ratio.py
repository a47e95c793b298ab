"""The rate ratio: quasi-Poisson and Welch against statsmodels, scipy and hand counts."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from sleepbrux.analysis.comparison import CountedNight, compare_nights, holm, rate_ratio
from sleepbrux.analysis.comparison.rules import RULES
from sleepbrux.core.errors import UsageError

RNG = np.random.default_rng(7)


def quasi(ya, ha, yb, hb):
    """The model by statsmodels: Poisson, log link, log hours as offset, Pearson's X² as scale."""
    y, h = np.r_[ya, yb], np.r_[ha, hb]
    x = np.column_stack((np.ones(len(y)), np.r_[np.ones(len(ya)), np.zeros(len(yb))]))
    fit = sm.GLM(y, x, family=sm.families.Poisson(), offset=np.log(h)).fit(scale="X2", use_t=True)
    return fit, np.exp(fit.conf_int()[1])


@pytest.mark.shows("outside-compare")
@pytest.mark.parametrize("seed", range(6))
def test_the_pooled_form_is_the_quasi_poisson_model_of_statsmodels(seed):
    rng = np.random.default_rng(seed)
    n = (5, 6)
    hours = [rng.uniform(5, 8, k) for k in n]
    counts = [rng.poisson(m * rng.gamma(9, 1 / 9, len(h)) * h) for m, h in zip((4, 5), hours, strict=True)]
    found = rate_ratio(counts[0], hours[0], counts[1], hours[1])
    fit, (low, high) = quasi(counts[0], hours[0], counts[1], hours[1])
    assert found.ratio == pytest.approx(np.exp(fit.params[1]), rel=1e-8)
    if found.method == "quasi-Poisson":
        assert (found.low, found.high) == pytest.approx((low, high), rel=1e-6)
        assert found.p == pytest.approx(fit.pvalues[1], rel=1e-6)
        assert found.df == fit.df_resid


def test_both_forms_are_met():
    alike = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4)
    assert (alike.method, alike.df) == ("quasi-Poisson", 6)
    unlike = rate_ratio([20, 21, 22, 20], [7] * 4, [10, 80, 45, 50], [7] * 4)
    assert unlike.method == "Welch"
    assert "dispersions differ" in unlike.why_method
    few = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50] * 2, [7] * 8)
    assert few.method == "Welch"
    assert "numbers of nights" in few.why_method


@pytest.mark.shows("outside-compare")
def test_welch_is_the_log_of_two_means_with_hc3_of_statsmodels():
    y, h = np.array([20, 21, 22, 20, 10, 80, 45, 50]), np.array([7, 6.5, 7, 6, 7, 7, 5, 7.0])
    found = rate_ratio(y[:4], h[:4], y[4:], h[4:])
    # HC3 of a weighted mean in each group: the rate is the mean of y / h weighted by h
    parts = []
    for k in (slice(0, 4), slice(4, 8)):
        fit = sm.WLS(y[k] / h[k], np.ones(4), weights=h[k]).fit(cov_type="HC3")
        parts.append(max((fit.bse[0] / fit.params[0]) ** 2, 0.25 / y[k].sum()))  # the floor
    se = np.sqrt(sum(parts))
    df = sum(parts) ** 2 / sum(v**2 / 3 for v in parts)
    half = stats.t.ppf(0.975, df) * se
    assert np.log(found.high) - np.log(found.ratio) == pytest.approx(half, rel=1e-9)
    assert found.df == pytest.approx(df, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 200), min_size=2, max_size=9),
    st.lists(st.integers(0, 200), min_size=2, max_size=9),
)
def test_exchanging_the_conditions_inverts_the_ratio(a, b):
    if sum(a) + sum(b) == 0:
        with pytest.raises(UsageError, match="no event on any night"):
            rate_ratio(a, [7] * len(a), b, [7] * len(b))
        return
    one, other = (
        rate_ratio(a, [7] * len(a), b, [7] * len(b)),
        rate_ratio(b, [7] * len(b), a, [7] * len(a)),
    )
    assert one.ratio * other.ratio == pytest.approx(1)
    assert one.low * other.high == pytest.approx(1)
    assert one.p == pytest.approx(other.p)
    assert one.low < one.ratio < one.high


def test_longer_nights_do_not_change_a_rate():
    short = rate_ratio([10, 12, 9, 11], [3.5] * 4, [20, 18, 26, 22], [7] * 4)
    assert short.ratio == pytest.approx((42 / 14) / (86 / 28))


def test_a_condition_without_events_has_half_an_event_and_says_so():
    found = rate_ratio([0, 0, 0, 0], [7] * 4, [20, 25, 22, 30], [7] * 4)
    assert found.zero
    assert found.ratio == pytest.approx(0.5 / 97.5)
    assert found.method == "Welch"
    assert found.df == 6
    # variance: the other's dispersion, at least 1, over 0.5 and over 97.5 events
    se = np.sqrt(1 / 0.5 + 1 / 97.5)
    assert np.log(found.high / found.ratio) == pytest.approx(2.4469 * se, rel=1e-3)
    assert found.high < 1
    assert rate_ratio([0, 0, 0, 0], [7] * 4, [1, 1, 0, 1], [7] * 4).high > 1


def test_equal_nights_are_not_taken_for_certainty():
    found = rate_ratio([20] * 4, [7] * 4, [30] * 4, [7] * 4)
    # floor: a quarter of counting noise; t(0.975, 6) = 2.4469 (printed tables)
    se = np.sqrt(0.25 * (1 / 80 + 1 / 120))
    assert np.log(found.high / found.ratio) == pytest.approx(2.4469 * se, rel=1e-4)


def test_one_night_has_no_ratio():
    with pytest.raises(UsageError, match="two nights or more"):
        rate_ratio([20], [7], [10, 12], [7, 7])


@pytest.mark.parametrize("n", [1, 2, 3, 6])
def test_holm_is_that_of_statsmodels(n):
    p = np.random.default_rng(n).random(n) ** 3
    assert holm(p) == pytest.approx(tuple(multipletests(p, method="holm")[1]), abs=1e-12)


@pytest.mark.shows("outside-compare")
def test_gallo_2002_from_its_summary_data():
    # Gallo 2002, episodes/h 20.4 ± 5.7 against 12.9 ± 3.5, 10 + 10: t = 3.55, computed from the published
    # means and SDs. A rate without counting, 10 values each with exactly these means and SDs:
    shape = stats.norm.ppf((np.arange(10) + 0.5) / 10)
    shape = (shape - shape.mean()) / shape.std(ddof=1)
    a, b = 20.4 + 5.7 * shape, 12.9 + 3.5 * shape
    assert stats.ttest_ind(a, b).statistic == pytest.approx(3.55, abs=0.005)
    found = rate_ratio(a, [1] * 10, b, [1] * 10, counts=False)
    assert found.ratio == pytest.approx(20.4 / 12.9, rel=0.02)  # geometric means, spreads nearly alike
    # Welch on the logarithms of the nights, against scipy
    t = stats.ttest_ind(np.log(a), np.log(b), equal_var=False)
    assert found.p == pytest.approx(t.pvalue)
    assert np.log([found.low, found.high]) == pytest.approx(tuple(t.confidence_interval()))
    assert found.ratio == pytest.approx(np.exp(np.log(a).mean() - np.log(b).mean()))
    assert found.p < 0.01


def test_two_e_tests_differ_and_ours_is_neither():
    # statsmodels: rates 60 in 51477 against 30 in 54308 (its worked example, Gu 2008); counting noise only
    from statsmodels.stats.rates import test_poisson_2indep

    exposure = (51477.5, 54308.7)
    wald = test_poisson_2indep(60, exposure[0], 30, exposure[1], method="wald").pvalue
    score = test_poisson_2indep(60, exposure[0], 30, exposure[1], method="etest-score").pvalue
    e_wald = test_poisson_2indep(60, exposure[0], 30, exposure[1], method="etest-wald").pvalue
    assert score != e_wald
    assert max(wald, score, e_wald) < 0.002
    # the same totals as nights that vary: the spread of nights decides, not the totals
    spread = rate_ratio([5, 25, 10, 20], [7] * 4, [2, 13, 5, 10], [7] * 4)
    assert spread.p > 0.05


def test_every_rule_has_a_reason():
    assert all(rule.reason and rule.key for rule in RULES)
    assert len({rule.key for rule in RULES}) == len(RULES)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("order", ["randomised nights", "planned phases"])
def test_few_wild_nights_give_limits_that_are_numbers(order):
    wild = [("none", 0), ("none", 100_000), ("splint", 0), ("splint", 3), ("splint", 50_000)]
    nights = [CountedNight(f"n{k}", c, float(e), (7.0, 0.01)[k % 2]) for k, (c, e) in enumerate(wild)]
    found = compare_nights(nights, order=order, keep_first_night=True)
    (contrast,) = found.contrasts
    for part in filter(None, (contrast.ratio, contrast.serial, contrast.prior)):
        assert 1e-6 <= part.low <= part.ratio <= part.high <= 1e6
    assert contrast.ratio.high == 1e6
    assert len(contrast.sentence) < 400
