"""The live library itself, on this machine's loopback: the player sends, the inlet receives."""

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("pylsl")

from sleepbrux.live.engine import Engine, checked_rate
from sleepbrux.live.keeper import Keeper
from sleepbrux.live.screen import Screen
from sleepbrux.live.source import LslInlet, StreamError, choose, chosen_channels, found
from sleepbrux.recording.opening import open_recording
from sleepbrux.synth.stream import Manner, Player

from .fake import LABELS, RATE

ROOT = Path(__file__).resolve().parents[2]
UV = np.random.default_rng(2).normal(0, 30, (12 * RATE, 2)).astype(np.float32)


def name() -> str:
    """A name of its own, because other tests may send at the same time."""
    return f"test-{os.getpid()}-{time.monotonic_ns()}"


def looked_for(wanted: str, n: int = 1) -> list[LslInlet]:
    for _ in range(10):
        there = found(1.0)
        same = [i for i in there if i.info.name == wanted]
        if len(same) >= n:
            return same
    raise AssertionError("the player was not found")


def received(manner: Manner, path: Path, *, rate=RATE, seconds=60.0):
    """Everything that the player sends from the first packet on, kept."""
    player = Player(UV, LABELS, rate, manner)
    (inlet,) = looked_for(manner.name)
    chosen = chosen_channels(inlet.info)
    inlet.start()
    engine = Engine(
        inlet, chosen, Keeper(path, chosen.labels, chosen.info.rate), Screen(chosen.labels, chosen.info.rate)
    )
    events = []
    engine.told = events.append
    thread = threading.Thread(target=player.run)
    thread.start()
    until = time.monotonic() + seconds
    while not engine.ended and time.monotonic() < until:
        engine.step()
        if not thread.is_alive() and engine._silent:
            break
    thread.join()
    engine.close()
    player.close()
    return engine, events, player


def test_what_the_player_says_is_what_is_found():
    manner = Manner(name())
    player = Player(UV, LABELS, RATE, manner)
    (inlet,) = looked_for(manner.name)
    assert inlet.info.labels == LABELS
    assert inlet.info.units == ("microvolts", "microvolts")
    assert inlet.info.rate == Fraction(RATE)
    assert inlet.info.type == "EMG"
    assert "2 channels: EMG Masseter L, EMG Masseter R; 1000 Hz; microvolts" in inlet.info.text
    inlet.close()
    player.close()


def test_no_sample_is_lost_or_changed_on_the_way(tmp_path):
    engine, _, player = received(Manner(name()), tmp_path / "a.bdf")
    assert engine.received == player.sent == len(UV)
    recording = open_recording(tmp_path / "a.bdf")
    assert recording.gaps == ()
    _, uv = recording.get_data(LABELS[0])
    assert np.abs(uv - UV[: len(uv), 0]).max() < 0.013
    assert len(uv) == len(UV)


def test_lost_packets_are_gaps_as_long_as_they_were(tmp_path):
    engine, events, player = received(Manner(name(), lost_pct=5), tmp_path / "a.bdf")
    lost = len(UV) - player.sent
    missing = sum(b - a for a, b in engine.clock.gaps)
    assert lost > 0
    assert abs(missing - lost) <= 0.02 * RATE * 2  # a packet lost at either end is no gap
    assert {e.code for e in events} >= {"lost-samples"}


def test_a_stream_that_stops_and_returns_leaves_a_gap_and_a_note(tmp_path):
    engine, events, _ = received(Manner(name(), stop_s=3.0, away_s=3.0), tmp_path / "a.bdf")
    codes = [e.code for e in events]
    assert codes[:1] == ["silent"]
    assert "returned" in codes
    (a, b), *_ = open_recording(tmp_path / "a.bdf").gaps
    assert a == pytest.approx(3, abs=0.1)
    assert b >= 5.9
    assert any(n.code == "stream-returned" for n in engine.all_notes())


def test_a_stream_that_returns_with_its_channels_in_another_order_ends_the_recording(tmp_path):
    engine, _, _ = received(Manner(name(), stop_s=3.0, away_s=2.0, reorder=True), tmp_path / "a.bdf")
    assert "its channels came in another order" in engine.ended
    assert open_recording(tmp_path / "a.bdf").duration_s == pytest.approx(3, abs=0.1)


def test_a_wrong_rate_is_refused_before_the_session():
    manner = Manner(name(), stated_hz=2 * RATE)
    player = Player(UV, LABELS, RATE, manner)
    (inlet,) = looked_for(manner.name)
    inlet.start()
    thread = threading.Thread(target=player.run)
    thread.start()
    with pytest.raises(StreamError, match=r"says 2000 samples a second and sends about (9\d\d|10\d\d)\b"):
        checked_rate(inlet, chosen_channels(inlet.info))
    player.close()
    thread.join()
    inlet.close()


def test_two_streams_of_one_name_are_told_apart_by_id():
    manner = Manner(name())
    players = [Player(UV, LABELS, RATE, replace(manner, seed=k)) for k in (1, 2)]
    inlets = looked_for(manner.name, 2)
    infos = [i.info for i in inlets]
    with pytest.raises(StreamError, match="two streams are called"):
        choose(infos, manner.name)
    assert choose(infos, f"{manner.name}-2").id == f"{manner.name}-2"
    for one in (*inlets, *players):
        one.close()


def test_what_was_sent_before_the_session_is_not_received():
    manner = Manner(name())
    player = Player(UV, LABELS, RATE, manner)
    (inlet,) = looked_for(manner.name)
    thread = threading.Thread(target=player.run)
    inlet._inlet.open_stream(timeout=2)
    thread.start()
    time.sleep(2.0)
    inlet.start()
    values, stamps = inlet.pull(0.5)
    assert inlet.now() - stamps[0] < 0.5
    assert len(values) < RATE / 2
    player.close()
    thread.join()
    inlet.close()


def test_the_player_is_a_command():
    done = subprocess.run(
        [sys.executable, "-m", "sleepbrux.synth", "stream", "--help"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert "--lost-pct" in done.stdout
