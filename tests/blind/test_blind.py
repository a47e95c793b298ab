"""The blind faults do what their docstrings say, and the tool finds the truth of the blind clean night."""

from functools import cache

import numpy as np
import pytest
from scipy.signal import butter, periodogram, sosfiltfilt

import sleepbrux as sb
from tests.blind.__main__ import Scored, moved, tries
from tests.blind.faults import FAULTS, STRENGTHS
from tests.blind.night import LABELS, MVC_UV, REST_UV, band_noise, clean_night

RATE_HZ = 1000
DURATION_S = 220

# Alone, at full strength, on silence: band of the fault, least share of its power there, and its highest RMS over
# 0.2 s within 20-450 Hz in µV (a range where the docstring leaves one: flutter, harmonics, pieces of a beat).
ADDED = {
    "sweat_bridge": ((0.001, 0.25), 0.9, (0, 1)),  # kinks between its knots
    "half_detached": ((10, 300), 0.9, (35, 110)),
    "cable_sway": ((0.1, 8), 0.8, (50, 90)),
    "snoring": ((60, 460), 0.95, (38, 60)),
    "pulse": ((0.5, 20), 0.95, (0, 40)),
    "ectopic_heart": ((1, 100), 0.9, (35, 60)),
    "charger_bursts": ((90, 499), 0.95, (54, 66)),
    "posture_hum": ((48, 252), 0.99, (10, 90 / np.sqrt(2) * np.sqrt(1.2) * 1.1)),
    "hum_under_muscle": ((48, 252), 0.99, (27, 33)),
    "card_writes": ((145, 410), 0.9, (30, 40)),
}


@cache
def _rest() -> np.ndarray:
    return clean_night(5, duration_s=DURATION_S, events=False).signal_uv


def rest() -> np.ndarray:
    return _rest().copy()


def spoil(name: str, signal_uv: np.ndarray, strength: float, seed: int = 1) -> np.ndarray:
    return FAULTS[name](signal_uv, RATE_HZ, np.random.default_rng(seed), strength)


def band_pass(signal_uv: np.ndarray, low_hz: float, high_hz: float) -> np.ndarray:
    return sosfiltfilt(butter(4, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos"), signal_uv)


def rms(signal_uv: np.ndarray) -> float:
    return float(np.sqrt(np.mean(signal_uv**2)))


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_comes_again_by_its_seed_grows_with_strength_and_leaves_its_input_alone(name):
    clean_uv = rest()
    before_uv = clean_uv.copy()
    changes = [rms(spoil(name, clean_uv, strength) - clean_uv) for strength in (0, *STRENGTHS.values())]
    assert changes[0] == 0
    assert np.all(np.diff(changes) > 0)
    assert np.array_equal(spoil(name, clean_uv, 0.5), spoil(name, clean_uv, 0.5))
    if name not in ("coarse_steps", "gain_creep"):  # nothing is drawn, or one of two ways
        assert not np.array_equal(spoil(name, clean_uv, 0.5), spoil(name, clean_uv, 0.5, seed=2))
    assert np.array_equal(clean_uv, before_uv)


@pytest.mark.parametrize("name", ADDED)
def test_what_a_fault_adds_has_the_band_and_the_level_of_its_docstring(name):
    band_hz, least_share, (low_uv, high_uv) = ADDED[name]
    quiet_uv = 1e-6 * rest()
    added_uv = spoil(name, quiet_uv, 1.0) - quiet_uv
    loud_uv = added_uv[np.argmax(np.std(added_uv, axis=1))]
    frequency_hz, power = periodogram(loud_uv, RATE_HZ)
    within = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    assert power[within].sum() > least_share * power.sum()
    inside_uv = band_pass(loud_uv, 20, 450).reshape(-1, RATE_HZ // 5)[5:-5]  # the filter's ends apart
    assert low_uv <= np.sqrt(np.mean(inside_uv**2, axis=1)).max() <= high_uv


def test_the_gain_creeps_to_what_its_docstring_says():
    ratio = spoil("gain_creep", rest(), 1.0) / rest()
    assert ratio[:, 0] == pytest.approx(1)
    assert ratio[0, -1] in (pytest.approx(1.8), pytest.approx(1 / 1.8))


def test_hum_vanishes_under_muscle_activity():
    clean_uv = rest()
    clean_uv[:, 100_000:105_000] += 60 * np.random.default_rng(3).standard_normal((2, 5_000))
    added_uv = spoil("hum_under_muscle", clean_uv, 1.0) - clean_uv
    assert rms(added_uv[:, 101_000:104_000]) < 0.1
    assert rms(added_uv[:, 50_000:60_000]) == pytest.approx(30, rel=0.1)


def test_a_blocked_amplifier_holds_its_rail_and_comes_back():
    out_uv = spoil("amplifier_blocking", rest(), 1.0)
    for channel_uv in out_uv:
        for sign in (-1, 1):
            held = np.diff(np.flatnonzero(np.diff(channel_uv == 5000 * sign, prepend=False, append=False)))[
                ::2
            ]
            assert np.all(np.isin(held, [1300]))
    assert np.sum(np.abs(out_uv) == 5000) == 4 * 1300
    assert np.abs(out_uv[np.abs(out_uv) != 5000]).max() < 3100


def test_lost_packets_repeat_the_last_value_on_all_channels():
    clean_uv = rest()
    out_uv = spoil("packets_held", clean_uv, 1.0)
    lost = (out_uv != clean_uv).any(axis=0)
    assert 0.01 < lost.mean() < 0.4
    packets = out_uv[:, 40:].reshape(2, -1, 40)[:, :-1]
    of_packet = lost[40:].reshape(-1, 40)[:-1].any(axis=1)
    assert np.all(np.ptp(packets[:, of_packet], axis=2) == 0)


def test_coarse_steps_are_multiples():
    steps = spoil("coarse_steps", rest(), 0.2) / 6
    assert np.array_equal(steps, np.round(steps))


def test_sweat_halves_the_gain_in_the_middle_of_the_night():
    clean_uv = rest()
    middle = slice(int(0.4 * clean_uv.shape[1]), int(0.6 * clean_uv.shape[1]))
    ratio = [
        rms(band_pass(spoil("sweat_bridge", clean_uv, 1.0), 20, 450)[:, part])
        / rms(band_pass(clean_uv, 20, 450)[:, part])
        for part in (slice(1_000, 50_000), middle)
    ]
    assert ratio == pytest.approx([1, 0.4], rel=0.02)


def test_the_clean_night_is_at_rest_where_it_says_so():
    assert rms(band_pass(rest(), 20, 450)) == pytest.approx(REST_UV, rel=0.1)
    assert rms(band_noise(60_000, (150, 400), RATE_HZ, np.random.default_rng(1))) == pytest.approx(1)


def test_the_tool_finds_the_truth_of_a_clean_night():
    night = clean_night(71, duration_s=330)
    found = sb.score(night.signal_uv, rate_hz=night.rate_hz, labels=list(LABELS), mvc_uv=MVC_UV)
    episodes = found.to_frame("episodes")
    assert list(episodes["kind"]) == [event.kind for event in night.events]
    assert list(episodes["burst_count"]) == [len(event.bursts_s) for event in night.events]
    assert list(episodes["start_s"]) == pytest.approx([e.bursts_s[0][0] for e in night.events], abs=0.1)
    assert list(episodes["end_s"]) == pytest.approx([e.bursts_s[-1][1] for e in night.events], abs=0.1)
    assert {event.kind for event in night.events} == {"phasic", "tonic", "mixed"}


def test_two_seeds_try_each_fault_with_and_without_events():
    single = {
        (one.events, one.faults[0][0]) for seed in (1, 2) for one in tries(seed) if len(one.faults) == 1
    }
    assert single == {(events, name) for events in (True, False) for name in FAULTS}
    assert all(a != b for one in tries(1) if len(one.faults) == 2 for (a, _), (b, _) in [one.faults])


def test_one_episode_more_or_two_percent_have_not_moved_the_index():
    def night(count: float) -> Scored:
        return Scored(count, count / 0.5, 0.5, 0, frozenset(), frozenset(), None, ())

    assert not moved(night(10), night(11))
    assert moved(night(10), night(12))
    assert not moved(night(200), night(203))
    assert moved(night(0), night(2))
