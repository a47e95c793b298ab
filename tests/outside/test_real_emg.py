"""Bursts and amplitudes on real surface EMG that nobody here recorded.

None of it is jaw muscle in sleep, so nothing here speaks of agreement with a sleep laboratory. The
counts are those of the data's description: 9 bursts in ``emg_bursts``, 30 contractions in
``emg_fatigue``, 21 short bursts in ``emg_1000_hz_16_bits_solo`` (biosignalsnotebooks 0.6.14).
"""

import h5py
import numpy as np
import pytest
from scipy import signal

from sleepbrux import reference as calibration
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.scoring.bursts import SHORT
from sleepbrux.scoring.night import score_night
from sleepbrux.signal import kernels
from sleepbrux.signal.quality import examine
from sleepbrux.signal.sweep import sweep
from tests.nights import emg
from tests.outside.registry import outside, shared

LABELS = ["EMG Masseter L"]
RATE = 1000


def counts_of(name, kind="channel_"):
    with h5py.File(outside(name)) as file:
        found = []
        file.visit(lambda n: found.append(n) if f"raw/{kind}" in n else None)
        return np.asarray(file[found[0]][()], dtype=float).ravel()


def scored(name, level_pct):
    """Bursts at a share of the strongest second, which stands in for a clench."""
    counts = counts_of(name)
    recording = from_array((counts - np.median(counts))[None], RATE, LABELS)
    (frames,) = sweep(recording, recording.channels)
    best = calibration.best_second_uv(frames, (0, frames.grid.n_slots), "rms")
    rule = load_criterion("phasic_tonic_10mvc").derive({"threshold.level_pct_mvc": level_pct})
    night = score_night(recording, calibration.given(LABELS, best), rule)
    return night.bursts[0], best * level_pct / 100, counts


@pytest.mark.shows("outside-emg")
@pytest.mark.parametrize("level_pct", [15.0, 20.0, 30.0])
def test_nine_contractions_are_nine_bursts(level_pct):
    # at 10 % the threshold lies below three times rest, and activity after the last one counts too
    bursts, _, _ = scored("emg_bursts.h5", level_pct)
    assert (bursts.kind != SHORT).sum() == 9


@pytest.mark.shows("outside-emg")
@pytest.mark.parametrize("level_pct", [10.0, 20.0])
def test_thirty_contractions_of_a_tiring_muscle_are_thirty_bursts(level_pct):
    bursts, _, _ = scored("emg_fatigue.h5", level_pct)
    assert (bursts.kind != SHORT).sum() == 30
    seconds = (bursts.stops - bursts.starts)[bursts.kind != SHORT] / 100
    assert 2 < np.median(seconds) < 4  # "about 3 s" in the data's description


@pytest.mark.shows("outside-emg")
@pytest.mark.parametrize("level_pct", [10.0, 20.0])
def test_twenty_one_short_bursts_are_twenty_one(level_pct):
    bursts, _, _ = scored("emg_1000_hz_16_bits_solo.h5", level_pct)
    assert len(bursts) == 21


@pytest.mark.parametrize("name", ["emg_bursts.h5", "emg_fatigue.h5"])
def test_edges_lie_where_a_zero_phase_envelope_of_60_ms_crosses(name):
    """60 ms is the integration base that Gallo 1997 found ideal; scipy's filter runs both ways."""
    bursts, threshold, counts = scored(name, 15.0)
    sections = signal.butter(4, [20, 450], "bandpass", fs=RATE, output="sos")
    power = signal.sosfiltfilt(sections, counts - np.median(counts)) ** 2
    above = np.sqrt(np.convolve(power, np.ones(60) / 60, "same")) > threshold
    crossings = np.flatnonzero(np.diff(np.concatenate(([False], above, [False]))))
    errors = []
    for a, b in zip(bursts.starts * 10, bursts.stops * 10, strict=True):
        if b - a < 250:
            continue
        on, off = crossings[::2], crossings[1::2]
        errors.append((np.abs(on - a).min(), np.abs(off - b).min()))
    assert len(errors) >= 9
    assert np.median(errors, axis=0).max() <= 40  # ms; a window of 60 ms crosses up to 30 ms off


@pytest.mark.shows("outside-emg")
def test_samples_on_the_rails_are_clipped_spans():
    from dataclasses import replace

    from sleepbrux.signal.quality import assess

    counts = counts_of("emg_fatigue.h5")
    recording = from_array(counts[None], RATE, LABELS)
    railed = replace(recording.channels[0], digital_min=1, digital_max=4095)
    (frames,) = sweep(recording, [railed])
    assert frames.stat("at_rail").sum() == 195  # the converter's last steps: 0, 1 and 4095
    quality = assess(frames)
    assert len(quality.clipped) > 0
    assert "rail" not in quality.faults  # a clipped contraction is still a contraction


def real_emg(name):
    """(samples, rate) of each channel of a recording that nobody here made; NaN where it has none."""
    if name.endswith(".h5"):
        with h5py.File(outside(name)) as file:
            found = []
            file.visit(lambda n: found.append(n) if "raw/channel_" in n else None)
            return [(np.asarray(file[n][()], dtype=float).ravel(), 1000) for n in found]
    if name.endswith(".txt"):
        return [(np.loadtxt(shared("emg", name)), 1000)]
    table = np.genfromtxt(outside(name), delimiter=",", skip_header=1, missing_values="NULL")
    return [(column, 2000) for column in table[:, 1:].T]


REAL = {
    "emg_bursts.h5": 1,
    "emg_fatigue.h5": 1,
    "emg_1000_hz_16_bits_solo.h5": 1,
    "emg_1000_hz_8_16_bits.h5": 2,
    "biosppy_emg_1.txt": 1,
    "sample_data_01.csv": 2,
}


@pytest.mark.shows("outside-emg")
@pytest.mark.parametrize("factor", [1.0, -0.01, 100.0])
@pytest.mark.parametrize("name", REAL)
def test_no_detector_takes_real_muscle_for_a_fault(name, factor):
    """No second is excluded, and where the muscle is strong no frame is taken for a heart or a spike."""
    channels = real_emg(name)
    assert len(channels) == REAL[name]
    for samples, rate in channels:
        data = (samples - np.nanmedian(samples)) * factor
        recording = from_array(data[None], rate, LABELS)
        (frames,) = sweep(recording, recording.channels)
        without, quality = examine(frames)
        assert set(quality.faults) <= {"settling", "missing"}
        usable = quality.usable.mask()
        level = np.convolve(np.where(usable, frames.energy, 0), np.ones(10) / 10, "same")
        strong = usable & (level > 0.1 * np.quantile(level, 0.99))
        assert strong.sum() > 50
        changed = strong & (without.energy != frames.energy)
        # one swing below the band in this record, of 0.2 s, is taken for a pop; its level is read from above
        assert changed.sum() <= (25 if name == "biosppy_emg_1.txt" else 0)


@pytest.mark.shows("outside-emg")
@pytest.mark.parametrize("name", [name for name in REAL if not name.endswith(".csv")])
def test_real_contractions_of_150_pct_mvc_in_a_quiet_recording_are_no_fault(name):
    """Added to minutes of generated rest, so that each detector knows what is usual there."""
    for samples, rate in real_emg(name):
        data = samples - np.median(samples)
        power = np.convolve(data**2, np.ones(rate) / rate, "valid")
        fade = np.minimum(1, np.minimum(np.arange(len(data)), np.arange(len(data))[::-1]) / rate)
        quiet = emg(np.random.default_rng(0), 600 * rate, rate) * 2.5
        quiet[300 * rate : 300 * rate + len(data)] += 315 * fade * data / np.sqrt(power.max())
        recording = from_array(quiet[None], rate, LABELS)
        (frames,) = sweep(recording, recording.channels)
        assert set(examine(frames)[1].faults) == {"settling"}


@pytest.mark.shows("outside-amplitude")
def test_rms_and_mean_rectified_value_agree_with_matlab():
    data = np.loadtxt(outside("emg_data_myo.csv"), delimiter=",")
    channels = data.shape[1]
    for name, power, back in (
        ("matlab_RMS.csv", data**2, np.sqrt),
        ("matlab_MAV.csv", np.abs(data), np.asarray),
    ):
        table = np.loadtxt(outside(name), delimiter=",", ndmin=2)
        assert table.shape[1] == channels
        for row, start in enumerate(range(0, len(data) - 199, 25)):
            if row >= len(table):
                break
            for k in range(channels):
                column = np.ascontiguousarray(power[:, k])
                mean, n = kernels.mean_known(column, start, start + 200)
                assert n == 200
                assert back(mean) == pytest.approx(table[row, k], rel=5.1e-5)
