"""Generated faults: the night under them is the clean night, sample by sample, outside them."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from sleepbrux.synth.faults import LIMITS, draw_faults
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.render import RAIL, tiles

RATE = 500
PLAN = plan_night(Recipe(hours=0.1, awake_s=20.0, settle_s=10.0, morning_clench=False), seed=3)


@cache
def rendered(plan):
    return np.concatenate([np.stack(tile) for tile in tiles(plan, RATE)], axis=1).astype(float) / 10


def inside(faults, n):
    mask = np.zeros(n, dtype=bool)
    for fault in faults:
        mask[round(fault.start_s * RATE) : round(fault.stop_s * RATE)] = True
    return mask


@pytest.mark.parametrize("kind", sorted(LIMITS))
def test_a_fault_changes_its_own_time_and_side_only(kind):
    faults = draw_faults(kind, "left", seed=9, first_s=30.0, last_s=350.0, n=2)
    clean, bad = rendered(PLAN), rendered(replace(PLAN, faults=faults))
    np.testing.assert_array_equal(clean[1], bad[1])
    where = inside(faults, clean.shape[1])
    np.testing.assert_array_equal(clean[0][~where], bad[0][~where])
    assert (clean[0][where] != bad[0][where]).mean() > 0.02
    assert faults
    assert all(30 <= f.start_s < f.stop_s <= 350 for f in faults)
    assert all(b.start_s - a.stop_s >= 1.99 for a, b in pairwise(faults))


def change(kind, size, seconds=20.0):
    fault = draw_faults(kind, "left", seed=4, first_s=30.0, last_s=350.0, n=1)[0]
    fault = replace(fault, size=size, start_s=100.0, stop_s=100.0 + seconds)
    clean, bad = rendered(PLAN), rendered(replace(PLAN, faults=(fault,)))
    part = slice(100 * RATE, round((100 + seconds) * RATE))
    return clean[0][part], bad[0][part]


def test_sizes_mean_what_they_say():
    clean, bad = change("pop", 1000.0)
    assert np.abs(bad - clean).max() == pytest.approx(1000, rel=0.2)
    assert abs(bad - clean)[-RATE:].max() < 25  # recovered
    clean, bad = change("gain", 3.0)
    np.testing.assert_allclose(bad, 3 * clean, atol=0.2)
    clean, bad = change("sway", 400.0)
    assert np.std(bad - clean) == pytest.approx(400, rel=0.15)
    _, bad = change("open_input", 10.0)
    assert np.std(bad) == pytest.approx(11.2, rel=0.1)
    _, bad = change("rail", 1.0)
    assert 0.2 < (np.abs(bad) >= RAIL / 10).mean() < 0.7


def test_hum_has_its_frequency_and_odd_harmonics():
    clean, bad = change("mains", 20.0, seconds=60.0)
    power = np.abs(np.fft.rfft((bad - clean) * np.hanning(len(clean)))) ** 2
    hz = np.fft.rfftfreq(len(clean), 1 / RATE)
    assert hz[power.argmax()] == pytest.approx(49.8, abs=0.05)
    at = [power[np.abs(hz - 49.8 * k) < 0.5].sum() for k in (1, 3, 2)]
    assert 0.04 < at[1] / at[0] < 0.15
    assert at[2] < 1e-3 * at[0]
