"""What other channels record of a night with confounders: ECG, leg, wrist, position, sound."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.edf_writer import Annotation, EdfSignal, write_edf
from sleepbrux.synth.confounders import AroundPlan, Pair
from sleepbrux.synth.heart import qrs
from sleepbrux.synth.render import edf_signals, tiles
from sleepbrux.synth.signal import TILE_S, child_rng

ECG_HZ, LEG_HZ, WRIST_HZ, SOUND_HZ = 250, 250, 25, 4000
ALL = ("ecg", "leg", "wrist", "position", "sound")
Digital = NDArray[np.int16]
Floats = NDArray[np.float64]

_SIGNALS = {
    "ecg": [EdfSignal("ECG", ECG_HZ, step=1.0)],
    "leg": [EdfSignal("EMG Leg L", LEG_HZ)],
    "wrist": [EdfSignal(f"Acc wrist {axis}", WRIST_HZ, unit="g", step=0.0002) for axis in "XYZ"],
    "position": [EdfSignal("Position", 1, unit="", step=1.0)],
    "sound": [EdfSignal("Audio", SOUND_HZ, unit="", step=0.0001)],
}


def _mask(pairs: Sequence[Pair], first_s: float, n: int, rate: int) -> NDArray[np.bool_]:
    """Which samples of a tile lie in stretches, bool, shape (n,)."""
    mask = np.zeros(n, dtype=np.bool_)
    for a, b in pairs:
        low, high = (round((s - first_s) * rate) for s in (a, b))
        mask[min(max(low, 0), n) : min(max(high, 0), n)] = True
    return mask


def _ecg(night: AroundPlan, tile: int, seconds: int) -> list[Floats]:
    n, first = seconds * ECG_HZ, tile * TILE_S * ECG_HZ
    signal = child_rng(night.plan.seed, 21, tile).normal(0, 15, n)
    shape = qrs(ECG_HZ)
    reach = len(shape) // 2
    beats = np.rint(night.beats_s * ECG_HZ).astype(np.int64) - first
    for beat in beats[(beats > -reach) & (beats < n + reach)].tolist():
        a, b = max(beat - reach, 0), min(beat + reach + 1, n)
        signal[a:b] += 1000.0 * shape[a - beat + reach : b - beat + reach]
    return [signal]


def _leg(night: AroundPlan, tile: int, seconds: int) -> list[Floats]:
    rng = child_rng(night.plan.seed, 22, tile)
    n = seconds * LEG_HZ
    moving = [c.moving for c in night.confounders if c.leg and c.moving is not None]
    level = np.where(_mask(moving, tile * TILE_S, n, LEG_HZ), 60.0, 3.0)
    return [level * rng.standard_normal(n)]


def _wrist(night: AroundPlan, tile: int, seconds: int) -> list[Floats]:
    """A still arm that turns and shakes in movements, and lies otherwise after each."""
    rng = child_rng(night.plan.seed, 23, tile)
    n, first_s = seconds * WRIST_HZ, tile * TILE_S
    moving = [c.moving for c in night.confounders if c.moving is not None]
    t = first_s + np.arange(n) / WRIST_HZ
    inside = _mask(moving, first_s, n, WRIST_HZ)
    before = np.searchsorted(np.sort([b for _, b in moving]), t)
    angle = np.radians(20.0 + 50.0 * ((before * 0.381966) % 1.0))
    angle = angle + np.where(inside, 0.5 * np.sin(2 * np.pi * 0.35 * t), 0.0)
    shake = np.where(inside, 0.15, 0.0) * rng.standard_normal(n)
    axes = (np.cos(angle), 0.1 * np.ones(n), np.sin(angle))
    return [np.asarray(a + shake + rng.normal(0, 0.003, n), dtype=np.float64) for a in axes]


def _position(night: AroundPlan, tile: int, seconds: int) -> list[Floats]:
    """Code 1 and 2 in turns of 40 min."""
    t = tile * TILE_S + np.arange(seconds)
    return [np.asarray(1.0 + (t // 2400) % 2, dtype=np.float64)]


def _sound(night: AroundPlan, tile: int, seconds: int) -> list[Floats]:
    """Hiss, a scrape above 1 kHz with grinding, a buzz below it with talking; nothing else."""
    rng = child_rng(night.plan.seed, 24, tile)
    n, first_s = seconds * SOUND_HZ, tile * TILE_S
    t = first_s + np.arange(n) / SOUND_HZ
    signal = 0.002 * rng.standard_normal(n)
    scrape = np.diff(rng.standard_normal(n + 2), 2)  # twice differenced noise: energy near the top
    grinding = _mask(night.grinding_s, first_s, n, SOUND_HZ)
    signal += np.where(grinding, 0.03 * scrape * (np.sin(2 * np.pi * t) > -0.3), 0.0)
    talking = [(c.group.start_s, c.group.stop_s) for c in night.confounders if c.voice]
    buzz = sum(np.sin(2 * np.pi * 130 * k * t) / k for k in range(1, 5))
    signal += np.where(_mask(talking, first_s, n, SOUND_HZ), 0.08 * buzz, 0.0)
    return [signal]


_MAKERS = {"ecg": _ecg, "leg": _leg, "wrist": _wrist, "position": _position, "sound": _sound}


def _digital(values: Floats, step: float) -> Digital:
    return np.clip(np.rint(values / step), -32768, 32767).astype(np.int16)


def _blocks(night: AroundPlan, rate: int, channels: Sequence[str]) -> Iterator[tuple[Digital, ...]]:
    for tile, jaw in enumerate(tiles(night.plan, rate)):
        seconds = min(TILE_S, night.plan.duration_s - tile * TILE_S)
        rows = list(jaw)
        for name in channels:
            made = _MAKERS[name](night, tile, seconds)
            rows += [_digital(v, s.step) for v, s in zip(made, _SIGNALS[name], strict=True)]
        yield tuple(rows)


def write_around(
    night: AroundPlan,
    path: Path,
    *,
    rate: int = 500,
    channels: Sequence[str] = ALL,
    stages: bool = True,
    start: datetime | None = None,
) -> None:
    """Render a night with confounders to an EDF+ file.

    Parameters
    ----------
    rate
        Samples a second of the jaw channels.
    channels
        What is recorded besides them: words of `ALL`.
    stages
        Whether the stages are among the marks.
    """
    signals = edf_signals(rate) + [s for name in channels for s in _SIGNALS[name]]
    cues = [c for c in night.plan.cues if stages or not c.text.startswith("Sleep stage")]
    write_edf(
        path,
        signals,
        _blocks(night, rate, channels),
        onsets=list(range(night.plan.duration_s)),
        annotations=[Annotation(cue.start_s, cue.duration_s, cue.text) for cue in cues],
        start=start,
    )
