"""The library as a researcher types it: the listing of its use, line by line."""

import datetime
import doctest
import importlib
import inspect
import sys

import mne
import numpy as np
import pandas as pd
import pytest

import sleepbrux as sb
from tests.nights import LABELS, recording_of, rhythm

CHANNELS = ([*rhythm(20, 6), (50, 53, 120)], rhythm(20, 6))
START = datetime.datetime(2026, 3, 2, 23, 0)


@pytest.fixture(scope="module")
def rec():
    return recording_of(CHANNELS, seconds=120, start=START)


@pytest.fixture(scope="module")
def night(rec):
    return sb.score(rec, mvc_uv=190)


@pytest.fixture(scope="module")
def array(rec):
    return np.stack([rec.get_data(label)[1] for label in LABELS])


def raw_of(array, annotations=None, *, dated=True, first_sample=0):
    info = mne.create_info(LABELS, 1000, "emg")
    raw = mne.io.RawArray(array * 1e-6, info, first_samp=first_sample, verbose="error")
    raw.set_meas_date(START.replace(tzinfo=datetime.UTC) if dated else None)
    return raw.set_annotations(annotations) if annotations is not None else raw


def count(night):
    return night.measures["episode_count"].value


def test_a_recording_is_one_line_and_a_table_in_a_notebook(rec):
    assert repr(rec) == "<Recording array: 2 jaw channels of 2, 0 h 02 min at 1000 Hz, starts 23:00>"
    assert rec._repr_html_().count("<tr>") == 2


def test_samples_come_in_physical_units_with_their_times_and_gaps_as_nan():
    values = np.arange(20.0)
    values[7:9] = np.nan
    recording = sb.from_array([values], 10, ["EMG Masseter L"])
    times_s, uv = recording.get_data("EMG Masseter L", 0.5, 1.2)
    np.testing.assert_allclose(times_s, np.arange(5, 12) / 10)
    np.testing.assert_array_equal(uv, [5, 6, np.nan, np.nan, 9, 10, 11])
    with pytest.raises(
        sb.UsageError, match="label 'EMG X' is no channel of array; there are 'EMG Masseter L'"
    ):
        recording.get_data("EMG X")
    with pytest.raises(sb.UsageError, match="start_s 3 and stop_s 1"):
        recording.get_data("EMG Masseter L", 3, 1)


@pytest.mark.parametrize("as_path", [str, lambda path: path])
def test_a_file_is_scored_by_a_path_of_any_kind(as_path, tmp_path):
    path = tmp_path / "night.edf"
    from tests.test_package import ROOT

    path.write_bytes((ROOT / "demo_data" / "excerpt.edf").read_bytes())
    assert sb.open_recording(as_path(path)).name == "night"
    assert sb.score(as_path(path), mvc_uv=190).swept.name == "night"


def test_the_command_and_the_library_make_the_same_report(tmp_path):
    import contextlib

    from sleepbrux.cli import main
    from sleepbrux.export.summary import report_id
    from tests.test_package import ROOT

    excerpt = str(ROOT / "demo_data" / "excerpt.edf")
    with contextlib.suppress(SystemExit):
        main(["score", excerpt, "--mvc-uv", "190", "--out", str(tmp_path)])
    (archive,) = tmp_path.glob("*.night.h5")
    assert report_id(sb.load_night(archive)) == report_id(sb.score(excerpt, mvc_uv=190))


def test_without_a_reference_the_clenches_that_the_recording_marks_are_taken():
    clenches = [(2 + 4 * k, 4 + 4 * k, 200.0) for k in range(3)]
    marks = [(a, b - a, "Clench") for a, b, _ in clenches]
    quiet = recording_of([[*clenches, (150, 153, 120)]], seconds=240, marks=marks)
    night = sb.score(quiet)
    assert night.reference.source == "own clench"
    assert night.criterion.id == "phasic_tonic_10mvc"


def test_levels_go_for_all_channels_or_by_label(rec, night):
    by_label = sb.score(rec, mvc_uv={LABELS[0]: 190, LABELS[1]: 175})
    assert [level.mvc_uv for level in by_label.reference.levels] == [190, 175]
    assert [level.mvc_uv for level in night.reference.levels] == [190, 190]


def test_an_array_and_a_raw_read_as_the_recording_does(night, array):
    assert count(night) == 2
    of_array = sb.score(array, rate_hz=1000, labels=LABELS, mvc_uv=190, start=START)
    of_raw = sb.score(raw_of(array), mvc_uv=190)
    assert of_array.swept.digest == night.swept.digest
    for other in (of_array, of_raw):
        pd.testing.assert_series_equal(
            other.to_frame("measures")["value"], night.to_frame("measures")["value"], rtol=1e-6
        )


def test_bad_spans_of_a_raw_are_left_out_and_named(array):
    night = sb.score(raw_of(array, mne.Annotations([18], [12], ["BAD_cough"])), mvc_uv=190)
    assert count(night) == 1
    assert night.to_frame("episodes")["start_s"].tolist() == [50.0]
    assert [n.text for n in night.notes if n.code == "marked-bad"] == [
        f"{label}: 12.0 s are marked as bad ('BAD_cough'); that time is not scored" for label in LABELS
    ]
    assert {q: len(night.quality[0].faults[q]) for q in night.quality[0].faults if q == "marked_bad"}


def test_a_bad_span_of_one_channel_leaves_the_other_alone(array):
    spans = mne.Annotations([18], [12], ["bad electrode"], ch_names=[[LABELS[0]]])
    night = sb.score(raw_of(array, spans), mvc_uv=190)
    assert ["marked_bad" in q.faults for q in night.quality] == [True, False]


def test_a_bad_channel_of_a_raw_is_left_out_and_named(array):
    raw = raw_of(array)
    raw.info["bads"] = [LABELS[0]]
    night = sb.score(raw, mvc_uv=190)
    assert [f.channel.label for f in night.swept.frames] == [LABELS[1]]
    assert any(n.code == "channel-marked-bad" and LABELS[0] in n.text for n in night.notes)


def test_reference_criterion_window_marks_and_stages_are_arguments(rec):
    reference = sb.given(LABELS, 190)
    night = sb.score(
        rec,
        reference=reference,
        criterion="lavigne1996",
        window=("23:00:10", "23:01:30"),
        marks=[sb.Mark(99, 0, "Lights off")],
        stages=[5, 4, 4, 5],
        stage_codes={5: "wake", 4: "rem"},
    )
    assert night.reference is reference
    assert night.criterion.id == "lavigne1996"
    assert night.window.spans_s == ((10.0, 90.0),)
    assert [m.text for m in night.swept.marks] == ["Lights off"]
    assert night.to_frame("episodes")["stage"].tolist() == ["wake", "rem"]


def test_a_window_is_seconds_too_or_a_window_itself(rec, night):
    assert sb.score(rec, mvc_uv=190, window=(40, None)).window.spans_s == ((40.0, 120.0),)
    assert sb.score(rec, mvc_uv=190, window=night.window).window is night.window


def test_the_codes_of_a_program_are_known_by_its_name(rec):
    night = sb.score(rec, mvc_uv=190, stages=[5, 4, 0, 1], stages_from="sleepecg")
    assert night.to_frame("episodes")["stage"].tolist() == ["wake", "rem"]


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (
            {"stages": [0, 2]},
            "stages are numbers, and what a number means differs between programs; give stage_c",
        ),
        ({"stages": [0, 9], "stages_from": "yasa"}, "stages holds 9, which stage_codes does not name"),
        ({"stages": ["W", "Q7"]}, "'Q7' names no sleep stage"),
        ({"stages": ["W"], "stages_from": "unheard"}, "`stages_from` is 'unheard'; known are sleepecg"),
        ({"channels": ["EMG X"]}, "there is no channel 'EMG X'"),
        ({"window": ("late", None)}, r"`window\[0\]` 'late' is no time"),
        ({"window": 7}, r"`window` is 7; wanted is None or \(start, end\) or a Window"),
        ({"window": (500, 600)}, "the window ends at 600 s"),
        ({"unit": "mV"}, "unit has no meaning for an opened recording; leave it out"),
        ({"mvc_uv": {LABELS[0]: 190}}, "no MVC is given for channel 'EMG Masseter R'; give it in `mvc_uv`"),
        ({"mvc_uv": None, "criterion": "lavigne1996"}, "needs the MVC of 'EMG Masseter L'; give `mvc_uv`"),
        ({"reference": sb.given(LABELS, 190)}, "reference and mvc_uv both say what 100 % MVC is"),
        ({"levels": 3}, "score has no argument levels; it has rate_hz"),
    ],
)
def test_what_is_wrong_is_said_of_the_argument(rec, how, said):
    with pytest.raises(sb.SleepbruxError, match=said) as caught:
        sb.score(rec, **{"mvc_uv": 190, **how})
    assert "--" not in str(caught.value)


@pytest.mark.parametrize(
    ("given", "how", "said"),
    [
        (np.zeros((1, 4, 4)), {}, "`recording` is a ndarray; wanted is a path"),
        (object(), {}, "`recording` is a object; wanted is a path"),
        (np.zeros((1, 4)), {}, "`recording` is an array, so `rate_hz` is wanted too"),
        (np.zeros((1, 4)), {"rate_hz": 100}, "`recording` is an array, so `labels` is wanted too"),
        ("a.edf", {"labels": ["a"]}, "labels has no meaning for a file"),
    ],
)
def test_what_is_no_recording_is_refused(given, how, said):
    with pytest.raises(sb.UsageError, match=said):
        sb.score(given, **how)


def test_a_study_file_says_all_of_its_night(tmp_path):
    from tests.test_package import ROOT

    path = tmp_path / "n1.edf"
    path.write_bytes((ROOT / "demo_data" / "excerpt.edf").read_bytes())
    study = tmp_path / "study.toml"
    study.write_text(
        'pseudonym = "P-01"\nprimary_outcome = "episodes_per_hour"\n'
        '[[reference]]\nid = "stated"\nplacement = "same electrodes"\nteeth = "natural teeth"\n'
        'mvc_uv = {"EMG Masseter L" = 190, "EMG Masseter R" = 190}\n'
        '[[night]]\nid = "n1"\nrecording = "n1.edf"\ncondition = "no appliance"\nreference = "stated"\n',
        "utf-8",
    )
    night = sb.score(str(path), study=str(study))
    assert dict(night.about)["night"] == "n1"
    assert "stated" in night.reference.origin
    with pytest.raises(sb.UsageError, match="study says all of it"):
        sb.score(path, study=study, mvc_uv=190)


def test_a_measure_has_value_unit_basis_and_interval(night):
    measure = night.measures["episodes_per_hour"]
    assert isinstance(measure, sb.Measure)
    assert measure.unit == "1/h"
    assert measure.basis
    assert measure.intervals


def test_a_night_is_one_line_and_a_table_in_a_notebook(night):
    assert repr(night) == (
        "<Night array: 2 episodes in 0.03 valid hours by phasic_tonic_10mvc, 2 channels, "
        f"{sum(n.severity == 'warning' for n in night.notes)} warnings>"
    )
    assert "episodes_per_hour" in night._repr_html_()


def test_frames_are_typed_and_not_rounded(night):
    episodes = night.to_frame("episodes")
    assert [str(episodes[c].dtype) for c in ("episode", "start_s", "burst_count")] == [
        "Int64",
        "float64",
        "Int64",
    ]
    k = night.selection.episodes.tolist()
    assert episodes["peak_pct_mvc"].tolist() == [float(v) for v in night.episodes.peak_pct_mvc[k]]
    value = night.measures["median_burst_peak_uv"].value
    assert night.to_frame("measures").loc["median_burst_peak_uv", "value"] == value
    events = night.to_frame("events")
    assert events.loc[events["type"] == "Analysed window", "episode"].isna().all()
    assert set(night.to_frame("bursts").attrs["columns"]) == set(night.to_frame("bursts").columns)
    assert len(night.to_frame("channel_bursts")) == 13
    with pytest.raises(sb.UsageError, match="a night has no table 'epochs'; it has episodes"):
        night.to_frame("epochs")


def test_the_envelope_is_that_of_the_score(night):
    times_s, level_uv = night.envelope("EMG Masseter L")
    inside = (times_s > 50.5) & (times_s < 52.5)
    assert level_uv[inside].mean() == pytest.approx(120, rel=0.1)
    assert times_s[0] == pytest.approx(0.005)
    with pytest.raises(sb.UsageError, match="was not scored; scored are EMG Masseter L"):
        night.envelope("ECG")


def test_plots_draw_into_the_axes_given_with_units(night):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert night.plot(ax) is ax
    assert "µV" in ax.get_ylabel()
    assert "hours" in ax.get_xlabel()
    assert len(ax.lines) == 4
    one = night.plot_episode(2)
    low, high = one.lines[0].get_xdata()[[0, -1]]
    assert low == pytest.approx(45, abs=0.2)
    assert high == pytest.approx(58, abs=0.2)
    with pytest.raises(
        sb.UsageError, match="number 12 is no counted episode of this night; there are 1 to 2"
    ):
        night.plot_episode(12)


def test_a_plot_without_matplotlib_names_the_extra(night, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(sb.UsageError, match=r"pip install 'sleepbrux\[plot\]'"):
        night.plot()


@pytest.mark.parametrize("dated", [True, False])
@pytest.mark.parametrize("first_sample", [0, 5000])
def test_annotations_come_beside_those_that_a_raw_has(array, dated, first_sample):
    raw = raw_of(array, mne.Annotations([5], [0], ["Lights off"]), dated=dated, first_sample=first_sample)
    night = sb.score(raw, mvc_uv=190)
    assert night.window.spans_s == ((5.0, 120.0),)
    raw2 = night.annotate(raw, kinds="episodes")
    assert list(raw2.annotations.description) == ["Lights off", "Phasic episode", "Tonic episode"]
    np.testing.assert_allclose(raw2.annotations.onset - raw2.first_time, [5, 20, 50], atol=0.02)
    assert list(raw.annotations.description) == ["Lights off"]
    with pytest.raises(sb.UsageError, match="`kinds` is 'bruxism'; allowed are episodes, bursts"):
        night.annotate(raw, kinds="bruxism")
    with pytest.raises(sb.UsageError, match=r"raw lasts 60\.\d s and the scored recording 120\.0 s"):
        night.annotate(raw.copy().crop(0, 60))


def test_a_night_is_saved_and_loaded_and_traced(night, tmp_path):
    path = str(tmp_path / "night.night.h5")
    night.save(path)
    again = sb.load_night(path)
    pd.testing.assert_frame_equal(again.to_frame("episodes"), night.to_frame("episodes"))
    assert sb.chain_of(path, "episode_count")["events"]["count"] == 2


def test_time_marked_as_bad_is_kept_in_the_archive(array, tmp_path):
    night = sb.score(raw_of(array, mne.Annotations([18], [12], ["BAD_cough"])), mvc_uv=190)
    night.save(tmp_path / "bad.night.h5")
    again = sb.load_night(tmp_path / "bad.night.h5")
    assert again.quality[0].faults["marked_bad"] == night.quality[0].faults["marked_bad"]


def test_nights_become_one_row_each(night):
    table = sb.tidy([night, sb.rescore(night, "lavigne1996")])
    assert table["criterion"].tolist() == ["phasic_tonic_10mvc", "lavigne1996"]
    assert table["episodes_per_hour"][0] == night.measures["episodes_per_hour"].value
    assert str(table["episode_count"].dtype) == "Int64"
    assert sb.tidy({"first": night})["file"].tolist() == ["first"]
    with pytest.raises(sb.UsageError, match=r"`nights` is a Night; wanted is a list of nights"):
        sb.tidy(night)


def test_a_rule_is_derived_saved_and_applied(night, tmp_path):
    rule = sb.load_criterion("lavigne1996").derive(level_pct_mvc=12, id="mine")
    rule.save(str(tmp_path / "mine.toml"))
    assert sb.load_criterion(tmp_path / "mine.toml") == rule
    assert sb.rescore(night, rule).criterion.id == "mine"
    with pytest.raises(sb.SleepbruxError, match="no setting levl_pct_mvc; did you mean level_pct_mvc"):
        rule.derive(levl_pct_mvc=12)
    with pytest.raises(sb.SleepbruxError, match=r"does not end in \.toml"):
        rule.save(tmp_path / "mine.txt")


@pytest.mark.parametrize("name", sb.criterion_ids())
def test_every_rule_set_is_the_same_after_it_was_saved(name, tmp_path):
    rule = sb.load_criterion(name)
    rule.save(tmp_path / "rule.toml")
    assert sb.load_criterion(tmp_path / "rule.toml") == rule


def test_a_rule_file_states_what_differs_from_its_base(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('base = "lavigne1996"\nid = "mine"\n[threshold]\ntimes_background = 3.0\n', "utf-8")
    rule, base = sb.load_criterion(path), sb.load_criterion("lavigne1996")
    assert (rule.id, rule.parent) == ("mine", "lavigne1996")
    assert (rule.threshold.times_background, rule.threshold.level_pct_mvc) == (3.0, None)
    assert rule.episode == base.episode
    assert rule.sources["threshold.times_background"].status == "our choice"
    assert "threshold.level_pct_mvc" not in rule.sources


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('base = "none"\nid = "x"', "key base: there is no 'none'; there are aasm"),
        ('base = "aasm"', "there is no key id"),
        ('base = "aasm"\nid = "x"\n[burst]\nlength = 1', "burst"),
        ('base = "aasm"\nid = "x"\nburst = 1', "key burst: a table is wanted"),
    ],
)
def test_a_fault_in_what_differs_is_named(tmp_path, text, said):
    (tmp_path / "x.toml").write_text(text, "utf-8")
    with pytest.raises(sb.SleepbruxError, match=said):
        sb.load_criterion(tmp_path / "x.toml")


def test_many_files_are_scored_as_the_batch_does(tmp_path):
    from tests.test_package import ROOT

    excerpt = ROOT / "demo_data" / "excerpt.edf"
    for name in ("a", "b"):
        (tmp_path / f"{name}.edf").write_bytes(excerpt.read_bytes())
    paths = [str(tmp_path / "a.edf"), str(tmp_path / "b.edf")]
    batch = sb.score_many(paths, out=str(tmp_path / "out"), workers=2, mvc_uv=190)
    assert batch.failed == 0
    loaded = sb.load_night(batch.archives[1])
    assert loaded.reference.levels[0].mvc_uv == 190
    assert count(loaded) == count(sb.score(excerpt, mvc_uv=190))
    assert sb.score_many(paths, out=tmp_path / "out", workers=1, mvc_uv=190).unchanged == 2
    assert sb.score_many(paths, out=tmp_path / "out", workers=1, mvc_uv=200).unchanged == 0


def test_two_scorings_of_a_night_are_compared(night, array):
    found = sb.agree(night, sb.rescore(night, "lavigne1996"))
    assert found.hours == pytest.approx(night.measures["valid_hours"].value, abs=0.001)
    assert len(sb.agree([night, night], [night, night]).nights) == 2
    other = sb.score(array * 1.1, rate_hz=1000, labels=LABELS, mvc_uv=190)
    with pytest.raises(sb.UsageError, match="two different recordings"):
        sb.agree(night, other)
    with pytest.raises(sb.UsageError, match="a holds 1 scorings and b 2"):
        sb.agree(night, [night, night])


def test_comparison_planning_and_cohort_run_from_python():
    from sleepbrux.analysis.planning import own_variation

    def nights(person):
        rng = np.random.default_rng(person)
        for k in range(8):
            condition = "splint" if k % 2 else "no appliance"
            yield condition, int(rng.poisson(8 if k % 2 else 16)), f"n{k}"

    counted = [sb.CountedNight(name, condition, n, 7.0) for condition, n, name in nights(0)]
    assert sb.compare_nights(counted, baseline="no appliance").contrasts[0].condition == "splint"
    plan = sb.plan_nights(16.0, own_variation(counted), 0.5, sb.Planned(runs=20, most_nights=4))
    assert isinstance(plan, sb.Plan)
    persons = [
        sb.PersonNight(f"P{person}", condition, n, 7.0, night=name)
        for person in range(4)
        for condition, n, name in nights(person)
    ]
    assert sb.compare_cohort(persons, baseline="no appliance").persons == 4


def test_no_public_function_has_more_than_eight_named_parameters():
    functions = [v for n in sb.__all__ if inspect.isfunction(v := getattr(sb, n))]
    named = {
        f.__name__: sum(p.kind is not p.VAR_KEYWORD for p in inspect.signature(f).parameters.values())
        for f in functions
    }
    assert {name: n for name, n in named.items() if n > 8} == {}


@pytest.mark.parametrize("name", sorted({sb._HOMES[n] for n in sb._HOMES}))
def test_examples_of_the_public_rooms_run(name, monkeypatch):
    from tests.test_package import ROOT

    monkeypatch.chdir(ROOT)
    module = importlib.import_module(f"sleepbrux.{name}")
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize("name", sorted(set(sb.__all__) - {"__version__"}))
def test_every_public_name_says_what_it_takes_returns_and_raises_and_has_an_example(name):
    value = getattr(sb, name)
    text = inspect.getdoc(value)
    assert "Examples\n--------\n>>> " in text
    if inspect.isfunction(value):
        assert "Raises\n------\n" in text
        assert ("Returns\n-------\n" in text) == (inspect.signature(value).return_annotation != "None")
        for argument in inspect.signature(value).parameters:
            assert argument in text.partition("Examples\n")[0], argument
