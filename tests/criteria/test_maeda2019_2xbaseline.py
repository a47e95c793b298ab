"""Maeda M et al. J Prosthodont Res 2019. doi:10.1016/j.jpor.2019.04.003

Read, in the abstract: more than twice the baseline, 0.25 s or more, phasic, tonic and mixed episodes,
5.5 episodes/h without a comparison sign. Read in Thymi M et al. J Oral Rehabil 2021;48:846-871.
doi:10.1111/joor.13170: absolute value, 101-point moving mean of 0.1 s. Not published, so taken from
Lavigne 1996: 2.0 s, three bursts, 3 s. The baseline of the paper is a resting stretch; here it is the
running background.
"""

import numpy as np
import pytest

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.reference import given
from sleepbrux.scoring.night import score_night
from sleepbrux.signal.envelope import odd_frames

from .tables import (
    FRAME,
    MASSETERS,
    RATE,
    emg,
    in_words,
    lasting,
    night_of,
    scored,
    steady,
    tone,
    train,
)

pytestmark = pytest.mark.shows("maeda2019")

RULES = load_criterion("maeda2019_2xbaseline")


def test_exactly_twice_the_baseline_is_not_enough():
    stretches = [(20.0, 21.0, 9.9), (60.0, 61.0, 10.0), (90.0, 91.0, 10.1)]
    assert steady(RULES, stretches, rest_uv=5.0, mvc_uv=None) == [(90.0, 91.0)]


@pytest.mark.parametrize(("times", "found"), [(1.8, []), (2.2, [("phasic", 3)])])
def test_a_recorded_tone_at_2_2_times_the_baseline_is_scored_and_at_1_8_is_not(times, found):
    stretches = [(0.0, 120.0, 5.0)]
    stretches += [(a, b, times * 5.0) for a, b in train([1.0] * 3, 1.0, at_s=60.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=None, carrier=tone)) == found


@pytest.mark.parametrize(("times", "n"), [(1.0, 0), (6.0, 1)])
def test_recorded_emg_at_six_times_the_baseline_is_scored_and_the_baseline_itself_is_not(times, n):
    stretches = [(a, b, times * 5.0) for a, b in train([1.0] * 3, 1.0, at_s=60.0)]
    assert len(in_words(night_of(RULES, stretches, rest_uv=5.0, mvc_uv=None))) == n


def test_no_reference_clench_is_needed():
    assert not RULES.needs_mvc


def test_a_clench_stated_as_rms_gives_no_amplitude_in_pct_mvc_to_mean_rectified_values():
    rng = np.random.default_rng(1)
    signal_uv = emg(rng, 120 * RATE) * 5.0
    signal_uv[40 * RATE : 44 * RATE] *= 10
    recording = from_array(signal_uv[None], RATE, MASSETERS[:1])
    other, same = (
        score_night(recording, given(MASSETERS[:1], 200.0, amplitude=kind), RULES)
        for kind in ("rms", "rectified")
    )
    assert in_words(other) == in_words(same) == [("tonic", 1)]
    assert np.isnan(other.episodes.peak_pct_mvc).all()
    peak = other.measures["median_burst_peak_pct_mvc"]
    assert (peak.value, peak.reason) == (None, "the clench is stated in the other kind of µV")
    assert "amplitude-kinds-differ" in {note.code for note in other.notes}
    assert same.measures["median_burst_peak_pct_mvc"].value > 10


def test_a_floor_in_pct_mvc_can_be_added_as_in_the_paper_and_then_needs_a_clench():
    floored = RULES.derive({"threshold.floor_pct_mvc": 10.0})
    assert floored.needs_mvc
    # twice the baseline is 10 µV, 10 % of the clench 20 µV
    stretches = [(40.0, 41.0, 19.9), (80.0, 81.0, 20.1)]
    assert steady(floored, stretches, rest_uv=5.0, mvc_uv=200.0) == [(80.0, 81.0)]
    assert len(steady(RULES, stretches, rest_uv=5.0, mvc_uv=200.0)) == 2


def test_a_floor_below_twice_the_baseline_changes_nothing():
    floored = RULES.derive({"threshold.floor_pct_mvc": 4.0})
    stretches = [(40.0, 41.0, 9.9), (80.0, 81.0, 10.1)]
    assert steady(floored, stretches, rest_uv=5.0, mvc_uv=200.0) == [(80.0, 81.0)]


@pytest.mark.parametrize(
    ("duration_s", "kind"), [(0.24, "short"), (0.25, "phasic"), (2.0, "phasic"), (2.01, "tonic")]
)
def test_a_burst_lasts_0_25_s_or_more(duration_s, kind):
    assert scored(RULES, [lasting(duration_s)]).kinds == [kind]


def test_the_later_wording_longer_than_0_25_s_is_one_setting_away():
    later = RULES.derive({"burst.minimum_inclusive": False})
    assert scored(later, [lasting(0.25)]).kinds == ["short"]
    assert scored(later, [lasting(0.26)]).kinds == ["phasic"]


@pytest.mark.parametrize(
    ("durations_s", "pause_s", "found"),
    [
        ([0.5, 0.5], 1.0, []),
        ([0.5, 0.5, 0.5], 2.99, [("phasic", 3)]),
        ([0.5, 0.5, 0.5], 3.0, []),
        ([2.5], 1.0, [("tonic", 1)]),
        ([0.5, 2.5], 1.0, [("mixed", 2)]),
    ],
)
def test_phasic_tonic_and_mixed_episodes(durations_s, pause_s, found):
    assert scored(RULES, train(durations_s, pause_s)).found == found


def test_the_envelope_is_the_mean_absolute_value_over_eleven_frames():
    assert odd_frames(RULES.envelope.window_s, FRAME) == 11
    night = night_of(RULES, [(0.0, 120.0, 10.0)], mvc_uv=None, carrier=tone)
    # of a sine: sqrt(8) / pi of its RMS
    mean_absolute = night.background_uv["EMG Masseter L"]
    assert mean_absolute == pytest.approx(10.0 * np.sqrt(8) / np.pi, rel=0.03)


def test_crossings_stay_as_they_are_so_the_window_lengthens_a_burst():
    stretches = [(20.0 + 5 * k, 21.0 + 5 * k, 100.0) for k in range(15)]
    found = night_of(RULES, stretches, mvc_uv=None).bursts[0]
    lengths_s = (found.stops - found.starts) * float(FRAME)
    assert len(lengths_s) == 15
    # at 50 times the background a single active frame lifts the mean of eleven
    assert np.median(lengths_s) == pytest.approx(1.10, abs=0.025)


def test_the_cut_off_has_no_comparison_sign_and_says_how_few_it_stands_on():
    (cut_off,) = RULES.cut_offs
    assert (cut_off.measure, cut_off.comparison, cut_off.value) == (
        "episodes_per_hour",
        "unknown",
        5.5,
    )
    assert "20 persons" in cut_off.made_for
