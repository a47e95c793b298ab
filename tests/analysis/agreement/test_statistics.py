"""Kappa, intraclass correlation and limits of agreement: against other libraries and published examples."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from sleepbrux.analysis.agreement.statistics import (
    bland_altman,
    bland_altman_over_persons,
    icc,
    icc_over_persons,
    kappa,
    over_nights,
    ratio,
    specific,
)

# Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, tables 2 and 4: six targets, four judges.
SHROUT_FLEISS = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]
# Bland JM, Altman DG. Lancet 1986;i:307-310: peak expiratory flow of 17 persons, first readings, l/min,
# by a Wright and a mini Wright meter. Data from memory; that every figure the paper prints comes out of
# them (mean, SD, limits, five intervals) is what the test below checks.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

tables = st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=3, max_size=3)


@pytest.mark.shows("outside-agreement")
@settings(deadline=None, derandomize=True, max_examples=60)
@given(tables)
def test_kappa_is_that_of_scikit_learn_and_statsmodels(rows):
    table = np.array(rows, dtype=float)
    found = kappa(table)
    a = [i for i in range(3) for j in range(3) for _ in range(int(table[i, j]))]
    b = [j for i in range(3) for j in range(3) for _ in range(int(table[i, j]))]
    if found is None:
        assert not a or (len(set(a)) == 1 and set(a) == set(b))
        return
    assert found == pytest.approx(cohen_kappa_score(a, b), abs=1e-12)
    assert found == pytest.approx(cohens_kappa(table, return_results=False), abs=1e-12)


def test_a_rare_event_has_low_kappa_and_high_agreement_on_absence():
    table = np.array([[980.0, 8.0], [8.0, 4.0]])
    on_absence, on_presence = specific(table)
    assert kappa(table) == pytest.approx(0.325, abs=0.001)
    assert on_absence == pytest.approx(2 * 980 / (988 + 988))
    assert on_presence == pytest.approx(8 / 24)


@pytest.mark.shows("outside-agreement")
def test_the_published_intraclass_correlations_come_out():
    found = {one.name: one for one in icc(SHROUT_FLEISS)}
    published = {
        "ICC(1,1)": 0.17,
        "ICC(2,1)": 0.29,
        "ICC(3,1)": 0.71,
        "ICC(1,k)": 0.44,
        "ICC(2,k)": 0.62,
        "ICC(3,k)": 0.91,
    }
    assert {name: round(one.value, 2) for name, one in found.items()} == published


@pytest.mark.shows("outside-agreement")
@pytest.mark.filterwarnings("ignore:The inplace keyword")  # inside the other library
@pytest.mark.parametrize("seed", range(6))
def test_intraclass_correlations_and_intervals_are_those_of_pingouin(seed):
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(4, 15)), int(rng.integers(2, 5))
    values = rng.normal(5, 2, (n, 1)) + rng.normal(0, 1, (n, k)) + rng.normal(0, 0.7, k)
    long = pd.DataFrame(
        [(i, j, values[i, j]) for i in range(n) for j in range(k)], columns=["target", "rater", "v"]
    )
    theirs = pingouin.intraclass_corr(long, targets="target", raters="rater", ratings="v")
    ci = next(c for c in theirs.columns if c.startswith("CI95"))
    for one, (_, row) in zip(icc(values), theirs.iterrows(), strict=True):
        assert one.value == pytest.approx(row["ICC"], abs=1e-9), one.name
        assert (one.low, one.high) == pytest.approx(tuple(row[ci]), abs=0.0051), one.name


def test_an_intraclass_correlation_of_nothing_is_refused():
    for values in ([[1, 2]], [[1], [2]], [[3, 3], [3, 3]]):
        with pytest.raises(ValueError, match="needs two targets"):
            icc(values)
    assert icc([[1, 1], [2, 2], [3, 3]])[1].value == 1.0


def test_absolute_agreement_falls_with_a_bias_and_consistency_does_not():
    one = np.array([2.0, 3.1, 4.4, 5.0, 7.2])
    found = {i.name: i.value for i in icc(np.stack((one, one + 3), axis=1))}
    assert found["ICC(3,1)"] == pytest.approx(1)
    assert found["ICC(2,1)"] < 0.5


@pytest.mark.shows("outside-agreement")
def test_the_published_limits_of_agreement_come_out():
    # the paper takes 2 standard deviations
    found = bland_altman(WRIGHT, MINI, factor=2)
    assert round(found.bias, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    # printed: -79.7 and 75.5, from the rounded mean and SD
    assert (found.lower, found.upper) == pytest.approx((-79.7, 75.5), abs=0.11)
    assert found.bias_ci == pytest.approx((-22.0, 17.8), abs=0.15)
    assert found.lower_ci == pytest.approx((-114.3, -45.1), abs=0.3)
    assert found.upper_ci == pytest.approx((40.9, 110.1), abs=0.3)


def several(rng, persons, nights, between=1.5, within=1.0):
    """Differences of nights of persons, and whose they are."""
    d = 0.5 + rng.normal(0, between, (persons, 1)) + rng.normal(0, within, (persons, nights))
    return d.ravel(), [f"p{k}" for k in range(persons) for _ in range(nights)]


def test_limits_over_persons_with_one_night_each_are_the_plain_ones():
    rng = np.random.default_rng(2)
    d, persons = several(rng, 12, 1)
    plain = bland_altman(d, np.zeros(12))
    found = bland_altman_over_persons(d, np.zeros(12), persons)
    assert (found.bias, found.lower, found.upper) == (plain.bias, plain.lower, plain.upper)
    assert found.persons == 12


def test_the_bias_over_persons_is_the_t_interval_of_their_means():
    d, persons = several(np.random.default_rng(3), 6, 5)
    found = bland_altman_over_persons(d, np.zeros(30), persons)
    t = stats.ttest_1samp(d.reshape(6, 5).mean(axis=1), 0).confidence_interval()
    assert found.bias_ci == pytest.approx(tuple(t))
    # variance of a single night by hand: means' variance plus four fifths of that within
    table = d.reshape(6, 5)
    variance = table.mean(axis=1).var(ddof=1) + 0.8 * table.var(axis=1, ddof=1).mean()
    assert found.sd == pytest.approx(np.sqrt(variance))


@pytest.mark.parametrize(("persons", "nights"), [(4, 7), (7, 4), (10, 5)])
def test_intervals_over_persons_cover_where_those_over_nights_do_not(persons, nights):
    rng = np.random.default_rng(4)
    truth = (0.5, 0.5 - 1.96 * np.sqrt(1.5**2 + 1), 0.5 + 1.96 * np.sqrt(1.5**2 + 1))
    inside = np.zeros((2, 3))
    runs = 400
    for _ in range(runs):
        d, whose = several(rng, persons, nights)
        zero = np.zeros(len(d))
        for k, found in enumerate((bland_altman_over_persons(d, zero, whose), bland_altman(d, zero))):
            cis = (found.bias_ci, found.lower_ci, found.upper_ci)
            inside[k] += [low <= v <= high for v, (low, high) in zip(truth, cis, strict=True)]
    inside /= runs
    assert (inside[0] >= 0.925).all(), inside
    assert inside[1, 0] < 0.85


def test_pooled_figures_draw_persons_again_where_they_are_known():
    rng = np.random.default_rng(5)
    covers = np.zeros(2)
    runs = 60
    for _ in range(runs):
        p = np.repeat(np.clip(rng.normal(0.8, 0.1, 10), 0, 1), 6)
        n = rng.poisson(20, 60)
        hits = rng.binomial(n, p)
        counts = list(np.stack((hits, n - hits), axis=1))
        persons = [f"p{k}" for k in range(10) for _ in range(6)]
        for k, whose in enumerate((persons, None)):
            found = over_nights(counts, lambda c: ratio(c[0], c[0] + c[1]), whose)
            covers[k] += found.low <= 0.8 <= found.high
    assert covers[0] / runs > 0.83
    assert covers[1] / runs < covers[0] / runs - 0.15
    assert (
        "10 persons resampled with all their nights"
        in over_nights(counts, lambda c: ratio(c[0], c.sum()), persons).meaning
    )


def test_the_icc_over_persons_has_the_same_value_and_wider_limits():
    rng = np.random.default_rng(6)
    level = np.repeat(rng.normal(5, 2, 8), 5)
    x = np.column_stack((level, level + np.repeat(rng.normal(0, 1, 8), 5))) + rng.normal(0, 0.3, (40, 2))
    persons = [f"p{k}" for k in range(8) for _ in range(5)]
    plain, own = icc(x), icc_over_persons(x, persons)
    assert [i.value for i in own] == [i.value for i in plain]
    for a, b in zip(own, plain, strict=True):
        if a.name in ("ICC(1,1)", "ICC(3,1)"):
            assert a.high - a.low > b.high - b.low


def test_an_interval_over_nights_needs_nights():
    one = over_nights([(3, 1)], lambda c: ratio(c[0], c.sum()))
    assert (one.value, one.low, one.meaning) == (0.75, None, "no interval from one night")
    same = over_nights([(3, 1)] * 8, lambda c: ratio(c[0], c.sum()))
    assert (same.low, same.high) == (0.75, 0.75)
    few = over_nights([(3, 1), (1, 3)], lambda c: ratio(c[0], c.sum()))
    assert (few.low, few.high) == (0.25, 0.75)
    assert "2 nights are few" in few.meaning


def test_the_interval_over_nights_covers_about_as_often_as_it_says():
    """Nights of different sensitivity: the pooled figure of a further large sample lies inside."""
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(80):
        p = np.clip(rng.normal(0.8, 0.08, 20), 0, 1)
        n = rng.poisson(30, 20)
        hits = rng.binomial(n, p)
        found = over_nights(list(np.stack((hits, n - hits), axis=1)), lambda c: ratio(c[0], c[0] + c[1]))
        inside += found.low <= 0.8 <= found.high
    assert 0.86 <= inside / 80 <= 0.99


@pytest.mark.parametrize("shift", [0.0, 0.1, 1 / 3])
def test_scorings_that_differ_by_a_constant_are_perfectly_consistent_and_not_by_rounding(shift):
    x = np.array([3.3, 4.1, 7.7, 1.2, 9.9, 0.1])
    found = {one.name: one for one in icc(np.column_stack((x, x + shift)))}
    assert (found["ICC(3,1)"].value, found["ICC(3,1)"].low, found["ICC(3,1)"].high) == (
        1.0,
        1.0,
        1.0,
    )
    if shift == 0:
        assert {(one.value, one.low, one.high) for one in found.values()} == {(1.0, 1.0, 1.0)}
