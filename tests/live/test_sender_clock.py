"""Stamps of a sender whose clock is another one and runs at another speed are times of this computer."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from sleepbrux.live import source
from sleepbrux.live.sender_clock import SenderClock
from sleepbrux.live.source import LslInlet
from sleepbrux.recording.opening import open_recording

from .fake import LABELS, RATE, STEP_S, ZERO_S, engine_for

SECONDS = 60
UV = np.random.default_rng(8).normal(0, 20, (SECONDS * RATE, 2))
AHEAD_S, SENDER_PPM = -1234.5, 400.0
NOISE_S = 0.0002  # "empirically within ±0.2 ms", says the library of its measurements


class Double:
    """The library and its inlet: time goes on by 20 ms with every pull; the sender has a clock of its own."""

    def __init__(self, *, sender_ppm=SENDER_PPM, device_ppm=0.0, answers=True):
        self.util = SimpleNamespace(LostError=OSError, TimeoutError=TimeoutError)
        self.clock, self.at, self.answers = ZERO_S, 0, answers
        self.speed = 1 + sender_ppm / 1e6
        self.taken = ZERO_S + np.arange(len(UV)) / RATE * (1 + device_ppm / 1e6)
        self.random = np.random.default_rng(3)
        self.StreamInlet = lambda raw, **_: self
        self.asked = 0

    def local_clock(self):
        return self.clock

    def senders(self, here_s):
        """What the sender's clock shows at a time of this computer's."""
        return (here_s - ZERO_S) * self.speed + ZERO_S - AHEAD_S

    def time_correction(self, timeout):
        del timeout
        self.asked += 1
        if not self.answers:
            raise TimeoutError
        return self.clock - self.senders(self.clock) + float(self.random.uniform(-NOISE_S, NOISE_S))

    def pull_chunk(self, **_):
        self.clock += STEP_S
        stop = int(np.searchsorted(self.taken, self.clock))
        values, stamps = UV[self.at : stop], self.senders(self.taken[self.at : stop])
        self.at = stop
        return values, stamps

    def open_stream(self, **_):
        pass

    flush = close_stream = lambda self: None

    def info(self, **_):
        return self

    def desc(self):
        return self

    def child(self, _):
        self.names = iter(LABELS)
        return self

    def child_value(self, key):
        return next(self.names) if key == "label" else "microvolts"

    def next_sibling(self, _):
        return self

    def channel_count(self):
        return len(LABELS)

    def nominal_srate(self):
        return float(RATE)

    def channel_format(self):
        return 1

    def source_id(self):
        return "amp"

    name = hostname = source_id

    def type(self):
        return "EMG"


def received(double, path, monkeypatch):
    monkeypatch.setattr(source, "library", lambda: double)
    inlet = LslInlet(None)
    engine = engine_for(inlet, path)
    late = []
    while double.at < len(UV):
        engine.step()
        late.append(inlet.now() - engine.newest[1])
    engine.close()
    return engine, np.array(late)


@pytest.mark.shows("live-session")
def test_a_drifting_sender_moves_no_time_and_is_named(tmp_path, monkeypatch):
    engine, late = received(Double(), tmp_path / "a.bdf", monkeypatch)
    assert engine.clock.gaps == []
    assert engine.clock.steps_back_s == []
    assert engine.clock.drift_ppm() == pytest.approx(0, abs=20)  # the device itself runs true
    assert late.max() < STEP_S + 0.002
    assert late.min() > -0.002
    (note,) = [n for n in engine.all_notes() if n.code == "sender-clock"]
    assert "1234.5" in note.text
    assert re.search(r"ahead of this computer's and runs (39|40)\d millionths fast;", note.text)
    assert open_recording(tmp_path / "a.bdf").duration_s == pytest.approx(SECONDS, abs=0.05)


def test_without_the_correction_the_senders_drift_would_be_taken_for_the_devices(tmp_path, monkeypatch):
    """The test above can fail: the same stream with no measurement shows the sender's 400 millionths."""
    engine, _ = received(Double(answers=False), tmp_path / "a.bdf", monkeypatch)
    assert engine.clock.drift_ppm() == pytest.approx(SENDER_PPM, abs=20)
    assert any("could not be compared" in n.text for n in engine.all_notes())


def test_a_drifting_device_is_told_from_a_drifting_sender(tmp_path, monkeypatch):
    engine, _ = received(Double(device_ppm=300), tmp_path / "a.bdf", monkeypatch)
    assert engine.clock.drift_ppm() == pytest.approx(300, abs=20)
    assert engine.clock.gaps == []


def test_one_clock_for_both_is_not_spoken_of():
    clock = SenderClock()
    for k in range(10):
        clock.measured(100 + 2 * k, 0.00003)
    assert clock.notes() == []
    assert clock.mapped(np.array([110.0])) == pytest.approx(110, abs=1e-4)


def test_a_clock_that_is_behind_and_runs_alike_is_named_without_a_speed():
    clock = SenderClock()
    for k in range(10):
        clock.measured(100 + 2 * k, 5.0 - 2e-7 * k)
    (note,) = clock.notes()
    assert note.text.startswith("The sender's clock is 5.000 s behind this computer's; its time stamps were")


def test_stamps_stay_in_order_and_a_new_clock_is_followed_at_once():
    clock, random = SenderClock(), np.random.default_rng(1)
    mapped = []
    for k in range(40):
        now = 50.0 + 2 * k
        jump = 5.0 if k >= 20 else 0.0
        clock.measured(now, 3.0 - jump + float(random.uniform(-NOISE_S, NOISE_S)))
        mapped.append(clock.mapped(now - 3.0 + jump + np.arange(0, 2, 0.001)))
    assert (np.diff(np.concatenate(mapped)) > 0).all()
    assert mapped[-1][0] == pytest.approx(50 + 78, abs=0.001)
