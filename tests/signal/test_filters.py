"""The closed-form sections against scipy.signal."""

from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from sleepbrux.signal.filters import (
    band_edges_hz,
    band_poles,
    emg_band_pass,
    high_pass,
    low_pass,
)


def with_ones(sections):
    return np.insert(sections, 3, 1.0, axis=1)


@pytest.mark.parametrize("rate", [200, 512, 1000, 2000, 4000])
@pytest.mark.parametrize("order", [2, 4, 6])
def test_high_and_low_pass_have_the_response_of_butter(rate, order):
    frequencies = np.linspace(0.5, rate / 2 - 0.5, 2000)
    for ours, kind, corner in (
        (high_pass(Fraction(rate), 20, order), "highpass", 20),
        (low_pass(Fraction(rate), 0.4 * rate, order), "lowpass", 0.4 * rate),
    ):
        reference = signal.butter(order, corner, kind, fs=rate, output="sos")
        _, expected = signal.sosfreqz(reference, frequencies, fs=rate)
        _, found = signal.sosfreqz(with_ones(ours), frequencies, fs=rate)
        assert np.abs(found - expected).max() < 1e-7


def test_the_band_is_that_of_the_docs():
    assert band_edges_hz(Fraction(2000)) == (20.0, 450.0)
    assert band_edges_hz(Fraction(512)) == (20.0, pytest.approx(230.4))


@pytest.mark.parametrize("rate", [512, 1000, 2000])
def test_a_constant_never_passes(rate):
    sections = emg_band_pass(Fraction(rate))
    _, response = signal.sosfreqz(with_ones(sections), [0.0], fs=rate)
    assert response[0] == 0


def test_the_group_delay_at_1_khz_is_that_of_the_docs():
    b, a = signal.sos2tf(with_ones(emg_band_pass(Fraction(1000))))
    frequencies = np.arange(50, 401)
    delay_ms = signal.group_delay((b, a), frequencies, fs=1000)[1]
    assert delay_ms.max() < 10


@pytest.mark.parametrize("rate", [200, 512, 1000, 2000, 4000])
def test_the_parts_that_the_sweep_takes_are_the_same_filter(rate):
    sections = emg_band_pass(Fraction(rate))
    poles, gain = band_poles(sections)
    noise = np.random.default_rng(1).normal(size=5000)
    zeros = [[1, 0, -1], [1, 0, -1], [1, -2, 1]]
    taken = np.hstack((zeros, poles))
    np.testing.assert_allclose(
        gain * signal.sosfilt(with_ones(taken), noise),
        signal.sosfilt(with_ones(sections), noise),
        atol=1e-9,
    )


def test_sections_that_are_no_band_pass_are_refused():
    with pytest.raises(ValueError, match="no EMG band-pass"):
        band_poles(low_pass(Fraction(1000), 100.0, 6))
