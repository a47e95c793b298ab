"""The morning after: a word about the recording, its cause, and what to do."""

from dataclasses import replace
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.reference import given
from sleepbrux.scoring.night import score_night
from sleepbrux.scoring.request import Request, study_request
from sleepbrux.scoring.usability import FIX_MARKS, after_night, judge_file, judge_study
from sleepbrux.study.file import Study, StudyNight
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import Fault
from sleepbrux.synth.render import write_night
from tests.nights import LABELS, emg, rhythm, signal_of

SECONDS, RATE = 1800, 500
START = datetime(2026, 3, 2, 23, 0)
LIGHTS = [Mark(60.0, 0.0, "Lights off"), Mark(SECONDS - 30.0, 0.0, "Lights on")]


def rules(hours=0.4):
    return load_criterion("phasic_tonic_10mvc").derive({"window.minimum_valid_hours": hours})


def short_rules(folder):
    """The default rules as a file that asks for a quarter of an hour."""
    source = resources.files("sleepbrux.criteria") / "presets" / "phasic_tonic_10mvc.toml"
    path = folder / "short.toml"
    text = source.read_text("utf-8")
    assert "minimum_valid_hours = 4" in text
    path.write_text(text.replace("minimum_valid_hours = 4.0", "minimum_valid_hours = 0.3"))
    return str(path)


def data():
    return np.stack(
        [signal_of(rhythm(200, 5) + rhythm(1600, 4), seconds=SECONDS, rate=RATE, seed=k) for k in range(2)]
    )


def judged(samples, *, marks=LIGHTS, start=START, reference=True, hours=0.4):
    recording = from_array(samples, RATE, LABELS, marks=marks, start=start)
    if reference:
        return after_night(score_night(recording, given(LABELS, 190.0), rules(hours)))
    return after_night(score_night(recording, None, "aasm"))


def causes(morning):
    return {finding.cause for finding in morning.findings}


def test_a_whole_night_with_marks_clock_and_clench_is_usable():
    morning = judged(data())
    assert (morning.verdict, morning.findings) == ("usable", ())
    assert morning.window_hours == pytest.approx((SECONDS - 90) / 3600)


def test_a_lost_electrode_names_the_side_and_what_to_do():
    samples = data()
    samples[1, 400 * RATE : 1360 * RATE] = np.random.default_rng(0).normal(0, 6, 960 * RATE)
    morning = judged(samples, hours=0.1)
    assert morning.verdict == "usable with limits"
    (finding,) = morning.findings
    assert finding.cause == "electrode"
    assert finding.text.startswith(LABELS[1])
    assert "16 min" in finding.text
    assert "electrodes" in finding.remedy
    again = judged(samples, hours=0.4)
    assert again.verdict == "usable with limits"
    assert again.findings[0].cause == "electrode"
    assert f"{LABELS[0]} alone has" in again.findings[0].text
    both = samples.copy()
    both[0] = samples[1]
    whole = judged(both, hours=0.4)
    assert whole.verdict == "repeat"
    assert "Score that side" not in whole.findings[0].text


def lost_from(start_s, side=1):
    """A night in which one side shows nothing at all from a second on."""
    samples = data()
    samples[side, start_s * RATE :] = 0.0
    return samples


@pytest.mark.parametrize("reference", [True, False])
def test_the_longer_a_side_is_lost_the_verdict_never_gets_better(reference):
    order = ["usable", "usable with limits", "repeat"]
    found = [
        order.index(judged(lost_from(s), reference=reference).verdict) for s in (SECONDS, 1500, 900, 400, 0)
    ]
    assert found == sorted(found)
    assert order[found[-1]] == order[found[2]]  # half a night and a whole one read alike


def test_a_night_is_repeated_where_no_side_alone_has_the_hours(tmp_path):
    assert judged(lost_from(900), hours=0.4).verdict == "usable with limits"
    samples = lost_from(900)
    samples[0, : 900 * RATE] = 0.0
    found = judged(samples, hours=0.4)
    assert found.verdict == "repeat"
    assert "the best side alone" in found.findings[0].text


def test_a_night_of_a_study_may_be_scored_on_one_side():
    nights = tuple(
        StudyNight(id=f"n{k}", recording=f"{k}.edf", condition="none", channels=labels)
        for k, labels in enumerate(((), ("EMG L",)))
    )
    study = Study(pseudonym="P", channels=("EMG L", "EMG R"), night=nights)
    found = [study_request(study, n, Path()).channels for n in nights]
    assert found == [("EMG L", "EMG R"), ("EMG L",)]


def test_a_side_lost_in_its_clenches_too_reads_as_one_lost_after_them(tmp_path):
    plan = plan_night(Recipe(hours=0.5, awake_s=20.0, settle_s=10.0, morning_clench=False), seed=2)
    verdicts = []
    for first in (0.0, float(plan.duration_s) / 2):
        off = Fault("rail", "left", first, float(plan.duration_s), 1.0, 1)
        path = tmp_path / f"night{first:g}.edf"
        write_night(replace(plan, faults=(off,)), path, rate=500, start=START)
        verdicts.append(judge_file(path, Request(criterion=short_rules(tmp_path))).verdict)
    assert verdicts == ["usable with limits"] * 2


def test_a_missing_clench_an_unknown_clock_and_unknown_lights_are_limits():
    morning = judged(data(), reference=False)
    assert "missing clench" in causes(morning)
    morning = judged(data(), start=None, marks=())
    assert (morning.verdict, causes(morning)) == ("usable with limits", {"clock"})
    assert len(morning.findings) == 2


@pytest.mark.parametrize(
    ("start", "word"),
    [
        (datetime(2000, 1, 1, 0, 3), "never set"),
        (datetime(2026, 3, 2, 11, 0), "daylight"),
        (datetime.now().replace(hour=23) + timedelta(days=400), "still to come"),
    ],
)
def test_a_clock_that_was_not_set_or_set_wrongly_is_a_limit(start, word):
    (finding,) = judged(data(), start=start).findings
    assert finding.cause == "clock"
    assert word in finding.text
    assert "date and time" in finding.remedy


@pytest.mark.parametrize("hour", [20, 23, 1, 4])
def test_a_clock_of_the_night_is_no_limit(hour):
    assert judged(data(), start=START.replace(hour=hour)).verdict == "usable"


def test_lights_marks_in_the_wrong_order_are_the_cause_of_a_short_window():
    swapped = [replace(a, text=b.text) for a, b in zip(LIGHTS, reversed(LIGHTS), strict=True)]
    morning = judged(data(), marks=swapped)
    assert morning.verdict == "repeat"
    assert {(f.cause, f.remedy) for f in morning.findings} == {("clock", FIX_MARKS)}


def test_a_misspelt_mark_is_suggested():
    odd = [replace(m, text=m.text.replace("Lights", "Ligths")) for m in LIGHTS]
    text = " ".join(f.text for f in judged(data(), marks=odd).findings)
    assert "may mean lights off" in text
    assert "may mean lights on" in text


def test_a_gap_is_not_blamed_on_the_electrodes(tmp_path):
    recipe = Recipe(hours=0.5, awake_s=20.0, settle_s=10.0, morning_clench=False, gaps=((600, 900),))
    write_night(plan_night(recipe, seed=2), tmp_path / "night.edf", rate=500, start=START)
    morning = judge_file(tmp_path / "night.edf", Request())
    assert causes(morning) == {"battery"}


def test_a_side_that_shows_no_clench_where_the_other_does_is_an_electrode(tmp_path):
    plan = plan_night(Recipe(hours=0.3, awake_s=20.0, settle_s=10.0, morning_clench=False), seed=2)
    off = Fault("open_input", "left", 0.0, float(plan.duration_s), 8.0, 1)
    write_night(replace(plan, faults=(off,)), tmp_path / "night.edf", rate=500, start=START)
    morning = judge_file(tmp_path / "night.edf", Request())
    (found,) = (f for f in morning.findings if "left out" in f.text)
    assert (found.cause, found.remedy[:14]) == ("electrode", "clean and dry ")


def test_a_recording_that_stops_before_lights_on_points_to_the_battery():
    short = data()[:, : 700 * RATE]
    morning = judged(short, marks=LIGHTS[:1])
    assert morning.verdict == "repeat"
    assert morning.findings[0].cause == "battery"


def test_mains_over_the_night_is_a_limit_with_its_own_remedy():
    t = np.arange(SECONDS * RATE) / RATE
    morning = judged(data() + 15 * np.sin(2 * np.pi * 49.9 * t))
    assert (morning.verdict, causes(morning)) == ("usable with limits", {"mains"})


def test_no_word_is_about_the_person():
    morning = judged(data()[:, : 700 * RATE], marks=(), start=None, reference=False)
    text = " ".join(f"{f.text} {f.remedy}" for f in morning.findings).casefold()
    for word in ("bruxism", "episode", "grind", "patient", "normal", "severe", "score of"):
        assert word not in text


def test_clenches_near_rest_are_told_and_the_hours_still_given(tmp_path):
    path = tmp_path / "night.edf"
    plan = plan_night(Recipe(hours=0.2, awake_s=20.0, settle_s=10.0, morning_clench=False), seed=2)
    write_night(plan, path, rate=500)
    morning = judge_file(path, Request(mvc_uv=12.0))
    assert morning.valid_hours is not None
    assert "missing clench" in causes(morning)
    assert "resting level" in next(f.text for f in morning.findings if f.cause == "missing clench")


def test_each_night_of_a_study_gets_an_answer(tmp_path):
    plan = plan_night(Recipe(hours=0.2, awake_s=20.0, settle_s=10.0, morning_clench=False), seed=2)
    write_night(replace(plan, seed=3), tmp_path / "a.edf", rate=500)
    (tmp_path / "c.edf").write_bytes(b"no recording")
    study = tmp_path / "study.toml"
    study.write_text(
        'pseudonym = "P1"\n'
        + "".join(f'[[night]]\nid = "{k}"\nrecording = "{k}.edf"\ncondition = "none"\n' for k in "abc"),
        encoding="utf-8",
    )
    mornings = list(judge_study(study))
    assert [m.name for m in mornings] == ["a", "b", "c"]
    assert [m.valid_hours is None for m in mornings] == [False, True, True]
    # 12 minutes; a night that is not recorded yet, or was not copied; no recording
    assert [m.verdict for m in mornings] == ["repeat", None, "repeat"]
    assert judge_file(tmp_path / "typo.edf", Request()).verdict is None


def test_emg_of_rest_alone_is_usable_too():
    rng = np.random.default_rng(5)
    quiet = np.stack([emg(rng, SECONDS * RATE, RATE) * 2.5 for _ in range(2)])
    assert judged(quiet).verdict == "usable"
