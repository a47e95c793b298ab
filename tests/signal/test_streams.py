"""Auxiliary channels in blocks: every sample once, in physical units, gaps kept."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from sleepbrux.recording.edf_writer import EdfSignal, write_edf
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.streams import sharing, stream


def joined(recording, channels, core_s, margin_s=0.0):
    parts = list(stream(recording, channels, core_s=core_s, margin_s=margin_s))
    values = np.concatenate([p.values[:, p.inside] for p in parts], axis=1)
    cores = [p.core for p in parts]
    return values, cores


@pytest.mark.parametrize("core_s", [0.5, 1.7, 3.0, 1000.0])
@pytest.mark.parametrize("margin_s", [0.0, 0.9, 50.0])
def test_the_cores_hold_every_sample_once(core_s, margin_s):
    data = np.random.default_rng(0).normal(size=(2, 997))
    recording = from_array(data, 100, ["Acc X", "Acc Y"])
    values, cores = joined(recording, recording.channels, core_s, margin_s)
    assert np.array_equal(values, data.astype(np.float32))
    assert cores[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(cores))


def test_gaps_stay_on_the_clock():
    data = np.arange(1000.0)
    data[300:400] = np.nan
    recording = from_array(data, 100, ["ECG"])
    values, cores = joined(recording, recording.channels, 2.0, 0.5)
    assert np.array_equal(values[0], data[~np.isnan(data)].astype(np.float32))
    assert (200, 300) in cores
    assert (400, 600) in cores


def test_an_edf_of_mixed_rates_is_read_in_its_own_units(tmp_path):
    rng = np.random.default_rng(1)
    fast, slow = rng.integers(-9000, 9000, 20 * 256), rng.integers(-9000, 9000, 20 * 8)
    write_edf(
        tmp_path / "a.edf",
        [EdfSignal("EMG Masseter L", 256), EdfSignal("Position", 8, unit="", step=0.5)],
        [(fast.astype(np.int16), slow.astype(np.int16))],
        onsets=list(range(20)),
    )
    recording = open_recording(tmp_path / "a.edf")
    assert [len(group) for group in sharing(recording.channels)] == [1, 1]
    position = recording.channels[1]
    assert position.rate == Fraction(8)
    values, _ = joined(recording, [position], 3.0, 1.0)
    assert np.allclose(values[0], slow * 0.5, rtol=1e-6)
