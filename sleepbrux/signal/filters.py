"""Butterworth sections in closed form, so that scoring needs no filter-design library.

The digital sections come from the analogue prototype by the bilinear transform with the corner
prewarped; the tests hold their response against ``scipy.signal.butter``. Coefficients are rounded to
12 significant digits, so that the last bit of a mathematics library cannot reach a result.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

Sections = NDArray[np.float64]


def _damping(order: int) -> list[float]:
    """1/Q of each pole pair of a Butterworth prototype of even order."""
    return [2 * math.sin(math.pi * (2 * k + 1) / (2 * order)) for k in range(order // 2)]


def _twelve_digits(value: float) -> float:
    return float(f"{value:.12g}")


def _section(rate: Fraction, corner_hz: float, damping: float, *, high: bool) -> list[float]:
    k = math.tan(math.pi * corner_hz / float(rate))
    norm = 1 + damping * k + k * k
    b0 = _twelve_digits((1 if high else k * k) / norm)
    a1 = _twelve_digits(2 * (k * k - 1) / norm)
    a2 = _twelve_digits((1 - damping * k + k * k) / norm)
    return [b0, -2 * b0 if high else 2 * b0, b0, a1, a2]


def high_pass(rate: Fraction, corner_hz: float, order: int) -> Sections:
    """Sections of a Butterworth high-pass of even order.

    Returns
    -------
    float64, shape (order / 2, 5): b0, b1, b2, a1, a2 of each section, a0 = 1.
    """
    return np.array([_section(rate, corner_hz, d, high=True) for d in _damping(order)])


def low_pass(rate: Fraction, corner_hz: float, order: int) -> Sections:
    """Sections of a Butterworth low-pass of even order, laid out as those of `high_pass`."""
    return np.array([_section(rate, corner_hz, d, high=False) for d in _damping(order)])


def band_edges_hz(rate: Fraction) -> tuple[float, float]:
    """Pass band of the EMG: 20 Hz to 450 Hz, or to 0.45 of the sampling rate where that is lower.

    Van Boxtel 2001 gives 15-25 Hz and 400-500 Hz for pericranial muscles
    (Psychophysiology 38:22-34).
    """
    return 20.0, min(450.0, 0.45 * float(rate))


def emg_band_pass(rate: Fraction) -> Sections:
    """Fourth-order high-pass and second-order low-pass at `band_edges_hz`, shape (3, 5)."""
    low_hz, high_hz = band_edges_hz(rate)
    return np.concatenate((high_pass(rate, low_hz, 4), low_pass(rate, high_hz, 2)))


def emg_power(rate: Fraction, z: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Power that the EMG filter lets through at points ``z`` = exp(-i 2 pi f / rate), shape of ``z``."""
    power = np.ones(z.shape)
    for b0, b1, b2, a1, a2 in emg_band_pass(rate):
        power *= np.abs((b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z)) ** 2
    return power


def band_poles(sections: Sections) -> tuple[NDArray[np.float64], float]:
    """An EMG filter as `kernels.sweep_lanes` takes it.

    Returns
    -------
    poles
        float64, shape (3, 2): a1, a2 of the band-pass.
    gain
        Of the band-pass, whose zeros the kernel knows: b0 of its sections multiplied.

    Raises
    ------
    ValueError
        Where ``sections`` is no band-pass as `emg_band_pass` makes it.
    """
    zeros = np.array([[1.0, -2.0, 1.0], [1.0, -2.0, 1.0], [1.0, 2.0, 1.0]])
    if sections.shape != (3, 5) or (sections[:, :3] != sections[:, :1] * zeros).any():
        raise ValueError("the filter has sections that are no EMG band-pass")
    return np.ascontiguousarray(sections[:, 3:]), math.prod(sections[:, 0].tolist())
