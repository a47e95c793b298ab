"""Many persons: against statsmodels, scipy and pingouin, published values and hand counts."""

import dataclasses
import json
import sys

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats

from sleepbrux.analysis.cohort import (
    PersonNight,
    compare_cohort,
    crossover,
    icc_one_way,
    log_ratios,
    nested_limits,
    nights_for_reliability,
    read_cohort,
    spearman_brown,
)
from sleepbrux.analysis.cohort.gee import by_gee
from sleepbrux.analysis.comparison import holm
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.report.cohort_page import render_cohort
from tests.cli.conftest import called


def invented(persons, nights=4, *, ratio=0.6, seed=1, crossed=False):
    """Persons with own rates, nights that vary, and a common ratio."""
    rng = np.random.default_rng(seed)
    out = []
    for p in range(persons):
        base = rng.gamma(4, 8)
        sequence = ("AB", "BA")[p % 2]
        for condition in ("none", "splint"):
            for k in range(nights):
                mean = base * (ratio if condition == "splint" else 1) * rng.gamma(10, 0.1)
                hours = rng.uniform(6, 8)
                period = str(1 + (sequence.index("A" if condition == "none" else "B")))
                out.append(
                    PersonNight(
                        f"p{p}",
                        condition,
                        float(rng.poisson(mean * hours / 7)),
                        hours,
                        period if crossed else "",
                        sequence if crossed else "",
                        f"n{k}",
                    )
                )
    return out


def frame(nights):
    return pd.DataFrame(
        [
            {
                "person": n.person,
                "splint": float(n.condition == "splint"),
                "y": n.events,
                "h": n.hours,
                "period": n.period,
                "sequence": n.sequence,
            }
            for n in nights
        ]
    )


def test_a_gee_asked_for_by_name_is_that_of_statsmodels_with_t_and_reduced_bias():
    nights = invented(24)
    found = compare_cohort(nights, method="GEE")
    fit = smf.gee(
        "y ~ splint",
        "person",
        frame(nights),
        family=sm.families.Poisson(),
        cov_struct=sm.cov_struct.Exchangeable(),
        offset=np.log(frame(nights)["h"]),
    ).fit(cov_type="bias_reduced")
    (effect,) = found.effects
    assert found.method == "GEE"
    assert effect.df == 22
    assert np.log(effect.ratio) == pytest.approx(fit.params["splint"], rel=1e-6)
    half = stats.t.ppf(0.975, 22) * fit.bse["splint"]
    assert np.log(effect.high / effect.ratio) == pytest.approx(half, rel=1e-6)
    assert effect.low < 0.6 < effect.high
    assert "lower on average over these persons" in found.sentences[0]


def test_the_method_does_not_change_with_the_number_of_persons():
    for persons in (6, 19, 20, 40):
        assert compare_cohort(invented(persons, 2)).method == "log ratios"
    few = compare_cohort(invented(8), method="GEE")
    assert any("fewer than 20" in n for n in few.notes)


def test_a_gee_that_comes_to_no_result_is_a_sentence():
    nights = [
        PersonNight(f"p{p}", c, 0.0 if c == "splint" else 5.0, 7.0)
        for p in range(3)
        for c in ("none", "splint")
    ]
    found = compare_cohort(nights, method="GEE")
    assert found.effects == ()
    assert "did not come to a result" in found.sentences[0]
    assert "nan" not in " ".join(found.sentences)


def test_three_appliances_are_under_holm_with_one_sentence_each():
    nights = []
    for k, name in enumerate(("a", "b", "c")):
        nights += [
            PersonNight(n.person, name if n.condition == "splint" else "none", n.events, n.hours)
            for n in invented(10, seed=20 + k, ratio=0.7)
        ]
    found = compare_cohort(nights)
    tested = [e for e in found.effects if e.p_holm is not None]
    assert [e.p_holm for e in tested] == pytest.approx(holm([e.p for e in tested]))
    assert [s.split(":")[0] for s in found.sentences] == ["a / none", "b / none", "c / none"]
    assert all("after Holm" in s for s, e in zip(found.sentences, tested, strict=True) if e.p != e.p_holm)


def test_without_an_effect_one_of_three_appliances_is_told_in_at_most_5_percent():
    rng = np.random.default_rng(8)
    told, runs = 0, 250
    for _ in range(runs):
        nights = [
            PersonNight(f"p{p}", c, float(rng.poisson(30 * base * rng.gamma(8, 1 / 8))), 7.0)
            for p, base in enumerate(rng.gamma(4, 0.25, 8))
            for c in ("none", "a", "b", "c")
            for _ in range(3)
        ]
        told += any("on average" in s for s in compare_cohort(nights).sentences)
    assert told / runs <= 0.05 + 3 * np.sqrt(0.0475 / runs)


def test_a_crossover_has_one_sentence_and_names_period_and_carry_over():
    found = compare_cohort(invented(10, crossed=True))
    assert [e.term for e in found.effects] == ["splint / none", "period 2", "carry-over (AB / BA)"]
    assert found.effects[0] == dataclasses.replace(
        crossover(invented(10, crossed=True), "splint", "none")[0], p_holm=found.effects[0].p_holm
    )
    assert len(found.sentences) == 1
    note = next(n for n in found.notes if n.startswith("Crossover"))
    assert "carry-over" in note
    assert "period taken out" in note
    broken = [dataclasses.replace(n, sequence="") for n in invented(10, crossed=True)]
    assert any("is no crossover" in n for n in compare_cohort(broken).notes)


def test_the_carry_over_term_is_the_two_sample_t_test_of_the_levels():
    nights = invented(10, crossed=True, seed=4)
    carry = crossover(nights, "splint", "none")[2]
    levels = {"AB": [], "BA": []}
    for p in range(10):
        own = [n for n in nights if n.person == f"p{p}"]
        logs = [
            np.log((sum(n.events for n in g) + 0.5) / sum(n.hours for n in g))
            for g in ([n for n in own if n.condition == c] for c in ("none", "splint"))
        ]
        levels[own[0].sequence].append(np.mean(logs))
    t = stats.ttest_ind(levels["AB"], levels["BA"])
    assert carry.p == pytest.approx(t.pvalue)
    assert np.log(carry.ratio) == pytest.approx(np.mean(levels["AB"]) - np.mean(levels["BA"]))


def test_persons_with_one_night_are_named():
    nights = [n for n in invented(6) if n.person != "p2" or n.condition == "none" or n.night == "n0"]
    assert any("one night only under some condition: p2" in n for n in compare_cohort(nights).notes)


def test_a_gee_of_a_crossover_has_period_and_sequence_in_the_model():
    found = compare_cohort(invented(24, crossed=True), method="GEE")
    assert [e.term for e in found.effects] == ["splint / none", "period 2", "sequence BA"]
    assert found.effects[0].df == 20


def test_fewer_persons_are_one_log_ratio_each():
    nights = invented(9)
    found = compare_cohort(nights)
    logs = np.log([r.ratio for r in log_ratios(nights, "splint", "none")])
    t = stats.ttest_1samp(logs, 0)
    (effect,) = found.effects
    assert found.method == "log ratios"
    assert effect.p == pytest.approx(t.pvalue)
    interval = t.confidence_interval()
    assert (effect.low, effect.high) == pytest.approx(np.exp([interval.low, interval.high]))
    assert found.wilcoxon_p["splint"] == pytest.approx(stats.wilcoxon(logs).pvalue)


def test_a_crossover_of_few_persons_takes_the_period_out():
    # each sequence: a true ratio of 0.5 and a second period with twice the rate of the first
    nights = []
    for p in range(6):
        sequence = ("AB", "BA")[p % 2]
        for letter in sequence:
            period = 1 + sequence.index(letter)
            mean = (40 + p) * (0.5 if letter == "B" else 1) * period
            worn = "splint" if letter == "B" else "none"
            nights += [PersonNight(f"p{p}", worn, mean, 7.0, str(period), sequence, str(k)) for k in range(3)]
    effect, period, _ = crossover(nights, "splint", "none")
    assert effect.ratio == pytest.approx(0.5)
    assert period.ratio == pytest.approx(2)
    assert crossover(invented(6), "splint", "none") is None


def test_the_crossover_interval_is_a_t_test_of_scipy():
    nights = invented(10, crossed=True, seed=4)
    effect, period, _ = crossover(nights, "splint", "none")
    logs = {s: [] for s in ("AB", "BA")}
    sequence = {n.person: n.sequence for n in nights}
    for r in log_ratios(nights, "splint", "none"):
        logs[sequence[r.person]].append(np.log(r.ratio))
    # half the difference of the sequences is the period, its p that of the two-sample t test
    t = stats.ttest_ind(logs["AB"], logs["BA"])
    assert period.p == pytest.approx(t.pvalue)
    assert np.log(period.ratio) == pytest.approx((np.mean(logs["AB"]) - np.mean(logs["BA"])) / 2)
    half = (t.confidence_interval().high - t.confidence_interval().low) / 4
    assert np.log(effect.high / effect.ratio) == pytest.approx(half)


@pytest.mark.filterwarnings("ignore")  # of pingouin about pandas
def test_the_icc_is_that_of_pingouin():
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1, (12, 1)) + rng.normal(0, 0.8, (12, 5))
    table = pd.DataFrame(values).melt(ignore_index=False).reset_index()
    table.columns = ["person", "night", "value"]
    outside = pingouin.intraclass_corr(table, "person", "night", "value").iloc[0]
    icc, low, high = icc_one_way(list(values))
    assert icc == pytest.approx(outside["ICC"], abs=1e-9)
    ends = next(outside[c] for c in ("CI95%", "CI95") if c in outside.index)
    assert (low, high) == pytest.approx(tuple(ends), abs=0.006)


def test_the_icc_of_shrout_and_fleiss():
    # Shrout & Fleiss 1979, table 2: six targets, four judges; published ICC(1,1) 0.17
    table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    assert icc_one_way([np.array(row) for row in table])[0] == pytest.approx(0.166, abs=0.001)
    assert icc_one_way([np.array([1.0]), np.array([2.0])]) is None


def test_nights_for_a_reliability_of_published_iccs():
    # computed from Deregibus 2014 (ICC 0.74, 0.69, 0.53), if those are of single nights
    wanted = {0.74: (1.4, 3.2), 0.69: (1.8, 4.0), 0.53: (3.5, 8.0)}
    for icc, pair in wanted.items():
        for target, n in zip((0.8, 0.9), pair, strict=True):
            assert nights_for_reliability(icc, target) == pytest.approx(n, abs=0.06)
            assert spearman_brown(icc, nights_for_reliability(icc, target)) == pytest.approx(target)
    assert nights_for_reliability(0, 0.8) is None


def test_nested_limits_are_plain_bland_altman_with_one_night_each():
    rng = np.random.default_rng(5)
    a, b = rng.normal(10, 3, 30), rng.normal(9, 3, 30)
    # one night has no within-variance of its own: take two equal nights, so that within is 0
    found = nested_limits([np.array([v, v]) for v in a], [np.array([v, v]) for v in b])
    d = a - b
    assert found[0] == pytest.approx(d.mean())
    assert (found[4], found[5]) == pytest.approx(
        (d.mean() - 1.96 * d.std(ddof=1), d.mean() + 1.96 * d.std(ddof=1))
    )


def test_nested_limits_hold_95_percent_of_single_differences():
    rng = np.random.default_rng(6)
    true = rng.normal(-1, 1.5, 400)
    first = [5 + t + rng.normal(0, 1.0, 3) for t in true]
    second = [5 + rng.normal(0, 0.7, 4) for _ in true]
    bias, between, sd_a, sd_b, low, high = nested_limits(first, second)
    assert (bias, between, sd_a, sd_b) == pytest.approx((-1, 1.5, 1.0, 0.7), abs=0.15)
    single = rng.normal(-1, 1.5, 20000) + rng.normal(0, 1.0, 20000) - rng.normal(0, 0.7, 20000)
    assert np.mean((single > low) & (single < high)) == pytest.approx(0.95, abs=0.015)


def test_haraki_2020_kappa_from_its_margins():
    # Haraki 2020: classes of 43 persons on two nights, margins 18/15/10 and 15/13/15, agreement 14, 10, 9;
    # kappa computed from these, whichever way the rest is filled
    from sklearn.metrics import cohen_kappa_score

    for table in ([[14, 2, 2], [1, 10, 4], [0, 1, 9]], [[14, 3, 1], [0, 10, 5], [1, 0, 9]]):
        assert np.sum(table, axis=1).tolist() == [18, 15, 10]
        assert np.sum(table, axis=0).tolist() == [15, 13, 15]
        pairs = [(i, j) for i in range(3) for j in range(3) for _ in range(table[i][j])]
        assert cohen_kappa_score(*zip(*pairs, strict=True)) == pytest.approx(0.652, abs=0.0005)


def test_hasegawa_2013_mcnemar_from_its_counts():
    # 5 of 8 low became moderate-high, 1 of 8 moderate-high became low: exact p 0.22, computed from these
    from statsmodels.stats.contingency_tables import mcnemar

    assert mcnemar([[3, 5], [1, 7]], exact=True).pvalue == pytest.approx(0.22, abs=0.002)
    assert stats.binomtest(1, 6).pvalue == pytest.approx(0.21875)


def test_van_der_zaag_2008_sdds_from_its_sems():
    # SDD = 1.96 x root 2 x SEM; SEMs published, SDDs computed, as the page shows them
    from sleepbrux.analysis.comparison.study import SDD

    for sem, sdd in (
        (2.1, "5.8"),
        (1.0, "2.8"),
        (14.9, "41.3"),
        (5.7, "15.8"),
        (0.4, "1.1"),
        (0.1, "0.28"),
    ):
        assert float(sdd) == pytest.approx(1.96 * np.sqrt(2) * sem, rel=0.015)
        assert sdd in SDD


def test_the_level_of_the_cohort_is_kept_without_an_effect():
    told = 0
    for seed in range(60):
        (effect,) = compare_cohort(invented(8, 3, ratio=1.0, seed=100 + seed)).effects
        told += effect.low > 1 or effect.high < 1
    assert told <= 8  # 5 % of 60 is 3; 8 or more have a chance of 1 %


def test_a_table_gives_a_page_and_json(tmp_path):
    rows = ["person,condition,events,valid_hours,period,sequence"]
    rows += [
        f"{n.person},{'<i>splint' if n.condition == 'splint' else 'none'},{n.events:g},{n.hours:.3f},"
        f"{n.period},{n.sequence}"
        for n in invented(6, crossed=True)
    ]
    (tmp_path / "t.csv").write_text("\n".join(rows), "utf-8")
    done = called("cohort", tmp_path / "t.csv", "--out", tmp_path)
    assert done.code == 0, done.err
    assert "Wilcoxon" in done.out
    page = (tmp_path / "cohort.report.html").read_text("utf-8")
    assert "<script" not in page
    assert "<i>splint" not in page
    assert "&lt;i&gt;splint" in page
    table = json.loads((tmp_path / "cohort.json").read_text("utf-8"))
    assert table["persons"] == 6
    nights = read_cohort(tmp_path / "t.csv")
    assert render_cohort(compare_cohort(nights), nights) == page


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("person,condition,events\na,none,3\n", "no column valid_hours"),
        ("person,condition,events,valid_hours\na,none,many,7\n", "line 2: events is 'many'"),
        ("person,condition,events,valid_hours\na,none,-1,7\n", "must be a number of 0 or more"),
        ("person,condition,events,valid_hours\n,none,1,7\n", "person is empty"),
        (
            "person,condition,events,valid_hours\na,none,1e308,7\n",
            "events is '1e308'; .* 1e.06 at most",
        ),
        ("person,condition,events,valid_hours\na,none,nan,7\n", "events is 'nan'"),
        ("person,condition,events,valid_hours\na,none,1,inf\n", "valid_hours is 'inf'"),
        (
            "person,condition,events,valid_hours\na,none,1,1e-300\n",
            "0.001 at least where it is not 0",
        ),
        ("person,condition,events,valid_hours\na,none,1,1e300\n", "10000 at most"),
        (
            "person,condition,events,valid_hours\n" + "a" * 140_000 + ",none,1,7\n",
            "line 2: field larger",
        ),
        ("", "the columns are none"),
    ],
)
def test_bad_tables_get_one_sentence(tmp_path, text, says):
    (tmp_path / "t.csv").write_text(text, "utf-8")
    with pytest.raises(StudyError, match=says):
        read_cohort(tmp_path / "t.csv")


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(UsageError, match="no night under the baseline"):
        compare_cohort([PersonNight("a", "splint", 3, 7)])
    with pytest.raises(UsageError, match="two persons or more"):
        compare_cohort([PersonNight("a", "none", 3, 7), PersonNight("a", "splint", 3, 7)])


def test_the_largest_and_the_smallest_numbers_that_a_table_may_hold_end_in_a_result(tmp_path):
    values = [
        ("0", "0"),
        ("1e6", "0.001"),
        ("0", "10000"),
        ("1e6", "10000"),
        ("1e-6", "0.001"),
        ("3", "7"),
    ]
    rows = [f"p{k},{c},{e},{h}" for k in range(3) for c in ("none", "splint") for e, h in values]
    for shift in range(6):  # persons few and many, each with other extremes
        moved = [
            f"q{shift}{k},{c},{e},{h}"
            for k in range(4 + 8 * (shift % 2))
            for c in ("none", "splint")
            for e, h in (values[(k + shift) % 6], values[(k * shift) % 6])
        ]
        text = "person,condition,events,valid_hours\n" + "\n".join(rows * (shift > 2) + moved)
        (tmp_path / "t.csv").write_text(text, "utf-8")
        done = called("cohort", tmp_path / "t.csv", "--out", tmp_path)
        assert "Traceback" not in done.err, done.err
        assert done.code in (0, 2)


@pytest.mark.shows("wrong-count")
def test_persons_who_change_alike_have_no_spread_to_judge_by():
    """Logarithms of equal ratios differ by rounding, on each processor by another: that is no evidence."""
    nights = [
        PersonNight(f"p{k}", c, e, h)
        for k, h in enumerate((6.9, 7.1, 7.123456789, 1 / 3, 6.3))
        for c, e in (("none", 3 * (k + 1)), ("splint", k + 1))
        for _ in range(2)
    ]
    found = compare_cohort(nights)
    assert [e.p for e in found.effects] == [1.0]
    assert [r.icc for r in found.repeatability] == [None, None]


def test_nights_that_do_not_differ_have_no_icc():
    assert icc_one_way([np.full(3, np.log(20.5 / h)) for h in (6.9, 7.1, 1 / 3)]) is None


def test_the_study_table_of_an_export_is_a_cohort_table(tmp_path):
    lines = ["person,condition,episode_count,valid_hours,burst_count"]
    lines += [f"P{p},{c},{10 * p + k},7,99" for p in (1, 2, 3) for k, c in enumerate(("none", "splint"))]
    (tmp_path / "a.csv").write_text("\n".join(lines), "utf-8")
    (tmp_path / "b.csv").write_text("\n".join(lines).replace("episode_count", "events"), "utf-8")
    assert read_cohort(tmp_path / "a.csv") == read_cohort(tmp_path / "b.csv")


def test_without_statsmodels_the_method_gee_is_one_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "statsmodels", None)
    monkeypatch.setitem(sys.modules, "statsmodels.api", None)
    with pytest.raises(UsageError, match=r"GEE needs statsmodels.*pip install 'sleepbrux\[gee\]'"):
        by_gee([PersonNight("A", "none", 3.0, 7.0)], ["splint"], "none")
