"""An inlet without a library, a network or a clock of its own: time goes on by 20 ms with every pull."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from sleepbrux.live.engine import Engine
from sleepbrux.live.keeper import Keeper
from sleepbrux.live.protocol import Protocol
from sleepbrux.live.screen import Screen
from sleepbrux.live.session import Session
from sleepbrux.live.source import LostStreamError, StreamInfo, chosen_channels
from sleepbrux.synth.stream import chair_session
from sleepbrux.synth.stream import rendered as samples_of

RATE = 1000
LABELS = ("EMG Masseter L", "EMG Masseter R")
INFO = StreamInfo("amp-1", "amp", "EMG", LABELS, ("microvolts", "microvolts"), Fraction(RATE), "float32")
ZERO_S = 7000.0
STEP_S = 0.02


class FakeInlet:
    """Samples that are there from the start and come by and by.

    ``lost`` are spans of samples that never come; ``late_s`` is by how much packets may be late; at ``ends_at``
    the stream ends, and ``after`` is what comes back some time later.
    """

    def __init__(
        self,
        uv,
        *,
        info=INFO,
        lost=(),
        late_s=0.0,
        ends_at=None,
        after=None,
        seed=1,
        slower=1.0,
        step_s=STEP_S,
    ):
        self.step_s = step_s
        self.info, self.uv = info, uv
        n = len(uv)
        stamps = ZERO_S + np.arange(n) / float(info.rate) * slower
        packet = max(round(STEP_S * float(info.rate)), 1)
        delays = (
            np.random.default_rng(seed).exponential(late_s, n // packet + 1) if late_s else np.zeros(n + 1)
        )
        self.stamps = stamps + np.repeat(delays, packet)[:n]
        self.keep = np.ones(n, dtype=bool)
        for a, b in lost:
            self.keep[a:b] = False
        self.clock, self.at, self.ends_at, self.after, self.closed = ZERO_S, 0, ends_at, after, False
        self.waits = 0

    def start(self):
        """What was sent before is let go of: here nothing was."""

    def pull(self, timeout_s):
        del timeout_s
        self.clock += self.step_s
        if self.ends_at is not None and self.at >= self.ends_at:
            raise LostStreamError(f"the stream {self.info.name!r} ended")
        stop = min(int(np.searchsorted(self.stamps, self.clock)), self.ends_at or len(self.uv))
        stop = max(stop, self.at)
        kept = self.keep[self.at : stop]
        values, stamps = self.uv[self.at : stop][kept], self.stamps[self.at : stop][kept]
        self.at = stop
        return values, stamps

    def again(self):
        self.clock += 0.5
        if self.after is None or self.clock < self.after.begins_s:
            return None
        self.after.clock = self.clock
        return self.after

    def now(self):
        self.clock += STEP_S / 100
        return self.clock

    def wait(self, seconds):
        self.waits += 1
        self.clock += seconds

    def notes(self):
        return []

    def close(self):
        self.closed = True


def chair_plan(appliances, person=0, levels=None):
    return chair_session(appliances, person, levels=levels)


def rendered(plan, rate=RATE) -> np.ndarray:
    """µV, shape (n, 2)."""
    return samples_of(plan, rate).astype(np.float64)


def engine_for(inlet, path: Path, **keeper) -> Engine:
    chosen = chosen_channels(inlet.info)
    rate = inlet.info.rate
    return Engine(inlet, chosen, Keeper(path, chosen.labels, rate, **keeper), Screen(chosen.labels, rate))


def run(inlet, path: Path, *, until=None) -> tuple[Engine, list]:
    """Everything that an inlet sends, received."""
    engine = engine_for(inlet, path)
    events = []
    engine.told = events.append
    while not engine.ended and inlet.at < (until or len(inlet.uv)):
        engine.step()
        inlet = engine.inlet
    engine.close()
    return engine, events


def session_for(inlet, path: Path, appliances, person=0, **keeper) -> Session:
    protocol = Protocol(appliances, person, self_going=True)
    return Session(engine_for(inlet, path, **keeper), protocol, names=appliances, at_once=True)


def chair_signal(*appliances):
    """Two channels of a person who follows the protocol, as the session of these appliances has it."""
    return rendered(chair_plan(appliances))


def streamed(monkeypatch, uv, **said):
    """What is found on this machine is one stream; a session runs without a page, as fast as it can."""
    from sleepbrux.live import serving, source

    there = [FakeInlet(uv, info=replace(INFO, **said), step_s=0.1)]
    monkeypatch.setattr(source, "found", lambda *wait: there)

    def through(session, entrance, *, port, told):
        told("http://127.0.0.1:1/")
        session.at_once = True
        receiver = serving.Receiver(session)
        inlet = session.engine.inlet
        receiver.start()
        while inlet.at < len(inlet.uv) and not session.closed:
            receiver._thread.join(0.05)
        receiver.stop()

    monkeypatch.setattr(serving, "serve", through)
    return there
