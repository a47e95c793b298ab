"""Values repeated in place of lost packets are time of which nothing is known."""

from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.recording.memory import from_array
from sleepbrux.signal.swept import sweep_recording
from tests.signal.test_contact import shaped

LABELS = ["EMG Masseter L", "EMG Masseter R"]
RATE = 1000


def signals(n_channels, level_uv=50.0, seconds=60):
    rng = np.random.default_rng(1)
    return np.stack([level_uv * shaped(rng, seconds * RATE, RATE, 106) for _ in range(n_channels)])


def holding(signal, places, length):
    held = signal.copy()
    for at in places:
        held[..., at : at + length] = held[..., at - 1 : at]
    return held


def swept(data, step=0.0):
    recording = from_array(
        np.round(data / step).astype(np.int32) if step else data, RATE, LABELS[: len(data)]
    )
    if step:
        channels = (
            replace(c, gain=step, digital_min=-(2**15), digital_max=2**15) for c in recording.channels
        )
        recording = replace(recording, channels=tuple(channels))
    return sweep_recording(recording)


@pytest.mark.parametrize("length", [40, 120, 200])
@pytest.mark.parametrize("n_channels", [1, 2])
def test_packets_that_repeat_a_value_are_left_out(n_channels, length):
    places = range(5005, 55000, 2500) if n_channels == 2 or length > 40 else range(5000, 55000, 2500)
    for quality in swept(holding(signals(n_channels), places, length)).quality:
        found = quality.faults["held"]
        assert len(found) == len(places)
        assert all(
            a <= at / RATE + 0.01 and b >= (at + length) / RATE - 0.01
            for (a, b), at in zip(found.seconds(), places, strict=True)
        )
        assert found.duration_s < len(places) * (length / RATE + 0.04)
        assert not len(found & quality.usable)


def test_one_of_two_channels_that_stays_is_no_lost_packet():
    data = signals(2)
    data[0] = holding(data[0], range(5000, 55000, 2500), 100)
    assert all("held" not in q.faults for q in swept(data).quality)


@pytest.mark.parametrize("step", [0.1, 0.5, 8.0])
@pytest.mark.parametrize("level_uv", [2.5, 50.0])
def test_a_coarse_converter_repeats_values_without_a_loss(step, level_uv):
    for n_channels in (1, 2):
        data = signals(n_channels, level_uv, seconds=1200)
        assert all("held" not in q.faults for q in swept(data, step).quality)


def test_at_steps_of_a_converter_a_burst_shows_lost_packets():
    places = range(5000, 55000, 2500)
    for quality in swept(holding(signals(2), places, 100), 0.5).quality:
        assert len(quality.faults["held"]) == len(places)
