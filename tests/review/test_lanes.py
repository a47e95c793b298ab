"""What lies beside the trace, from what the archive holds."""

from dataclasses import replace

import numpy as np

from sleepbrux.review.lanes import lanes_of
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.movement import ActivityChannel
from sleepbrux.signal.sound import Sound
from sleepbrux.signal.surroundings.model import STAGES, Position, Stages, Surroundings


def with_around(night, **surroundings):
    return replace(night, swept=replace(night.swept, surroundings=Surroundings(**surroundings)))


def named(night):
    return {lane.name: lane for lane in lanes_of(night)}


def test_a_night_without_surroundings_has_its_marks_only(night):
    lanes = named(with_around(night))
    assert list(lanes) == ["marks"]
    assert (5.0, 5.0, "Lights off") in lanes["marks"].spans


def test_the_heart_rate_breaks_where_intervals_are_not_trusted(night):
    beats = np.array([10.0, 11.0, 12.0, 20.0, 20.5])
    heart = Heart("ECG", "ecg", beats, np.array([False, True, True, False, True]))
    lane = named(with_around(night, heart=heart))["heart rate"]
    assert lane.times_s.tolist() == [11.0, 12.0, 12.0, 20.5]
    assert lane.values[[0, 1, 3]].tolist() == [60.0, 60.0, 120.0]
    assert np.isnan(lane.values[2])
    assert lane.as_table()["points"][2] == [12.0, None]


def test_sound_is_the_highest_of_each_second(night):
    rise = np.full(25, 1.0, dtype=np.float32)
    rise[13] = 9.0
    rise[20:] = np.nan
    sound = Sound("Audio", 0.1, 4.0, rise, np.zeros(25, dtype=np.int8))
    lane = named(with_around(night, sound=sound))["sound"]
    assert lane.times_s.tolist() == [4.5, 5.5, 6.5]
    assert lane.values[:2].tolist() == [1.0, 9.0]
    assert np.isnan(lane.values[2])


def test_stages_positions_and_movements_are_bars(night):
    spans = np.array([[0.0, 30.0], [30.0, 90.0]])
    code = np.array([0, 1], dtype=np.int8)
    lanes = named(
        with_around(
            night,
            stages=Stages(spans, code, "a file"),
            position=Position(spans, code, ("left", "back"), "marks"),
            activity_channels=(ActivityChannel("ACC", "accelerometer", True, spans, spans),),
        )
    )
    assert lanes["stage"].spans == ((0.0, 30.0, STAGES[0]), (30.0, 90.0, STAGES[1]))
    assert [s[2] for s in lanes["position"].spans] == ["left", "back"]
    assert lanes["movement: ACC"].spans[1] == (30.0, 90.0, "")
