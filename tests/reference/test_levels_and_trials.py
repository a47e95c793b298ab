"""The reference clench: levels, spread, and what is refused."""

import math

import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.core.errors import ReferenceLevelError
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.signal.sweep import sweep
from tests.nights import LABELS, recording_of, signal_of

CLENCHES = [(30.0, 33.0), (43.0, 46.0), (56.0, 59.0)]


def frames(levels_uv=(200.0, 200.0, 200.0), **options):
    bursts = [(a, b, uv) for (a, b), uv in zip(CLENCHES, levels_uv, strict=True)]
    recording = recording_of([bursts], seconds=70, **options)
    return sweep(recording, recording.channels)


def measured(swept, **options):
    """``options`` are fields of the settings."""
    origin = calibration.ReferenceOrigin("test", "same electrodes")
    settings = calibration.ClenchSettings(**options)
    return calibration.from_clenches(swept, CLENCHES, [(2.0, 22.0)], settings, origin=origin)


def test_the_level_is_the_mean_over_trials_of_the_best_second():
    swept = frames()
    (level,) = measured(swept).levels
    energy = swept[0].energy.astype(float)
    best = [
        max(np.sqrt(energy[k : k + 100].mean()) for k in range(int(a * 100), int(b * 100) - 99))
        for a, b in CLENCHES
    ]
    assert level.trials_uv == pytest.approx(best, rel=1e-9)
    assert level.mvc_uv == pytest.approx(np.mean(best), rel=1e-9)


def test_the_best_of_three_seconds_is_a_few_per_cent_above_the_true_level():
    levels = [measured(frames(seed=s)).levels[0].mvc_uv for s in range(8)]
    assert 200 * 0.97 < np.mean(levels) < 200 * 1.12


def test_rest_is_the_level_over_all_resting_frames():
    (level,) = measured(frames()).levels
    assert level.rest_uv == pytest.approx(2.5, rel=0.05)


def test_rms_is_above_mean_rectified_by_the_root_of_half_pi():
    swept = frames()
    ratio = measured(swept).levels[0].rest_uv / measured(swept, amplitude="rectified").levels[0].rest_uv
    assert ratio == pytest.approx(math.sqrt(math.pi / 2), rel=0.02)


def test_trials_that_spread_by_more_than_15_per_cent_are_warned_of_and_by_30_refused():
    assert not measured(frames()).notes
    assert [n.code for n in measured(frames((200.0, 150.0, 210.0))).notes] == ["mvc-spread"]
    with pytest.raises(ReferenceLevelError, match="spread by"):
        measured(frames((200.0, 80.0, 210.0)))


def test_fewer_than_two_clenches_are_refused():
    with pytest.raises(ReferenceLevelError, match="two are"):
        calibration.from_clenches(
            frames(), CLENCHES[:1], origin=calibration.ReferenceOrigin("test", "same electrodes")
        )


def test_a_clench_shorter_than_a_second_does_not_count():
    with pytest.raises(ReferenceLevelError, match="0 usable"):
        calibration.from_clenches(
            frames(),
            [(30.0, 30.8), (43.0, 43.9)],
            origin=calibration.ReferenceOrigin("test", "same electrodes"),
        )


def test_a_clench_below_three_times_rest_is_refused():
    with pytest.raises(ReferenceLevelError, match="times rest"):
        measured(frames((6.0, 6.0, 6.0)))


def test_a_clipped_clench_is_refused():
    from dataclasses import replace

    data = np.clip(signal_of([(a, b, 200.0) for a, b in CLENCHES], seconds=70), -300, 300)
    recording = from_array(data[None], 1000, LABELS[:1])
    railed = replace(recording.channels[0], digital_min=-300, digital_max=300)
    with pytest.raises(ReferenceLevelError, match="clipped"):
        measured(sweep(recording, [railed]))


def test_one_value_serves_all_channels_and_is_noted():
    reference = calibration.given(LABELS, 172.0)
    assert [level.mvc_uv for level in reference.levels] == [172.0, 172.0]
    assert {"one-mvc-for-all", "reference-placement-unknown"} <= {n.code for n in reference.notes}


def test_a_value_a_label_must_name_every_scored_channel():
    with pytest.raises(ReferenceLevelError, match="no MVC is given"):
        calibration.given(LABELS, {LABELS[0]: 172.0})
    with pytest.raises(ReferenceLevelError, match="not scored"):
        calibration.given(LABELS, {"Chin": 172.0})


@pytest.mark.parametrize("value", [0.0, -5.0, float("nan"), float("inf")])
def test_an_impossible_level_is_refused(value):
    with pytest.raises(ReferenceLevelError, match="above 0"):
        calibration.given(LABELS, value)


@pytest.mark.shows("unit-slip")
@pytest.mark.parametrize("value", [0.172, 172_000.0])
def test_a_slip_of_unit_is_refused(value):
    with pytest.raises(ReferenceLevelError, match=r"172 µV would be plausible.*factor of 1000"):
        calibration.given(LABELS[:1], value)


@pytest.mark.parametrize("value", [15.0, 4000.0])
def test_an_odd_level_is_noted(value):
    codes = [n.code for n in calibration.given(LABELS[:1], value).notes]
    assert "mvc-implausible" in codes


@pytest.mark.shows("appliance-reference")
def test_clenches_with_an_appliance_in_are_no_reference():
    rows = [
        (10, 3, "Clench natural teeth"),
        (20, 3, "Clench natural teeth"),
        (30, 3, "Clench with occlusal splint"),
        (900, 3, "Clench natural teeth"),
    ]
    marks = [Mark(float(a), float(d), t) for a, d, t in rows]
    assert calibration.marked_clenches(marks)[0] == [(10, 13), (20, 23), (900, 903)]
    assert calibration.marked_clenches(marks, before_s=500)[0] == [(10, 13), (20, 23)]
    assert calibration.marked_clenches(marks)[1] == "natural teeth"


def test_a_clench_mark_without_words_leaves_the_teeth_not_stated():
    marks = [Mark(10.0, 3.0, "MVC"), Mark(20.0, 3.0, "MVC")]
    assert calibration.marked_clenches(marks)[1] == "not stated"


def test_marks_of_the_night_are_no_reference():
    marks = [Mark(t, 3.0, "Clenching") for t in (1000.0, 2000.0, 3000.0)]
    assert len(calibration.marked_clenches(marks)[0]) == 3
    assert calibration.marked_clenches(marks, night_s=(500.0, 20000.0))[0] == []
