"""From archives to page: short scored nights, compared through the command."""

import csv
import json
from dataclasses import replace as changed
from datetime import datetime
from html import unescape

import msgspec
import numpy as np
import pytest
from scipy import stats

from sleepbrux.analysis.comparison import CountedNight, compare_nights
from sleepbrux.analysis.comparison import study as comparing
from sleepbrux.analysis.comparison.prior import with_prior
from sleepbrux.analysis.comparison.records import UnderRule, read_records
from sleepbrux.analysis.comparison.spreads import PEAKS, quantile_band
from sleepbrux.analysis.comparison.study import compare_counts, compare_study
from sleepbrux.analysis.comparison.table import study_from_table
from sleepbrux.analysis.comparison.tables import nights_table
from sleepbrux.archive import nights
from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.reference import given
from sleepbrux.report.letter.compared import study_letters
from sleepbrux.report.numbers import text
from sleepbrux.report.outputs import ARCHIVE
from sleepbrux.report.study_files import study_plans, write_study
from sleepbrux.report.study_page import clench_tests, render_study
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import score_night
from sleepbrux.scoring.uncertainty import Interval
from tests.cli.conftest import called as run
from tests.nights import LABELS, recording_of, rhythm

COUNTS = {"none": (3, 7, 8, 7, 9), "splint": (3, 4, 3, 4)}


def scored(k, count, **options):
    bursts = [b for e in range(count) for b in rhythm(60 + 55 * e, 4)]
    recording = recording_of([bursts, bursts], seconds=600, seed=k, **options)
    return score_night(recording, given(LABELS, 200.0), threads=1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Nine nights of ten minutes, with a table."""
    out = tmp_path_factory.mktemp("archives")
    lines, k = ["night;condition;date;days_since_first_worn"], 0
    for condition, counts in COUNTS.items():
        for count in counts:
            night = scored(k, count)
            save_night(night, out / f"n{k}{ARCHIVE}")
            lines.append(f"n{k};{condition};2026-03-{k + 1:02d};{'' if condition == 'none' else 20 + k}")
            k += 1
    (out / "nights.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return out


def test_a_folder_with_a_table_is_compared(folder, tmp_path):
    done = run("compare", folder, "--out", tmp_path)
    assert done.code == 0, done.out
    assert "splint against none" in done.out
    table = json.loads((tmp_path / "study.comparison.json").read_text("utf-8"))
    assert table["comparison"]["nights"][0]["id"] == "n1"
    assert table["comparison"]["apart"][0]["night"]["id"] == "n0"
    assert [n["events"] for n in table["comparison"]["nights"]] == [7, 8, 7, 9, 3, 4, 3, 4]
    ratio = table["comparison"]["contrasts"][0]["ratio"]
    hours = [n["hours"] for n in table["comparison"]["nights"]]
    assert ratio["ratio"] == pytest.approx((14 / sum(hours[4:])) / (31 / sum(hours[:4])))
    assert {r["key"] for r in table["rules"]} >= {"verdict_p", "least_nights_per_condition"}
    assert all(r["reason"] for r in table["rules"])
    for name in ("nights", "contrasts", "measures", "distributions"):
        assert (tmp_path / f"study.{name}.csv").read_text("utf-8").count("\n") > 3
    page = (tmp_path / "study.report.html").read_text("utf-8")
    assert "<script" not in page
    assert table["comparison"]["contrasts"][0]["sentence"].split(" (")[0] in page
    assert "put down to" not in page


def test_a_column_of_channels_is_passed_over(tmp_path):
    table = tmp_path / "nights.csv"
    table.write_text("night,condition,channels\nn1,none,EMG L\n", "utf-8")
    assert study_from_table(table).night[0].channels == ()


def test_names_in_a_table_that_may_not_say_what_is_meant_are_asked_about(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    table = tmp_path / "nights.csv"
    table.write_text(table.read_text("utf-8").replace("n1;none", "n1;None"), "utf-8")
    done = run("compare", tmp_path, "--quick")
    assert done.code == 0, done.err
    assert done.err.count("question: ") == 1
    assert "'None' reads like no appliance" in done.err


def test_the_same_study_gives_the_same_bytes(folder):
    study = study_from_table(folder / "nights.csv")
    pages = [
        render_study(compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False)))
        for _ in range(2)
    ]
    assert pages[0] == pages[1]


def test_the_page_says_what_described_means_and_what_a_review_is(folder):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    meaning = (
        "a ratio without a verdict, because only comparisons with nights without an appliance were tested"
    )
    pages = {}
    for verdict in ("lower", "described, not tested", "cannot tell yet"):
        (contrast,) = found.comparison.contrasts
        comparison = changed(found.comparison, contrasts=(changed(contrast, verdict=verdict),))
        pages[verdict] = unescape(render_study(changed(found, comparison=comparison)))
    assert [meaning in page for page in pages.values()] == [False, True, False]
    assert ["sleepbrux review with the study file" in page for page in pages.values()] == [
        True,
        True,
        False,
    ]


def test_robustness_counts_the_nights_under_other_rules(folder):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE))
    (holding,) = found.robustness
    assert {a.rule for a in holding.alternatives} >= {"phasic_tonic_10mvc at 20 % MVC", "aasm"}
    assert "other thresholds and criteria" in holding.sentence


def test_a_night_without_a_rule_changes_no_other_pair_of_conditions(folder):
    """Three conditions; the first night of one has no count by the rule, so its condition comes last there."""
    study = study_from_table(folder / "nights.csv")
    reading = read_records(study, folder, suffix=ARCHIVE, robust=False)

    def under(k, r):
        worn = "none" if k < 5 else ("a", "b")[k % 2 == 0]
        entry = msgspec.structs.replace(r.entry, condition=worn)
        same = UnderRule(
            "same", len(r.episode_duration_s), r.figures.valid_hours, r.by_hour["episodes_per_hour"]
        )
        return changed(r, entry=entry, under_rules=() if k in lacking else (same,))

    for lacking in ((5,), (5, 6, 7, 8)):
        seen = changed(reading, records=tuple(under(k, r) for k, r in enumerate(reading.records)))
        comparison = compare_counts(study, seen)
        own = {(c.condition, c.against): c.ratio.ratio for c in comparison.contrasts}
        assert list(own)[:2] == [("a", "none"), ("b", "none")]
        holding = comparing._robustness(study, seen, comparison, keep_first=False)
        told = {(h.condition, h.against): h.alternatives[0].ratio for h in holding}
        if len(lacking) == 1:
            assert told["b", "none"] == pytest.approx(own["b", "none"])
        else:
            assert told == {}


def test_nights_on_another_reference_are_left_out_and_never_mixed(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    night = scored(3, 7)
    other = changed(night, reference=changed(night.reference, placement="other placement"))
    save_night(other, tmp_path / f"n3{ARCHIVE}")
    study = study_from_table(tmp_path / "nights.csv")
    reading = read_records(study, tmp_path, suffix=ARCHIVE, robust=False)
    assert [n.id for n in reading.left_out] == ["n3"]
    assert "reference" in reading.left_out[0].reasons[0]
    assert "n3" not in [r.entry.id for r in reading.records]


def test_where_one_condition_is_left_the_sentence_says_what_became_of_the_others(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    night = scored(5, 3)
    other = changed(night, reference=changed(night.reference, placement="other placement"))
    for k in range(5, 9):
        (tmp_path / f"n{k}{ARCHIVE}").unlink()
    save_night(other, tmp_path / f"n5{ARCHIVE}")
    study = study_from_table(tmp_path / "nights.csv")
    reading = read_records(study, tmp_path, suffix=ARCHIVE, robust=False)
    with pytest.raises(
        UsageError,
        match=r"5 nights can be compared, all under 'none'; n5 was left out: .*"
        r"reference.*n6 is missing",
    ):
        compare_study(study, reading)


def test_nights_by_another_criterion_are_scored_again(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    night = score_night(
        recording_of([rhythm(60, 4), rhythm(60, 4)], seconds=600, seed=3),
        given(LABELS, 200.0),
        "lavigne1996",
        threads=1,
    )
    save_night(night, tmp_path / f"n3{ARCHIVE}")
    study = study_from_table(tmp_path / "nights.csv")
    reading = read_records(study, tmp_path, suffix=ARCHIVE, robust=False)
    assert reading.left_out == ()
    assert {r.entry.id: r.rescored_from for r in reading.records}["n3"] == "lavigne1996"
    assert reading.basis.criterion == "phasic_tonic_10mvc"


def test_partly_worn_nights_stand_apart(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    night = scored(8, 4, start=datetime(2026, 3, 9, 22, 0))
    save_night(night, tmp_path / f"n8{ARCHIVE}")
    text = (folder / "nights.csv").read_text("utf-8").splitlines()
    text[0] += ";appliance_in;appliance_out"
    text[-1] += ";22:00;22:03"
    (tmp_path / "nights.csv").write_text("\n".join(text), "utf-8")
    study = study_from_table(tmp_path / "nights.csv")
    found = compare_study(study, read_records(study, tmp_path, suffix=ARCHIVE, robust=False))
    reasons = {a.night.id: a.reason for a in found.comparison.apart}
    assert reasons["n8"] == "the appliance was worn for part of the night only"
    assert found.comparison.contrasts[0].ratio.nights == 3


def test_times_that_cannot_be_placed_are_said(folder, tmp_path):
    text = (folder / "nights.csv").read_text("utf-8").splitlines()
    text[0] += ";appliance_in;appliance_out"
    text[-1] += ";22:00;22:03"
    (tmp_path / "nights.csv").write_text("\n".join(text), "utf-8")
    study = study_from_table(tmp_path / "nights.csv")
    reading = read_records(study, folder, suffix=ARCHIVE, robust=False)
    assert [m.id for m in reading.missing] == ["n8"]
    assert "does not say at what time it starts" in reading.missing[0].reason


def test_missing_archives_are_named_and_the_exit_code_is_1(folder, tmp_path):
    text = (folder / "nights.csv").read_text("utf-8") + "n99;splint;2026-04-01;\n"
    (tmp_path / "t.csv").write_text(text, "utf-8")
    done = run("compare", tmp_path / "t.csv", "--results", folder, "--quick", "--out", tmp_path)
    assert done.code == 1
    assert "missing: n99" in done.out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("night,worn\na,none\n", "no column condition"),
        ("night,condition\na,none\na,none\n", "'a' is there twice"),
        ("night,condition,date\na,none,tomorrow\n", "line 2"),
        ("", "the columns are none"),
    ],
)
def test_bad_tables_get_one_sentence(tmp_path, text, says):
    (tmp_path / "t.csv").write_text(text, "utf-8")
    with pytest.raises(StudyError, match=says):
        study_from_table(tmp_path / "t.csv")


def test_a_clench_test_beside_the_nights_gets_a_section(folder, tmp_path):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    assert "Chairside clench test" not in render_study(found)
    natural = {
        "condition": "<b>natural</b>",
        "trials_uv": [200, 220.246],
        "mean_uv": 210.123,
        "as_measured": None,
        "without_tiredness": None,
    }
    splint = {
        "condition": "splint",
        "trials_uv": [150.0],
        "mean_uv": 150.0,
        "without_tiredness": None,
        "as_measured": {"pct": 71.4, "low": None, "high": None},
    }
    table = {
        "name": "chair",
        "statement": "A chairside level is not a night-time effect",
        "tiredness": "t",
        "assumes": "a",
        "channels": [{"label": "L", "conditions": [natural, splint]}],
    }
    (tmp_path / "a.clench.json").write_text(json.dumps(table), "utf-8")
    (tmp_path / "b.clench.json").write_text("{", "utf-8")
    page = render_study(found, clench=clench_tests(tmp_path))
    assert "Chairside clench test" in page
    assert "&lt;b&gt;natural" in page
    assert "71 (no interval)" in page
    assert "is not a night-time effect" in page
    assert "not a clench test that this version can read" in page


def test_the_first_night_is_that_of_the_study_and_not_the_first_that_was_read(folder, tmp_path):
    for path in folder.iterdir():
        if path.name != f"n0{ARCHIVE}":
            (tmp_path / path.name).write_bytes(path.read_bytes())
    study = study_from_table(tmp_path / "nights.csv")
    found = compare_study(study, read_records(study, tmp_path, suffix=ARCHIVE, robust=False))
    assert [m.id for m in found.missing] == ["n0"]
    assert found.comparison.apart == ()


@pytest.mark.browser
def test_the_page_in_a_browser(folder, tmp_path, browser):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    write_study(found, tmp_path, plans=study_plans(found))
    browser.get_log("browser")
    browser.get((tmp_path / "study.report.html").as_uri())
    drawn = "return document.querySelectorAll('.on-wide svg.figure').length"
    assert browser.execute_script(drawn) == 5  # forest, strips, rates, peaks by percentile, power
    panels = "return document.querySelectorAll('#h-strength ~ .figures svg.figure').length"
    assert browser.execute_script(panels) == 3 * 2  # peak, duration, duration of episodes; two conditions
    assert browser.execute_script("return document.querySelectorAll('#nights tbody tr').length") == 9
    ticks = "return document.querySelector('.on-wide .tick').getAttribute('d').split('M').length - 1"
    assert browser.execute_script(ticks) == COUNTS["none"][0]  # one an episode
    assert browser.get_log("browser") == []
    browser.set_window_size(500, 900)
    wide = browser.execute_script("return document.documentElement.scrollWidth - innerWidth")
    browser.set_window_size(1280, 1600)
    assert wide <= 0


def test_one_outcome_has_one_effect_and_one_interval_on_a_page(folder):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    rows = {m.name: m for m in found.measured}
    assert rows["episodes_per_hour"].effects == ()
    assert "the primary outcome: see above" in render_study(found)
    (effect,) = rows["bursts_per_hour"].effects
    assert effect.low < effect.ratio < effect.high


def test_each_night_has_the_interval_of_its_own_report_and_the_page_says_where_there_is_none(folder):
    study = study_from_table(folder / "nights.csv")
    reading = read_records(study, folder, suffix=ARCHIVE, robust=False)
    found = compare_study(study, reading)
    assert all(n.interval is None for n in found.comparison.nights)  # ten minutes each
    assert "none with fewer than 5 events or 4 valid hours" in render_study(found)
    own = Interval("scaled_counting", 1.25, 9.75, "")

    def whole(r):
        measures = r.figures.measures
        rate = changed(measures["episodes_per_hour"], intervals=(own,))
        return changed(r, figures=changed(r.figures, measures={**measures, "episodes_per_hour": rate}))

    found = compare_study(study, changed(reading, records=tuple(map(whole, reading.records))))
    assert {n.interval for n in found.comparison.nights} == {(1.25, 9.75)}
    page = render_study(found)
    assert "(1.2–9.8)" in page
    assert "none with fewer" not in page


def test_the_headline_gives_the_rate_of_each_condition(folder):
    study = study_from_table(folder / "nights.csv")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    rates = {}
    for condition in found.comparison.conditions:
        own = [n for n in found.comparison.nights if n.condition == condition]
        rates[condition] = text(sum(n.events for n in own) / sum(n.hours for n in own), "1/h")
    said = f"Per hour: {rates['none']} without an appliance and {rates['splint']} with splint."
    assert said in render_study(found)


def test_a_count_is_one_of_a_night_and_has_no_hours(folder):
    study = study_from_table(folder / "nights.csv", primary_outcome="episode_count")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    page = render_study(found)
    assert "Per night: 7.8 without an appliance and 3.5 with splint." in page
    assert "1.00" not in page.partition('id="nights"')[2].partition("</table>")[0]
    table = list(csv.DictReader(nights_table(found).splitlines()))
    assert {row["valid_hours"] for row in table} == {""}
    assert sorted(float(row["count"]) for row in table) == [3, 3, 3, 4, 4, 7, 7, 8, 9]


def test_episodes_in_probable_sleep_are_compared_beside_where_nights_have_them(folder):
    study = study_from_table(folder / "nights.csv")
    reading = read_records(study, folder, suffix=ARCHIVE, robust=False)
    name = "episodes_in_probable_sleep_per_hour"
    assert name not in {m.name for m in compare_study(study, reading).measured}

    def with_estimate(r):
        every = r.figures.measures["episodes_per_hour"].value
        more = {name: Measure(every / 2, "1/h", ""), "awake_estimated_hours": Measure(5.0, "h", "")}
        return changed(r, figures=changed(r.figures, measures={**r.figures.measures, **more}))

    found = compare_study(study, changed(reading, records=tuple(map(with_estimate, reading.records))))
    (row,) = [m for m in found.measured if m.name == name]
    (effect,) = row.effects
    assert effect.low < effect.ratio < effect.high
    assert "episodes in probable sleep per hour" in render_study(found)


def test_measures_that_count_nothing_are_compared_by_welch_on_the_logarithms_of_nights(folder):
    study = study_from_table(folder / "nights.csv")
    reading = read_records(study, folder, suffix=ARCHIVE, robust=False)
    found = compare_study(study, reading)
    kept = {n.id: n.condition for n in found.comparison.nights}
    name = "integral_above_background_uv_s_per_hour"
    values = {"none": [], "splint": []}
    for r in reading.records:
        if r.entry.id in kept:
            values[r.entry.condition].append(np.log(r.figures.measures[name].value))
    t = stats.ttest_ind(values["splint"], values["none"], equal_var=False)
    (effect,) = next(m for m in found.measured if m.name == name).effects
    assert effect.p == pytest.approx(t.pvalue)
    assert np.log([effect.low, effect.high]) == pytest.approx(tuple(t.confidence_interval()))
    peaks = next(m for m in found.measured if m.name == "burst peak" and m.unit == "% MVC")
    assert peaks.effects
    assert "fall below it and are counted no more" in render_study(found)


def test_a_drawn_order_gives_other_measures_their_rearrangement_test_and_trend(folder):
    study = study_from_table(folder / "nights.csv", order="randomised nights")
    found = compare_study(study, read_records(study, folder, suffix=ARCHIVE, robust=False))
    for m in found.measured:
        assert all(e.p_rearranged is not None for e in m.effects), m.name
        assert all(e.serial_low is None for e in m.effects)


def test_an_integral_as_primary_outcome_has_trend_and_rearrangement_and_no_false_note(tmp_path):
    rng = np.random.default_rng(3)
    nights = [
        CountedNight(f"n{k}", ("none", "splint")[k % 2], float(40 * rng.gamma(9, 1 / 9)), 1.0)
        for k in range(14)
    ]
    found = compare_nights(nights, order="randomised nights", counts=False, keep_first_night=True)
    assert found.trend is not None
    assert "trend-not-tested" not in {n.code for n in found.cautions}
    assert found.contrasts[0].rearrangement.least_p < 0.01


def log_nights(rng, n, shift=0.0):
    """Peaks of nights: each night has a level of its own, and 20 to 60 bursts."""
    return [np.exp(rng.normal(3 + rng.normal(0, 0.3) + shift, 0.6, rng.integers(20, 60))) for _ in range(n)]


def test_the_band_over_percentiles_holds_the_whole_curve_in_95_percent():
    rng = np.random.default_rng(4)
    inside = pointwise = 0
    runs = 200
    for _ in range(runs):
        _, low, high = quantile_band(log_nights(rng, 7, np.log(0.7)), log_nights(rng, 7))
        inside += bool(((low <= np.log(0.7)) & (np.log(0.7) <= high)).all())
        pointwise += bool(low[4] <= np.log(0.7) <= high[4])
    assert inside / runs >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / runs)
    assert pointwise >= inside
    assert quantile_band(log_nights(rng, 2), log_nights(rng, 7)) is None


def test_peaks_that_are_left_above_the_threshold_fall_less_than_the_contractions_did():
    # the figures of `spreads.PEAKS`: median 15 % MVC, threshold 10 % MVC, a true factor of 0.7
    seen = []
    for sigma in (0.3, 0.5, 0.7):
        peaks = 15 * np.exp(np.random.default_rng(1).normal(0, sigma, 200_000))
        weaker = 0.7 * peaks
        seen.append(np.median(weaker[weaker > 10]) / np.median(peaks[peaks > 10]))
    assert [round(v, 2) for v in seen] == pytest.approx([0.80, 0.83, 0.85], abs=0.011)
    assert "0.7 shows as 0.80 to 0.85" in PEAKS


@pytest.mark.parametrize(("cv", "n"), [(0.25, 7), (0.5, 4)])
def test_the_line_under_a_published_prior_covers_nights_like_the_published_ones(cv, n):
    rng = np.random.default_rng(5)
    y = rng.poisson(28 * rng.gamma(cv**-2, cv**2, (600, 2 * n))).astype(float)
    labels = np.arange(2 * n) >= n
    _, low, high = with_prior(y, np.full(y.shape, 7.0), labels)
    covered = np.mean((low <= 0) & (high >= 0))
    assert covered >= 0.92 - 3 * np.sqrt(0.08 * 0.92 / 600)


def test_the_line_under_a_prior_is_a_line_and_no_verdict():
    nights = [CountedNight(f"n{k}", ("none", "splint")[k % 2], 50.0 - 30 * (k % 2), 7.0) for k in range(6)]
    (contrast,) = compare_nights(nights, keep_first_night=True).contrasts
    assert contrast.prior.high < 1
    assert contrast.verdict == "cannot tell yet"


def test_plan_writes_a_curve_and_a_schedule(tmp_path):
    done = run(
        "plan",
        "--rate",
        5,
        "--spread",
        "lavigne2001 episodes",
        "--ratio",
        0.5,
        "--schedule",
        "randomised blocks",
        "--conditions",
        "none,splint",
        "--start",
        "2026-03-02",
        "--seed",
        5,
        "--out",
        tmp_path,
    )
    assert done.code == 0, done.out
    assert "<- enough" in done.out
    assert (tmp_path / "schedule.toml").read_text("utf-8").startswith("# Drawn with seed 5.")
    assert (tmp_path / "plan.csv").read_text("utf-8").startswith("ratio,nights")


def test_plan_from_a_persons_own_nights(folder, tmp_path):
    done = run("plan", "--study", folder, "--ratio", 0.4, "--most-nights", 8, "--out", tmp_path)
    assert done.code == 0, done.out
    assert "this person's 8 nights" in done.out


def test_page_sentence_and_plan_give_the_same_numbers_of_nights(folder, tmp_path):
    compared = run("compare", folder, "--quick", "--out", tmp_path).out
    planned = run("plan", "--study", folder, "--out", tmp_path).out
    page = (tmp_path / "study.report.html").read_text("utf-8")
    line = next(row for row in compared.splitlines() if row.startswith("More nights"))
    for ratio in ("0.5", "0.75"):
        text = line.split(f"to {ratio} times: ")[1].split(", to ")[0]
        assert "nights in each condition" in text
        assert f"rate goes to {ratio} times: {text} for 80 % power" in planned
        assert f"<td>{text}</td>" in page


def test_page_and_letter_show_what_was_changed_after_nights_were_scored(folder, tmp_path):
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "nights.fixed.jsonl").unlink(missing_ok=True)
    run("compare", tmp_path, "--quick", "--out", tmp_path)
    done = run("compare", tmp_path, "--quick", "--primary-outcome", "bursts_per_hour", "--out", tmp_path)
    assert "after 9 nights had been scored: primary outcome from 'episodes_per_hour'" in done.out
    page = (tmp_path / "study.report.html").read_text("utf-8")
    assert "A choice made after seeing nights finds differences that are not there." in page
    assert "chosen beforehand: " not in page
    study = study_from_table(tmp_path / "nights.csv", primary_outcome="bursts_per_hour")
    said = study_letters(study, tmp_path, suffix=ARCHIVE, record=tmp_path / "nights.fixed.jsonl")[1]
    assert any("Changed on" in line for line in said.sentences)


def test_a_letter_reads_each_archive_once_and_keeps_no_amplitudes(folder, monkeypatch):
    read = []
    monkeypatch.setattr(nights, "load_night", lambda path: read.append(path) or load_night(path))
    letters, said, missing, _ = study_letters(study_from_table(folder / "nights.csv"), folder, suffix=ARCHIVE)
    assert missing == []
    assert len(read) == len(set(read)) == len(letters) == len(said.nights) + len(said.left_out)
    assert all(f.energy.size == 0 for letter in letters for f in letter.night.swept.frames)


def test_a_person_with_nights_of_the_baseline_only_can_be_planned_for(folder, tmp_path):
    lines = (folder / "nights.csv").read_text("utf-8").splitlines()[:6]
    (tmp_path / "nights.csv").write_text("\n".join(lines), "utf-8")
    done = run(
        "plan",
        "--study",
        tmp_path / "nights.csv",
        "--results",
        folder,
        "--ratio",
        0.5,
        "--most-nights",
        20,
        "--out",
        tmp_path,
    )
    assert done.code == 0, done.out
    assert "this person's 4 nights" in done.out
    assert "A-B, first night recorded and left out" in done.out


def test_what_marks_a_night_stands_in_the_printed_table_too(folder, tmp_path):
    done = run("compare", folder, "--quick", "--out", tmp_path)
    row = next(line for line in done.out.splitlines() if line.startswith("n5"))
    assert "* 0.17 valid hours, fewer than the 4 h that the rules ask for" in row
