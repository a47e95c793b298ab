"""The noise has the level and the spectrum it claims, at every rate, across every seam."""

from itertools import islice

import numpy as np
import pytest
from scipy.signal import welch
from scipy.stats import kurtosis

from sleepbrux.synth.signal import (
    FADE_S,
    TILE_S,
    band_power,
    child_rng,
    emg_noise,
    slow_wander,
    white_noise,
)

RATES = (250, 500, 1000, 2048, 4000)


def some(seed=1, channel=0, rate=1000, n_tiles=4):
    return np.concatenate(list(islice(emg_noise(seed, channel, rate), n_tiles)))


@pytest.fixture(scope="module", params=RATES)
def noise(request):
    return request.param, some(rate=request.param)


def spectrum(data, rate):
    hz, power = welch(data, rate, nperseg=rate)
    return hz, np.cumsum(power) / power.sum()


def test_noise_has_unit_rms(noise):
    _, data = noise
    assert data.dtype == np.float32
    assert np.sqrt(np.mean(data.astype(float) ** 2)) == pytest.approx(1.0, abs=0.015)


def test_spectrum_has_its_median_between_80_and_110_hz(noise):
    rate, data = noise
    hz, share = spectrum(data, rate)
    assert 80.0 <= np.interp(0.5, share, hz) <= 110.0


def test_spectrum_follows_its_formula():
    hz, share = spectrum(some(rate=2000, n_tiles=8), 2000)
    for low, high in ((20, 50), (50, 100), (100, 250), (250, 450)):
        found = np.interp(high, hz, share) - np.interp(low, hz, share)
        assert found == pytest.approx(band_power(low, high), abs=0.012)


def test_power_is_even_across_the_seams_of_tiles():
    rate, n_tiles = 250, 240
    data = some(rate=rate, n_tiles=n_tiles).reshape(n_tiles, -1)
    fade = data[1:, : round(FADE_S * rate)]
    assert np.sqrt(np.mean(fade**2)) == pytest.approx(1.0, abs=0.05)


def test_no_step_stands_out_at_the_seams():
    rate, n_tiles = 1000, 60
    data = some(rate=rate, n_tiles=n_tiles)
    step = np.abs(np.diff(data))
    seams = step[np.arange(1, n_tiles) * TILE_S * rate - 1]
    assert seams.max() < np.quantile(step, 0.9999)
    assert seams.mean() == pytest.approx(step.mean(), rel=0.35)


def test_noise_is_gaussian():
    assert kurtosis(some(n_tiles=8)) == pytest.approx(0.0, abs=0.05)


def test_channels_and_seeds_are_independent_and_the_same_seed_repeats():
    first = some()
    assert np.array_equal(first, some())
    for other in (some(channel=1), some(seed=2)):
        assert abs(np.corrcoef(first, other)[0, 1]) < 0.02


def test_white_noise_is_white_and_of_unit_rms():
    data = white_noise(1, 0, 0, 1000)
    assert data.std() == pytest.approx(1.0, abs=0.02)
    assert abs(np.corrcoef(data[1:], data[:-1])[0, 1]) < 0.02
    assert not np.array_equal(data, white_noise(1, 0, 1, 1000))


def test_wander_has_unit_variance_and_forgets_in_the_time_stated():
    data = slow_wander(child_rng(3), 400_000, memory=50.0)
    assert data.std() == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(data[50:], data[:-50])[0, 1] == pytest.approx(np.exp(-1), abs=0.05)
