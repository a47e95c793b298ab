"""Leg EMG, accelerometer and sound: what they say of seconds whose truth is known."""

from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.recording.memory import from_array
from sleepbrux.signal.actigraphy import read_sensor, sensors
from sleepbrux.signal.activity_counts import awake_minutes
from sleepbrux.signal.movement import raised_emg
from sleepbrux.signal.sound import read_sound, usable_sound
from tests.nights import signal_of


def test_a_leg_is_active_where_it_is():
    leg = signal_of([(40, 46, 60.0), (80, 80.3, 60.0)], seconds=120, rate=250)
    recording = from_array(leg, 250, ["EMG Leg L"])
    (found,) = raised_emg(recording, list(recording.channels))
    assert found.outside
    assert found.spans_s == pytest.approx(np.array([[40, 46]]), abs=0.2)


def test_a_chin_does_not_lie_outside():
    recording = from_array(signal_of([], seconds=30, rate=250), 250, ["EMG Chin"])
    (found,) = raised_emg(recording, list(recording.channels))
    assert not found.outside


def wrist(seconds, turns, shakes=(), rate=25, noise_g=0.003, seed=0):
    """Three axes in g: another angle of the arm from each turn on, shaking in some stretches."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * rate) / rate
    angle = np.radians(10.0 * np.searchsorted(turns, t))
    axes = np.stack((np.cos(angle), np.zeros(len(t)), np.sin(angle)))
    for a, b in shakes:
        axes += np.where((t >= a) & (t < b), 0.1, 0.0) * rng.normal(size=axes.shape)
    return axes + rng.normal(0, noise_g, axes.shape)


def sensor(data, rate=25, labels=("Acc wrist Z", "Acc wrist X", "Acc wrist Y"), order=(2, 0, 1)):
    recording = from_array(data[list(order)], rate, labels)
    (axes,) = sensors(recording.channels)
    return read_sensor(recording, axes)


def test_the_axes_of_one_sensor_are_one_channel_and_find_their_order():
    raised, _ = sensor(wrist(120, [], [(50, 58)]))
    assert raised.label == "Acc wrist X, Acc wrist Y, Acc wrist Z"
    assert raised.spans_s == pytest.approx(np.array([[50, 58]]), abs=0.6)


@pytest.mark.parametrize(
    "labels",
    [
        ("AccX", "AccY", "AccZ"),
        ("ACC_Z_wrist", "ACC_X_wrist", "ACC_Y_wrist"),
        ("Accelerometer-X", "Accelerometer-Y", "Accelerometer-Z"),
    ],
)
def test_axes_are_known_by_many_spellings(labels):
    recording = from_array(wrist(30, []), 25, labels)
    (axes,) = sensors(recording.channels)
    assert [c.label for c in axes] == sorted(labels, key=lambda label: label.replace("Acc", ""))


@pytest.mark.parametrize(
    ("place", "awake"),
    [("wrist", True), ("", True), ("chest", False), ("Thorax", False), ("neck", False), ("leg left", False)],
)
def test_only_a_sensor_that_may_be_on_the_wrist_says_who_is_awake(place, awake):
    data = wrist(2000, [600.0])
    recording = from_array(data, 25, [f"Acc {place} {axis}".replace("  ", " ") for axis in "XYZ"])
    _, wake_estimate = read_sensor(recording, sensors(recording.channels)[0])
    assert (wake_estimate is not None) is awake


def moving_arm(minutes, awake, rate):
    """Still, but for bouts of some seconds at 0.3-3 Hz in the minutes that are awake."""
    rng = np.random.default_rng(4)
    t = np.arange(minutes * 60 * rate) / rate
    bouts = np.isin((t // 60).astype(int), awake) & (t % 20 < 8)
    swing = 0.4 * np.sin(2 * np.pi * 1.0 * t) + 0.2 * np.sin(2 * np.pi * 0.5 * t)
    axes = np.stack((bouts * swing, 0.3 * bouts * swing, 1.0 + 0.1 * bouts * swing))
    return axes + rng.normal(0, 0.003, axes.shape)


@pytest.mark.parametrize("rate", [30, 51.2, 100])
def test_minutes_are_awake_by_counts_where_the_arm_moves(rate):
    rate = Fraction(str(rate))
    data = moving_arm(40, range(10, 20), float(rate))
    _, wake_estimate = sensor(
        data[:, : int(2400 * rate)], rate, ("Acc wrist X", "Acc wrist Y", "Acc wrist Z"), (0, 1, 2)
    )
    (span,) = wake_estimate.counted_awake_s
    assert 8 * 60 <= span[0] <= 10 * 60
    assert 20 * 60 <= span[1] <= 24 * 60
    (known,) = wake_estimate.counted_known_s
    assert known.tolist() == [240, 38 * 60]


def test_below_30_samples_a_second_no_counts_are_formed():
    _, wake_estimate = sensor(wrist(2000, [600.0], rate=25))
    assert len(wake_estimate.counted_known_s) == 0


def test_the_weighted_sum_of_seven_minutes_by_hand():
    counts = np.zeros(20)
    counts[10] = 1000.0  # 10 after division: 10 * 0.230 in its own minute
    weights = {8: 0.67, 9: 0.74, 10: 2.30, 11: 0.76, 12: 0.58, 13: 0.54, 14: 1.06}
    awake = awake_minutes(counts)
    assert np.flatnonzero(awake == 1).tolist() == [m for m, w in weights.items() if w >= 1]
    assert np.isnan(awake[:4]).all()
    assert np.isnan(awake[-2:]).all()
    counts[5] = np.nan
    assert np.isnan(awake_minutes(counts)[3:10]).all()


def test_probably_awake_is_what_is_no_five_minutes_without_a_turn_of_five_degrees():
    # van Hees et al., PLoS ONE 2015;10:e0142533 (5 degrees, 5 min; from memory)
    turns = [600, 720, 840, 1400]
    _, wake_estimate = sensor(wrist(2000, turns))
    awake = np.zeros(2000, dtype=bool)
    for a, b in wake_estimate.awake_s:
        awake[int(a) : int(b)] = True
    assert not awake[:595].any()
    assert awake[610:830].all()  # two turns within five minutes of each other
    assert not awake[850:1395].any()
    assert not awake[1410:].any()


def test_turns_of_less_than_five_degrees_wake_nobody():
    data = wrist(900, [])
    t = np.arange(data.shape[1]) / 25
    small = np.radians(4.0 * (np.floor(t / 60) % 2))
    data[0], data[2] = np.cos(small), np.sin(small)
    _, wake_estimate = sensor(data)
    assert len(wake_estimate.awake_s) == 0


def test_one_axis_gives_movement_and_no_wake_and_a_chin_sensor_is_not_outside():
    one = from_array(wrist(120, [], [(50, 58)])[0], 25, ["Accelerometer"])
    raised, wake_estimate = read_sensor(one, sensors(one.channels)[0])
    assert len(raised.spans_s) == 1
    assert wake_estimate is None
    chin, none = sensor(wrist(60, []), labels=("Acc chin Z", "Acc chin X", "Acc chin Y"))
    assert not chin.outside
    assert none is None


def audio(rate=8000, seconds=60):
    rng = np.random.default_rng(0)
    t = np.arange(seconds * rate) / rate
    signal = 0.01 * rng.normal(size=len(t))
    scrape = np.diff(rng.normal(size=len(t) + 2), 2)
    signal += np.where((t >= 20) & (t < 24), 0.2 * scrape, 0)
    signal += np.where((t >= 40) & (t < 44), 0.5 * np.sin(2 * np.pi * 140 * t), 0)
    return from_array(signal, rate, ["Microphone"])


def test_a_scrape_is_grinding_like_and_a_voice_is_only_loud():
    recording = audio()
    sound = read_sound(recording, usable_sound(recording.channels))
    scrape, voice, quiet = (sound.within(a, a + 3) for a in (20.5, 40.5, 5.0))
    assert (sound.grinding[scrape] == 1).mean() > 0.9
    assert (sound.rise_db[scrape] > 20).mean() > 0.9
    assert (sound.rise_db[voice] > 20).mean() > 0.9
    assert (sound.grinding[voice] == 1).sum() == 0
    assert np.abs(sound.rise_db[quiet]).max() < 3


def test_only_a_level_and_a_flag_an_eighth_of_a_second_are_kept():
    recording = audio()
    sound = read_sound(recording, usable_sound(recording.channels))
    arrays = [v for v in vars(sound).values() if isinstance(v, np.ndarray)]
    assert [len(a) for a in arrays] == [480, 480]


def test_a_slow_sound_channel_tells_loud_from_quiet_and_nothing_of_grinding():
    recording = audio(rate=500)
    sound = read_sound(recording, usable_sound(recording.channels))
    assert (sound.grinding == -1).all()
    assert (sound.rise_db[sound.within(40.5, 43)] > 15).all()


def test_a_recording_of_sound_that_starts_later_is_shifted():
    recording = audio()
    sound = read_sound(recording, usable_sound(recording.channels), start_s=100.0)
    assert (sound.rise_db[sound.within(120.5, 123.0)] > 20).all()
    assert len(sound.rise_db[sound.within(10.0, 20.0)]) == 0
