"""The rendered samples hold what the plan says, at the level it says."""

import tracemalloc
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sleepbrux.synth.heart import heart_beats, pulse_rate, qrs
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import Background, Burst, ElectrodeOff, Group, NightPlan, TrueEpisode
from sleepbrux.synth.render import LOOSE_MAINS_UV, RAIL, STEP_UV, render, tiles

RATE = 1000
SILENT = Background(
    rest_uv=(0.0, 0.0),
    rest_swing=0.0,
    noise_uv=0.0,
    ecg_uv=(0.0, 0.0),
    mains_uv=(0.0, 0.0),
    offset_uv=(0.0, 0.0),
    drift_uv=0.0,
)


def quiet(duration_s=300, *, background=SILENT, **changes):
    plan = NightPlan(seed=2, duration_s=duration_s, mvc_uv=(200.0, 160.0), background=background)
    return replace(plan, **changes)


def rendered(plan, rate=RATE):
    """Both sides in µV, float64, shape (2, n_samples)."""
    parts = list(tiles(plan, rate))
    return np.array([np.concatenate(side) for side in zip(*parts, strict=True)]) * STEP_UV


def rms(data):
    return float(np.sqrt(np.mean(data**2)))


N_BURSTS, PERIOD_S = 240, 2.5


@pytest.fixture(scope="module")
def bursts():
    """Onsets 2.5 s apart: 1.5 s at half the MVC, 20 % more on the right and 10 ms later."""
    made = tuple(
        Burst(0.5 + PERIOD_S * i, 1.5, 0.5, right_ratio=1.2, right_lag_s=0.01) for i in range(N_BURSTS)
    )
    data = rendered(quiet(600, awake=(Group(made),)))
    return data.reshape(2, N_BURSTS, round(PERIOD_S * RATE))


def test_plateau_of_a_burst_has_the_stated_rms_on_each_side(bursts):
    inner = bursts[:, :, 600:1900]
    assert rms(inner[0]) == pytest.approx(0.5 * 200.0, rel=0.015)
    assert rms(inner[1]) == pytest.approx(0.5 * 1.2 * 160.0, rel=0.015)


def test_edges_of_a_burst_lie_where_its_ramp_is_half_way(bursts):
    level = np.sqrt(np.mean(bursts**2, axis=1))
    for side, expected, peak in ((0, 500, 100.0), (1, 510, 96.0)):
        above = np.flatnonzero(level[side] > peak / 2)
        assert above[0] == pytest.approx(expected, abs=4)
        assert above[-1] == pytest.approx(expected + 1500, abs=4)
        # a raised cosine of 30 ms: 6.7 % of the plateau 10 ms before half-way
        assert level[side][expected - 10] == pytest.approx(0.067 * peak, rel=0.25)
        assert level[side][expected + 1510] == pytest.approx(0.067 * peak, rel=0.25)


def test_nothing_is_there_between_bursts_but_what_the_background_says(bursts):
    assert not bursts[:, :, :480].any()
    assert not bursts[:, :, 2030:].any()


def test_a_burst_over_the_border_of_two_tiles_is_whole():
    data = rendered(quiet(120, awake=(Group((Burst(59.0, 2.0, 0.5),)),)))
    level = [rms(data[0, start : start + 250]) for start in range(59_050, 60_700, 150)]
    assert min(level) > 60.0


def test_one_sided_bursts_leave_the_other_side_silent():
    data = rendered(quiet(60, awake=(Group((Burst(10.0, 5.0, 0.5, sides=("left",)),)),)))
    assert rms(data[0, 10_100:14_900]) > 80.0
    assert not data[1].any()


def test_rest_is_muscle_and_amplifier_noise_in_power():
    data = rendered(quiet(background=replace(SILENT, rest_uv=(2.4, 2.7), noise_uv=1.0)))
    assert rms(data[0]) == pytest.approx(np.hypot(2.4, 1.0), rel=0.02)
    assert rms(data[1]) == pytest.approx(np.hypot(2.7, 1.0), rel=0.02)


def test_rest_swings_slowly_and_gain_scales_it():
    plan = quiet(3600, background=replace(SILENT, rest_uv=(2.0, 2.0), rest_swing=0.1), gain=(1, 2))
    minutes = np.sqrt(np.mean(rendered(plan, 250).reshape(2, 60, -1) ** 2, axis=2))
    assert 0.02 < np.log(minutes).std(axis=1).min() < np.log(minutes).std(axis=1).max() < 0.25
    assert np.log(minutes[1] / minutes[0]).mean() == pytest.approx(np.log(2), abs=0.25)


def test_mains_and_its_third_harmonic_have_the_stated_amplitude():
    back = replace(SILENT, rest_uv=(2.4, 2.7), noise_uv=1.0, mains_uv=(5.0, 3.0), harmonic=0.3)
    data = rendered(quiet(background=back))
    second = np.arange(data.shape[1]) / RATE
    for hz, share in ((50, 1.0), (150, 0.3), (100, 0.0)):
        found = 2 * np.abs(np.mean(data * np.exp(-2j * np.pi * hz * second), axis=1))
        assert found == pytest.approx(np.array([5.0, 3.0]) * share, abs=0.06)


def test_offset_and_drift_are_slow():
    back = replace(SILENT, offset_uv=(35.0, -20.0), drift_uv=15.0)
    data = rendered(quiet(3600, background=back), 250)
    assert data.mean(axis=1) == pytest.approx([35.0, -20.0], abs=15.0)
    assert 5.0 < data.std(axis=1).min() < data.std(axis=1).max() < 25.0
    assert np.abs(np.diff(data)).max() < 0.2


def test_heart_beats_stand_at_the_stated_height_where_the_truth_says():
    plan = quiet(background=replace(SILENT, ecg_uv=(12.0, 8.0)), gain=(1.0, 1.25))
    data, beats = rendered(plan), np.rint(heart_beats(plan) * RATE).astype(int)
    assert len(beats) > 240
    assert data[0, beats] == pytest.approx(12.0, abs=0.2)
    assert data[1, beats] == pytest.approx(10.0, abs=0.2)
    between = (beats[1:] + beats[:-1]) // 2
    assert np.abs(data[:, between]).max() < 0.1


def test_every_beat_is_whole_also_where_two_tiles_meet():
    plan = quiet(1800, background=replace(SILENT, ecg_uv=(50.0, 0.0)))
    beats, wave = np.rint(heart_beats(plan) * 250).astype(int), qrs(250)
    expected = np.zeros(1800 * 250 + len(wave))
    np.add.at(expected, beats[:, None] + np.arange(len(wave)), 50.0 * wave)
    half = len(wave) // 2
    found = rendered(plan, 250)[0]
    assert found == pytest.approx(expected[half : half + len(found)], abs=0.06)


def test_resting_heart_rate_stays_in_its_limits_and_uses_them():
    rate = pulse_rate(quiet(25_200))
    assert 50.0 <= rate.min() < 53.0
    assert 67.0 < rate.max() <= 70.0


def test_heart_rate_rises_by_a_quarter_within_a_beat_before_an_episode():
    episode = TrueEpisode((Burst(200.0, 4.0, 0.5),), "tonic")
    plan = quiet(episodes=(episode,))
    rate = pulse_rate(plan) / pulse_rate(quiet())
    assert rate[:1960].max() == 1.0
    assert rate[1996:2041].min() > 1.25
    assert rate[2300] < 1.01
    gaps = np.diff(heart_beats(plan))
    assert len(heart_beats(plan)) > len(heart_beats(quiet()))
    assert 0.6 < gaps.min() < 0.8 * np.median(gaps)


@pytest.fixture(scope="module")
def short_night():
    recipe = Recipe(
        hours=0.25,
        awake_s=60.0,
        settle_s=20.0,
        morning_s=20.0,
        episodes_per_hour=20.0,
        gaps=((500, 537),),
        electrode_off=(ElectrodeOff("right", 610.5, 700.25, 650.0),),
    )
    return plan_night(recipe, seed=3)


@pytest.mark.parametrize("rate", [250, 1000])
def test_samples_do_not_depend_on_the_size_of_chunks(short_night, rate):
    whole = [np.concatenate(s) for s in zip(*tiles(short_night, rate), strict=True)]
    assert len(whole[0]) == rate * (900 - 37)
    for chunk_s in (1, 7, 60, 100, 5000):
        parts = list(render(short_night, rate, chunk_s))
        assert all(len(a[0]) == chunk_s * rate for a, _ in pairwise(parts))
        for side, expected in zip(zip(*parts, strict=True), whole, strict=True):
            assert np.array_equal(np.concatenate(side), expected)


def test_a_gap_leaves_the_samples_around_it_as_they_were(short_night):
    with_gap = rendered(short_night)
    without = rendered(replace(short_night, gaps=()))
    assert np.array_equal(with_gap, np.delete(without, np.s_[500 * RATE : 537 * RATE], axis=1))


def test_a_loose_electrode_shows_mains_then_the_rail_on_its_side_only(short_night):
    plan = replace(short_night, gaps=())
    data, sound = rendered(plan), rendered(replace(plan, electrode_off=()))
    first, rail, last = 610_500, 650_000, 700_250
    assert np.array_equal(data[0], sound[0])
    assert np.array_equal(data[1, :first], sound[1, :first])
    assert np.array_equal(data[1, last:], sound[1, last:])
    assert (data[1, rail:last] == RAIL * STEP_UV).all()
    second = np.arange(first, rail) / RATE
    found = 2 * np.abs(np.mean(data[1, first:rail] * np.exp(-2j * np.pi * 50 * second)))
    assert found == pytest.approx(LOOSE_MAINS_UV, rel=0.02)


def test_memory_does_not_grow_with_the_night():
    def peak(duration_s):
        tracemalloc.start()
        for _ in tiles(quiet(duration_s), RATE):
            pass
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    short, long = peak(120), peak(1800)
    assert long < 20e6
    assert long < 1.2 * short


def test_crosstalk_spectrum_and_the_electrodes_own_noise_are_what_they_are_called():
    still = {"noise_uv": 0.0, "ecg_uv": (0.0, 0.0), "mains_uv": (0.0, 0.0), "drift_uv": 0.0}
    apart = rendered(quiet(60, background=Background(**still)))
    shared = rendered(quiet(60, background=Background(**still, crosstalk=0.3)))
    assert abs(np.corrcoef(apart)[0, 1]) < 0.05
    assert np.corrcoef(shared)[0, 1] == pytest.approx(2 * 0.3 / (1 + 0.3**2), abs=0.05)
    low, high = rendered(quiet(60, background=Background(**still, median_hz=(60.0, 140.0))))
    for data, median_hz in ((low, 60.0), (high, 140.0)):
        power = np.cumsum(np.abs(np.fft.rfft(data - data.mean())) ** 2)
        at = np.searchsorted(power, power[-1] / 2) / len(power) * RATE / 2
        assert at == pytest.approx(median_hz, rel=0.07)
    noisy = rendered(quiet(60, background=Background(**still, electrode_uv=(4.0, 0.0))))
    assert np.std(noisy[0] - apart[0]) == pytest.approx(4.0, rel=0.1)
    np.testing.assert_array_equal(noisy[1], apart[1])


def test_a_burst_can_swell_and_decline_and_the_muscle_tires():
    def level(burst, start_s, **background):
        plan = quiet(120, awake=(Group((burst,)),), background=Background(**background))
        part = rendered(plan)[0][round(start_s * RATE) : round((start_s + 1) * RATE)]
        return float(np.std(part))

    flat = Burst(100.0, 10.0, 0.5)
    assert level(replace(flat, decline=0.5), 108.5) == pytest.approx(0.55 * level(flat, 108.5), rel=0.05)
    assert level(flat, 105.0, fatigue=0.3) == pytest.approx(0.75 * level(flat, 105.0), rel=0.05)
    slow = replace(flat, modulation=0.5, modulation_hz=0.1)  # one swell in the ten seconds
    assert level(slow, 102.0) > 2 * level(slow, 107.0)
