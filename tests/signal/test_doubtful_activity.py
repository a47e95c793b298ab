"""Activity that may be no muscle, or be measured with another gain, is named; two muscles are not doubted."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.core.spans import Spans
from sleepbrux.recording.memory import from_array
from sleepbrux.signal.doubtful_activity import ALIKE, _surely, bluntest_muscle
from sleepbrux.signal.levels import at_level
from sleepbrux.signal.quality import white_sharpness
from sleepbrux.signal.swept import sweep_recording
from tests.signal.test_contact import shaped

LABELS = ["EMG Masseter L", "EMG Masseter R"]
RATE = 1000
SECONDS = 240
BURSTS_S = [(at, at + length) for at in range(10, 230, 10) for length in (0.4,)]


def noise(seed, seconds=SECONDS, rate=RATE, median_hz=106):
    return shaped(np.random.default_rng(seed), seconds * rate, rate, median_hz)


def envelope(spans_s=BURSTS_S, seconds=SECONDS, rate=RATE, level_uv=40.0):
    level = np.zeros(seconds * rate)
    for start, stop in spans_s:
        a, b = round(start * rate), round(stop * rate)
        ramp = np.clip(np.minimum(np.arange(b - a), np.arange(b - a)[::-1]) / (0.03 * rate), 0, 1)
        level[a:b] = level_uv * ramp
    return level


def rest(seed, **of):
    return 2.5 * noise(seed, **of) + np.random.default_rng(seed).normal(0, 0.5, len(noise(seed, **of)))


def swept_of(*channels, rate=RATE, labels=LABELS):
    return sweep_recording(from_array(np.stack(channels), rate, labels[: len(channels)]))


def doubts(*channels, **of):
    return [q.doubts for q in swept_of(*channels, **of).quality]


def two_muscles(crosstalk=0.0, *, right=1.0, rate=RATE, median_hz=106, spans_s=BURSTS_S):
    of = {"rate": rate, "median_hz": median_hz}
    left = rest(1, **of) + envelope(spans_s, rate=rate) * noise(3, **of)
    other = rest(2, **of) + right * envelope(spans_s, rate=rate) * noise(4, **of)
    return left + crosstalk * other, other + crosstalk * left


@pytest.mark.parametrize("share", [1.0, 0.6, 0.4])
def test_the_same_wave_on_two_sides_is_doubted_on_both(share):
    wave = envelope() * noise(5)
    left, right = doubts(rest(1) + wave, rest(2) + share * wave)
    assert list(left) == list(right) == ["shared"]
    found = left["shared"]
    for start, stop in BURSTS_S:
        inside = Spans.of(found.grid, [(found.grid.slot_at(start), found.grid.slot_at(stop))])
        assert (found & inside).duration_s > 0.9 * (stop - start)
    assert found.duration_s < 2.5 * sum(b - a for a, b in BURSTS_S)


@pytest.mark.parametrize("crosstalk", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("rate", [250, 500, 1000])
def test_two_muscles_that_act_together_are_two_noises(rate, crosstalk):
    long = [(at, at + 4.0) for at in range(10, 230, 10)]
    for spans_s in (BURSTS_S, long):
        assert doubts(*two_muscles(crosstalk, rate=rate, spans_s=spans_s), rate=rate) == [{}, {}]


@pytest.mark.parametrize("crosstalk", [0.1, 0.3])
def test_a_muscle_that_reaches_the_other_sides_electrodes_is_a_muscle(crosstalk):
    assert doubts(*two_muscles(crosstalk, right=0.0)) == [{}, {}]


def test_electrodes_of_one_side_and_one_channel_alone_are_not_asked():
    wave = envelope() * noise(5)
    both = (rest(1) + wave, rest(2) + wave)
    assert doubts(*both, labels=["EMG Masseter L", "EMG Temporalis L"]) == [{}, {}]
    assert doubts(both[0]) == [{}]


def test_a_muscle_under_the_shared_wave_keeps_its_time():
    """Where both sides contract more strongly than what they share, nothing is doubted."""
    wave = envelope(level_uv=10.0) * noise(5)
    long = [(a - 1, b + 1) for a, b in BURSTS_S]
    left, right = two_muscles(spans_s=long)
    assert doubts(left + wave, right + wave) == [{}, {}]


def rubbing(level_uv, swing_uv):
    """What a cable leaves: 35 to 70 Hz in the band, and a slow swing of 3 Hz under it."""
    low = shaped(np.random.default_rng(7), SECONDS * RATE, RATE, 50, spread=0.2)
    t_s = np.arange(SECONDS * RATE) / RATE
    return envelope(level_uv=level_uv) * low + envelope(level_uv=swing_uv) * np.sin(2 * np.pi * 3 * t_s)


def test_a_blunt_burst_over_a_swing_is_doubted_and_a_low_muscle_is_not():
    swept = swept_of(rest(1) + rubbing(40.0, 400.0))
    found = swept.quality[0].doubts
    assert list(found) == ["blunt"]
    raised = Spans.from_mask(found["blunt"].grid, swept.frames[0].energy > 20.0**2)
    raised = raised & swept.quality[0].usable  # what is neither repaired nor excluded
    assert raised.duration_s > 1.0
    assert (raised - found["blunt"]).duration_s < 0.05 * raised.duration_s
    low = noise(3, median_hz=60) * envelope()
    assert doubts(rest(1) + low) == [{}]
    assert doubts(rest(1) + low + envelope(level_uv=100.0) * 0.5) == [{}]


def test_wide_beats_do_not_hide_a_rubbing_cable():
    """What a muscle looks like is taken from between the beats."""
    t_s = np.arange(SECONDS * RATE) / RATE
    beats = 300.0 * np.exp(-(((t_s % 0.9 - 0.3) / 0.02) ** 2))
    swept = swept_of(rest(1) + rubbing(40.0, 400.0) + beats)
    assert list(swept.quality[0].doubts) == ["blunt"]
    assert swept.quality[0].doubts["blunt"].duration_s > 5.0
    assert doubts(rest(1) + envelope() * noise(3) + beats) == [{}]


def test_the_bluntest_muscle_lies_below_white_noise_at_every_rate():
    for rate in (200, 500, 1000, 4000):
        assert 0 < bluntest_muscle(Fraction(rate)) < 1.25 * white_sharpness(float(rate))


def test_a_side_that_does_not_come_down_is_doubted_where_the_other_one_rests():
    seconds = 900
    raised = np.ones(seconds * RATE)
    raised[400 * RATE : 600 * RATE] = 6.0
    t_s = np.arange(seconds * RATE) / RATE
    noise_uv = (3.0 + np.sin(2 * np.pi * t_s / 7)) * noise(9, seconds=seconds, median_hz=180)
    left, right = rest(1, seconds=seconds), rest(2, seconds=seconds)
    noisy = left + (raised - 1) * noise_uv
    one, other = doubts(noisy, right)
    assert (list(one), other) == (["loose"], {})
    assert 120 <= one["loose"].duration_s <= 240
    growing = np.clip((np.arange(seconds * RATE) / RATE - 300) / 100, 0, 5)
    early = doubts(left + growing * noise_uv, right)[0]["loose"]
    assert early.seconds()[0][0] <= 510  # from three times the power of rest on, once it is sure
    both = doubts(left * raised, right * raised)
    assert not any("loose" in found for found in both)


def sunk(factor, seconds=1800):
    gain = np.ones(seconds * RATE)
    gain[600 * RATE : 1200 * RATE] = factor
    return rest(1, seconds=seconds) * gain


@pytest.mark.parametrize("factor", [0.4, 2.0])
def test_a_rest_that_changes_by_a_factor_is_doubted_and_can_be_set_right(factor):
    swept = swept_of(sunk(factor))
    found = swept.quality[0].doubts
    assert list(found) == ["gain"]
    assert found["gain"].duration_s == pytest.approx(600, abs=60)
    right = at_level(swept.frames[0], swept.quality[0].usable, found["gain"])
    level = [np.sqrt(np.mean(right.energy[a * 100 : b * 100])) for a, b in ((100, 500), (700, 1100))]
    assert level[1] == pytest.approx(level[0], rel=0.05)
    rectified = [np.mean(right.rectified[a * 100 : b * 100]) for a, b in ((100, 500), (700, 1100))]
    assert rectified[1] == pytest.approx(rectified[0], rel=0.05)


def test_a_rest_that_wanders_a_little_is_not_doubted():
    swept = swept_of(sunk(0.75))
    assert swept.quality[0].doubts == {}
    nothing = swept.frames[0].grid.none()
    assert at_level(swept.frames[0], swept.quality[0].usable, nothing) is swept.frames[0]


@pytest.mark.parametrize("seconds", [0.5, 1, 3, 29, 31, 61])
def test_a_recording_may_be_short(seconds):
    n = round(seconds * RATE)
    assert doubts(rest(1)[:n], rest(2)[:n]) == [{}, {}]


def creeping(seconds=1200, factor=0.55, sides=(1, 2), below_uv=0.0, below_follows=True):
    """Both sides rest lower and lower; below the band a slow swing that follows the gain, or stays."""
    gain = factor ** np.linspace(0, 1, seconds * RATE)
    slow = below_uv * np.sin(2 * np.pi * 3 * np.arange(seconds * RATE) / RATE)
    return [rest(s, seconds=seconds) * gain + slow * (gain if below_follows else 1.0) for s in sides]


def test_a_level_that_creeps_on_both_sides_is_doubted_though_no_window_is_far_from_the_usual():
    swept = swept_of(*creeping())
    assert [list(q.doubts) for q in swept.quality] == [["creep"], ["creep"]]
    frames, quality = swept.frames[0], swept.quality[0]
    ends = [
        at_level(frames, quality.usable, quality.doubts["creep"], place) for place in ("lowest", "highest")
    ]
    for whole, factor in zip(ends, (0.55**0.9, 0.55**0.1), strict=True):
        level = [np.sqrt(np.mean(whole.energy[a * 100 : b * 100])) for a, b in ((60, 300), (900, 1140))]
        assert level[0] == pytest.approx(level[1], rel=0.05)
        first = np.sqrt(np.mean(frames.energy[: 30 * 100]))
        assert level[0] == pytest.approx(first * factor, rel=0.06)


def test_a_creep_needs_both_sides_and_what_lies_below_the_band():
    assert doubts(creeping()[0]) == [{}]
    left, _ = creeping()
    assert doubts(left, rest(2, seconds=1200)) == [{}, {}]
    follows = doubts(*creeping(below_uv=15.0))
    assert [list(found) for found in follows] == [["creep"], ["creep"]]
    assert doubts(*creeping(below_uv=15.0, below_follows=False)) == [{}, {}]  # the muscles' own tone
    assert doubts(*creeping(factor=0.8)) == [{}, {}]


def test_tone_is_told_from_a_creep_whatever_the_digital_step():
    def stored(*channels, step_uv=0.05):
        recording = from_array(np.stack(channels) / step_uv, RATE, LABELS)
        channels = tuple(replace(channel, gain=step_uv) for channel in recording.channels)
        return [list(q.doubts) for q in sweep_recording(replace(recording, channels=channels)).quality]

    assert stored(*creeping(700, below_uv=15.0)) == [["creep"], ["creep"]]
    assert stored(*creeping(700, below_uv=15.0, below_follows=False)) == [[], []]


def test_beats_under_a_sunk_level_do_not_hide_it():
    seconds = 1800
    beats = np.zeros(seconds * RATE)
    wave = 60.0 * np.exp(-((np.arange(-20, 21) / 6.0) ** 2))
    for at in np.cumsum(np.random.default_rng(3).uniform(0.8, 1.2, 1700)):
        k = round(at * RATE)
        if k + 41 < len(beats):
            beats[k : k + 41] += wave
    assert "gain" in doubts(sunk(0.4) + beats)[0]


def test_what_is_barely_raised_is_as_unsure_as_its_part_above_rest_is_small():
    """Where a third of the power is more than rest, chance weighs three times as much."""
    n = np.array([30.0])
    r, least = _surely(np.array([0.25]), np.ones(1), np.ones(1), n, np.array([0.3]))
    assert r[0] == pytest.approx(0.25 / 0.3)
    assert least[0] < 0
    assert _surely(np.array([0.9]), np.ones(1), np.ones(1), n, np.ones(1))[1][0] > ALIKE
