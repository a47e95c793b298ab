"""Gallo LM, Gross SS, Palla S. J Dent Res 1999;78:1436-1444. Read in the abstract: a contraction
period is signal above a threshold that may hold portions below it shorter than a pause of 5 s;
amplitude in % MVC; no types of burst.

Gallo LM et al. J Oral Rehabil 2002. doi:10.1046/j.1365-2842.2002.01026_3.x. Read in the abstract:
integration over 500 ms, pause 5 s.

The threshold of the papers could not be read; 10 % MVC stands in for it.
"""

import numpy as np
import pytest

from sleepbrux.core.errors import UsageError
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.reference import converted, given
from sleepbrux.scoring.night import score_night
from sleepbrux.signal.envelope import odd_frames

from .tables import (
    FRAME,
    MASSETERS,
    RATE,
    in_words,
    lasting,
    night_of,
    scored,
    steady,
    tone,
    train,
)

pytestmark = pytest.mark.shows("gallo1999")

RULES = load_criterion("gallo1999_contraction")


# Signal above a threshold


def test_activity_must_exceed_the_stand_in_of_10_pct_mvc():
    stretches = [(20.0, 21.0, 19.9), (40.0, 41.0, 20.0), (60.0, 61.0, 20.1)]
    assert steady(RULES, stretches, mvc_uv=200.0) == [(60.0, 61.0)]


@pytest.mark.parametrize(("pct", "found"), [(9.0, []), (11.0, [("unclassified", 1)])])
def test_a_recorded_tone_at_11_pct_mvc_is_scored_and_one_at_9_is_not(pct, found):
    mean_absolute_of_a_sine = np.sqrt(8) / np.pi
    uv_rms = 2 * pct / mean_absolute_of_a_sine
    night = night_of(RULES, [(40.0, 44.0, uv_rms)], mvc_uv=200.0, carrier=tone)
    assert in_words(night) == found


@pytest.mark.parametrize(("pct", "found"), [(5.0, []), (40.0, [("unclassified", 1)])])
def test_recorded_emg_at_four_times_the_level_is_scored_and_at_half_of_it_is_not(pct, found):
    assert in_words(night_of(RULES, [(40.0, 44.0, 2 * pct)], mvc_uv=200.0)) == found


def test_that_the_threshold_is_a_stand_in_is_said():
    assert RULES.sources["threshold.level_pct_mvc"].status == "our choice"
    assert any("could not be read" in text for text in RULES.departures)


# Portions below it shorter than a pause of 5 s


def test_contractions_4_99_s_apart_are_one_episode_and_5_00_s_apart_are_two():
    assert scored(RULES, train([1.0, 1.0], 4.99)).found == [("unclassified", 2)]
    assert scored(RULES, train([1.0, 1.0], 5.0)).found == [("unclassified", 1)] * 2


def test_the_pause_starts_again_with_every_contraction():
    assert scored(RULES, train([0.5] * 6, 4.0)).found == [("unclassified", 6)]


def test_the_signal_itself_is_not_bridged():
    stretches = [(20.0, 21.0, 80.0), (21.01, 22.0, 80.0)]
    assert steady(RULES, stretches) == [(20.0, 21.0), (21.01, 22.0)]


# No types of burst: every contraction counts


@pytest.mark.parametrize("duration_s", [0.01, 0.25, 2.0, 2.01, 60.0])
def test_one_contraction_of_any_length_is_an_episode_without_a_type(duration_s):
    result = scored(RULES, [lasting(duration_s)])
    assert result.kinds == ["unclassified"]
    assert result.found == [("unclassified", 1)]


def test_rates_of_types_have_no_value_and_say_why():
    measures = night_of(RULES, [(40.0, 44.0, 80.0)]).measures
    for kind in ("phasic", "tonic", "mixed"):
        rate = measures[f"{kind}_episodes_per_hour"]
        assert (rate.value, rate.reason) == (None, "the criterion has no burst types")
    assert measures["episode_count"].value == 1
    assert measures["short_bursts_per_hour"].value == 0


# Integration over 500 ms, crossings as they are


def test_the_envelope_is_the_mean_absolute_value_over_half_a_second():
    assert odd_frames(RULES.envelope.window_s, FRAME) == 51
    night = night_of(RULES, [(0.0, 120.0, 10.0)], carrier=tone)
    mean_absolute = night.background_uv[MASSETERS[0]]
    assert mean_absolute == pytest.approx(10.0 * np.sqrt(8) / np.pi, rel=0.03)


def test_the_window_lengthens_a_contraction_by_up_to_half_a_second():
    # far above the threshold of 20 µV a tenth of the window suffices; at twice the threshold it takes half
    far, near = (
        night_of(RULES, [(40.0, 42.0, uv * np.pi / np.sqrt(8))], carrier=tone).bursts[0]
        for uv in (1000.0, 40.0)
    )
    assert int(far.stops[0] - far.starts[0]) == pytest.approx(250, abs=3)
    assert int(near.stops[0] - near.starts[0]) == pytest.approx(200, abs=5)


def score_with(reference):
    rng = np.random.default_rng(1)
    signal_uv = tone(rng, 120 * RATE) * 2.0
    signal_uv[40 * RATE : 44 * RATE] *= 20
    return score_night(from_array(signal_uv[None], RATE, MASSETERS[:1]), reference, RULES)


def test_a_clench_stated_as_rms_is_refused_for_these_rules_measure_mean_rectified_values():
    with pytest.raises(UsageError, match=r"in root mean square .* measures mean rectified .*`convert_to`"):
        score_with(given(MASSETERS[:1], 200.0))


def test_it_is_converted_where_that_is_asked_for_and_the_note_names_the_factor():
    stated = given(MASSETERS[:1], 200.0)
    night = score_with(converted(stated, "rectified"))
    factor = np.sqrt(np.pi / 2)
    assert night.threshold_uv[MASSETERS[0]] == pytest.approx(0.1 * 200.0 / factor)
    (note,) = [n for n in night.notes if n.code == "amplitude-converted"]
    assert "0.798" in note.text


def test_amplitude_is_kept_in_pct_mvc():
    night = night_of(RULES, [(40.0, 44.0, 100.0)], carrier=tone)
    expected = 100 * 100.0 * np.sqrt(8) / np.pi / 200.0
    assert night.episodes.peak_pct_mvc == pytest.approx([expected], rel=0.02)


# Nothing to class persons by


def test_there_is_no_cut_off():
    assert RULES.cut_offs == ()
