"""Real muscle at known times: bursts cut from recordings that nobody here made, on their own rest noise.

The recordings (``tests/outside/registry.py`` names their package) are surface EMG of other muscles, awake.
Contractions and rest are found with scipy alone, by a zero-phase envelope of 60 ms, and pasted into an
otherwise resting half hour at times that are drawn. So the signal is real and the times are known. A pasted
edge is a cut, not the onset of a muscle: it is known to within the envelope's own 50 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import h5py
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from sleepbrux.recording.memory import from_array
from sleepbrux.reference import given
from sleepbrux.scoring.bursts import KINDS
from sleepbrux.scoring.night import score_night
from tests.outside.registry import outside
from tests.validation.events import Tally, TrueEvent, tally

RATE = 1000
LABEL = "EMG Masseter L"
SECONDS = 1800
FADE = 25
WINDOW_MS = 60
FILES = ("emg_bursts.h5", "emg_fatigue.h5", "emg_1000_hz_16_bits_solo.h5")
CUT_UNCERTAINTY_MS = 50
Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Pieces:
    """What was cut out of one recording: contractions, rest, and the level of the strongest second."""

    contractions: tuple[Samples, ...]
    rest: tuple[Samples, ...]
    best: float


def _counts(name: str) -> Samples:
    with h5py.File(outside(name)) as file:
        found: list[str] = []
        file.visit(lambda n: found.append(n) if "raw/channel_" in n else None)
        counts = np.asarray(file[found[0]][()], dtype=float).ravel()
    return counts - np.median(counts)


def _runs(mask: NDArray[np.bool_], least: int) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= least]


def cut(name: str) -> Pieces:
    """Contractions and rest of one recording, by scipy alone."""
    counts = _counts(name)
    sections = signal.butter(4, [20, 450], "bandpass", fs=RATE, output="sos")
    power = signal.sosfiltfilt(sections, counts) ** 2
    level = np.sqrt(np.convolve(power, np.ones(WINDOW_MS) / WINDOW_MS, "same"))
    second = np.sqrt(np.convolve(power, np.ones(RATE) / RATE, "valid"))
    best = float(second.max())
    active = level > 0.15 * best
    closed = ~np.isin(np.arange(len(active)), [])
    for a, b in _runs(~active, 1):
        closed[a:b] = b - a < 100  # a dip inside a contraction
    closed |= active
    contractions = [counts[a:b] - counts[a:b].mean() for a, b in _runs(closed, 150)]
    near = np.convolve(closed, np.ones(601), "same") > 0
    quiet = ~near & (level < 0.05 * best)
    rest = [counts[a:b] - counts[a:b].mean() for a, b in _runs(quiet, 200)]
    return Pieces(tuple(contractions), tuple(rest), best)


def _joined(parts: list[Samples], n: int) -> Samples:
    """The first ``n`` samples of the parts one after another, each faded into the next."""
    out, at, up = np.zeros(n), 0, np.linspace(0, 1, FADE)
    for part in parts:
        piece = part[: n - at].copy()
        lap = min(FADE, at, len(piece))
        piece[:lap] = piece[:lap] * up[:lap] + out[at : at + lap] * (1 - up[:lap])
        out[at : at + len(piece)] = piece
        at += max(len(piece) - FADE, 0)
        if at + FADE >= n:
            break
    return out


def paste(pieces: Pieces, seed: int) -> tuple[Samples, list[TrueEvent]]:
    """Half an hour of rest with contractions pasted in, and where they are.

    A contraction is taken whole, or a part of it of 0.4-1.5 s; scaled by 0.5-1; 1.2-8 s apart.
    """
    rng = np.random.default_rng(seed)
    n = SECONDS * RATE
    rest: list[Samples] = []
    while sum(map(len, rest)) < n + len(rest) * FADE:
        part = pieces.rest[rng.integers(len(pieces.rest))]
        rest.append(part if rng.random() < 0.5 else part[::-1])
    data = _joined(rest, n)
    up = np.linspace(0, 1, FADE)
    at, true = 20 * RATE, []
    while True:
        burst = pieces.contractions[rng.integers(len(pieces.contractions))]
        if rng.random() < 0.5:
            length = min(len(burst), int(rng.uniform(0.4, 1.5) * RATE))
            first = int(rng.integers(len(burst) - length + 1))
            burst = burst[first : first + length]
        if at + len(burst) > n - 20 * RATE:
            return data, true
        shape = np.ones(len(burst))
        shape[:FADE], shape[-FADE:] = up, up[::-1]
        place = slice(at, at + len(burst))
        data[place] = data[place] * (1 - shape) + rng.uniform(0.5, 1.0) * burst * shape
        kind = "tonic" if len(burst) > 2 * RATE else "phasic" if len(burst) >= RATE // 4 else "short"
        true.append((at / RATE, (at + len(burst)) / RATE, kind))
        at += len(burst) + int(rng.uniform(1.2, 8.0) * RATE)


def run(name: str, seed: int) -> Tally:
    """Tally of bursts, twitches too, on one recording and seed; threshold 10 % of the strongest second."""
    pieces = cut(name)
    data, true = paste(pieces, seed)
    night = score_night(from_array(data[None], RATE, [LABEL]), given([LABEL], pieces.best))
    bursts = night.bursts[0]
    found = [
        (bursts.grid.seconds(int(a)), bursts.grid.seconds(int(b)), KINDS[k])
        for a, b, k in zip(bursts.starts, bursts.stops, bursts.kind, strict=True)
    ]
    return tally(true, found, night.selection.valid)
