"""A line of the mains is taken for one where it stands out on either side, and not by chance."""

from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.recording.model import Block
from sleepbrux.signal import kernels
from sleepbrux.signal.mains import LOOK_S, SHARE_TO_REMOVE, Looks
from sleepbrux.signal.swept import sweep_recording
from tests.nights import emg, recording_of, rhythm


def share_of_looks(levels, rate):
    """Share of looks in which a line is worth removing."""
    n = LOOK_S * rate
    found = Looks(Fraction(rate), n, kernels).mains([(Block(x, 0, n, n, 0), 0) for x in levels])
    lines = [one if isinstance(one, tuple) else (one,) if one else () for one in found]
    return np.mean([any(line.share >= SHARE_TO_REMOVE for line in some) for some in lines])


@pytest.mark.parametrize("seed", [5, 12, 21])
@pytest.mark.shows("wrong-count")
def test_identical_events_every_20_minutes_in_noise_at_200_hz_hold_no_mains(seed):
    """The edge of a band at 60 Hz, and a spectrum of few bins, made mains of 60.2 to 60.8 Hz by chance."""
    events = [burst for start in range(600, 3600, 1200) for burst in rhythm(start, 4)]
    swept = sweep_recording(recording_of([events], seconds=3600, rate=200, seed=seed))
    assert [frames.notched for frames in swept.frames] == [()]


@pytest.mark.parametrize(("low_hz", "high_hz"), [(60, 140), (49.5, 200), (20, 90)])
@pytest.mark.parametrize("burst_s", [0.0, 0.5, 1.0, 2.0])
def test_noise_of_a_narrow_band_holds_mains_in_less_than_one_of_1000_looks(low_hz, high_hz, burst_s):
    rate, rng = 200, np.random.default_rng(1)
    looks = []
    for _ in range(2000):
        level = np.full(LOOK_S * rate, 2.5)
        at = rng.integers(0, len(level) - round(burst_s * rate) + 1)
        level[at : at + round(burst_s * rate)] = 80.0
        looks.append(emg(rng, len(level), rate, low_hz, high_hz) * level)
    assert share_of_looks(looks, rate) <= 1e-3


@pytest.mark.parametrize("rate", [200, 256, 500, 1000, 2000])
@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.shows("wrong-count")
def test_mains_of_the_power_of_rest_is_found_wherever_the_grid_stands(rate, mains_hz):
    rng, looks = np.random.default_rng(2), []
    t = np.arange(LOOK_S * rate) / rate
    for _ in range(100):
        hz = mains_hz + rng.uniform(-0.8, 0.8)
        line = np.sin(2 * np.pi * (hz * t + rng.random()))
        looks.append(2.5 * (emg(rng, len(t), rate, 20, 0.45 * rate) + np.sqrt(2) * line))
    assert share_of_looks(looks, rate) == 1
