"""From a plan to samples: one tile of 60 s and one side at a time, in int16 steps of 0.1 µV."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.edf_writer import Annotation, EdfSignal, write_edf
from sleepbrux.synth.faults import apply_fault, pink_noise
from sleepbrux.synth.heart import heart_beats, qrs
from sleepbrux.synth.night import SIDES, Burst, ElectrodeOff, Fault, NightPlan, Side
from sleepbrux.synth.signal import TILE_S, Samples, child_rng, emg_noise, slow_wander, white_noise

STEP_UV = 0.1
RAIL = 32767
LOOSE_MAINS_UV = 400.0  # amplitude at a loose electrode: far above any clench, below the rail
LOOSE_NOISE_UV = 40.0
Digital = NDArray[np.int16]


@dataclass(frozen=True)
class _SidePlan:
    """What one channel needs for each tile; `NightPlan` tells the meaning."""

    plan: NightPlan
    channel: int
    rate: int
    bursts: tuple[tuple[Burst, ...], ...]
    rest_uv: Samples
    drift_uv: Samples
    mains: Samples
    beats: NDArray[np.int64]
    qrs_uv: Samples
    loose: tuple[ElectrodeOff, ...]
    faults: tuple[Fault, ...]

    @property
    def side(self) -> Side:
        return SIDES[self.channel]


def _mains(plan: NightPlan, channel: int, rate: int) -> Samples:
    """One second of mains of amplitude 1: whole periods, so that it can be repeated."""
    back, second = plan.background, np.arange(rate) / rate
    angle = 2 * np.pi * back.mains_hz * second + 0.7 * channel
    third = back.harmonic * np.sin(3 * angle) if 6 * back.mains_hz < rate else 0.0
    return np.asarray(np.sin(angle) + third, dtype=np.float32)


def _by_tile(plan: NightPlan, side: Side) -> tuple[tuple[Burst, ...], ...]:
    """For each tile the bursts of one side that touch it, ramps and lag included."""
    found: list[list[Burst]] = [[] for _ in range(math.ceil(plan.duration_s / TILE_S) + 1)]
    for burst in plan.bursts():
        first, last = (math.floor(s / TILE_S) for s in (burst.start_s - 1, burst.stop_s + 1))
        for tile in range(max(first, 0), min(last + 1, len(found))):
            found[tile] += [burst] if side in burst.sides else []
    return tuple(map(tuple, found))


def _side_plan(plan: NightPlan, channel: int, rate: int, beats_s: NDArray[np.float64]) -> _SidePlan:
    back, side, gain = plan.background, SIDES[channel], plan.gain[channel]
    n = TILE_S * math.ceil(plan.duration_s / TILE_S) + 1
    swing = np.exp(back.rest_swing * slow_wander(child_rng(plan.seed, channel, 3), n, memory=900.0))
    drift = back.drift_uv * slow_wander(child_rng(plan.seed, channel, 4), n, memory=300.0)
    return _SidePlan(
        plan=plan,
        channel=channel,
        rate=rate,
        bursts=_by_tile(plan, side),
        rest_uv=(gain * back.rest_uv[channel] * swing).astype(np.float32),
        drift_uv=(back.offset_uv[channel] + drift).astype(np.float32),
        mains=_mains(plan, channel, rate),
        beats=np.rint(beats_s * rate).astype(np.int64),
        qrs_uv=np.float32(gain * back.ecg_uv[channel]) * qrs(rate),
        loose=tuple(off for off in plan.electrode_off if off.side == side),
        faults=tuple(fault for fault in plan.faults if fault.side == side),
    )


def _sloped(per_second: Samples, tile: int, rate: int) -> Samples:
    """One tile of a curve given second by second, straight in between."""
    a = per_second[tile * TILE_S : (tile + 1) * TILE_S, None]
    b = per_second[tile * TILE_S + 1 : (tile + 1) * TILE_S + 1, None]
    ramp = np.arange(rate, dtype=np.float32) / np.float32(rate)
    return np.asarray((a + (b - a) * ramp).ravel(), dtype=np.float32)


def _edge(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Raised cosine from 0 to 1, half-way at 0."""
    return np.asarray(0.5 + 0.5 * np.sin(np.pi * np.clip(u, -0.5, 0.5)), dtype=np.float64)


def _add_bursts(envelope: Samples, side: _SidePlan, tile: int) -> None:
    """Raise the envelope of one tile to the amplitude of each burst that touches it."""
    first, n = tile * TILE_S * side.rate, len(envelope)
    for burst in side.bursts[tile]:
        start, stop = burst.span_on(side.side)
        half = burst.ramp_s / 2
        a = max(math.floor((start - half) * side.rate) - first, 0)
        b = min(math.ceil((stop + half) * side.rate) + 1 - first, n)
        if a < b:
            t = np.arange(first + a, first + b) / side.rate
            shape = _edge((t - start) / burst.ramp_s) * _edge((stop - t) / burst.ramp_s)
            level = burst.amplitude_on(side.side) * side.plan.mvc_uv[side.channel]
            level *= 1.0 - side.plan.background.fatigue * start / side.plan.duration_s
            if burst.modulation or burst.decline:
                swell = np.sin(2 * np.pi * burst.modulation_hz * (t - start))
                through = np.clip((t - start) / max(stop - start, 1e-9), 0.0, 1.0)
                shape *= (1.0 + burst.modulation * swell) * (1.0 - burst.decline * through)
            envelope[a:b] = np.maximum(envelope[a:b], (level * shape).astype(np.float32))


def _add_heart(signal: Samples, side: _SidePlan, tile: int) -> None:
    first, reach = tile * TILE_S * side.rate, len(side.qrs_uv) // 2
    lo, hi = np.searchsorted(side.beats, [first - reach, first + len(signal) + reach])
    for beat in (side.beats[lo:hi] - first).tolist():
        a, b = max(beat - reach, 0), min(beat + reach + 1, len(signal))
        signal[a:b] += side.qrs_uv[a - beat + reach : b - beat + reach]


def _loosen(signal: Samples, side: _SidePlan, tile: int, white: Samples) -> None:
    """Overwrite the stretches in which the electrode is off."""
    first = tile * TILE_S * side.rate
    for off in side.loose:
        a, rail, b = (
            min(max(round(s * side.rate) - first, 0), len(signal))
            for s in (off.start_s, off.rail_from_s, off.stop_s)
        )
        mains = np.resize(side.mains, len(signal))
        signal[a:rail] = LOOSE_MAINS_UV * mains[a:rail] + LOOSE_NOISE_UV * white[a:rail]
        signal[rail:b] = RAIL * STEP_UV


def _muscle(side: _SidePlan, tile: int, noise: Samples) -> Samples:
    """What the muscle of one side sends in one tile, shape (`TILE_S` * rate,), µV."""
    envelope = _sloped(side.rest_uv, tile, side.rate)
    _add_bursts(envelope, side, tile)
    return np.multiply(noise, envelope, out=envelope)


def _picked_up(plan: NightPlan, muscles: list[Samples]) -> list[Samples]:
    """What the electrodes of each side pick up of both muscles."""
    share = np.float32(plan.background.crosstalk)
    if not share:
        return muscles
    return [muscles[0] + share * muscles[1], muscles[1] + share * muscles[0]]


def _tile(side: _SidePlan, tile: int, signal: Samples) -> Digital:
    """Samples of one side and tile, shape (`TILE_S` * rate,), steps of `STEP_UV`."""
    white = white_noise(side.plan.seed, side.channel, tile, side.rate)
    signal += np.float32(side.plan.background.noise_uv) * white
    signal += _sloped(side.drift_uv, tile, side.rate)
    own_uv = side.plan.background.electrode_uv[side.channel]
    if own_uv:
        rng = child_rng(side.plan.seed, side.channel, 8, tile)
        signal += np.float32(own_uv) * pink_noise(rng, len(signal), side.rate, 5.0, 0.45 * side.rate)
    signal.reshape(TILE_S, side.rate)[:] += (
        np.float32(side.plan.background.mains_uv[side.channel]) * side.mains
    )
    _add_heart(signal, side, tile)
    _loosen(signal, side, tile, white)
    for fault in side.faults:
        first = tile * TILE_S * side.rate
        apply_fault(signal, fault, first, side.rate, rail_uv=RAIL * STEP_UV)
    signal *= np.float32(1 / STEP_UV)
    return np.rint(np.clip(signal, -RAIL - 1, RAIL, out=signal), out=signal).astype(np.int16)


def _recorded(plan: NightPlan) -> NDArray[np.bool_]:
    """Which seconds of the night clock were recorded, bool, shape (duration_s,)."""
    seconds = np.ones(plan.duration_s, dtype=np.bool_)
    for start, stop in plan.gaps:
        seconds[start:stop] = False
    return seconds


def tiles(plan: NightPlan, rate: int) -> Iterator[tuple[Digital, ...]]:
    """The night in tiles of 60 s, gaps left out; the last tile is shorter.

    Parameters
    ----------
    plan
        What happens.
    rate
        Samples a second, whole, 250 to 4000.

    Yields
    ------
    tuple of Digital
        For each side int16, shape (n_seconds * rate,), steps of 0.1 µV.
    """
    beats_s, recorded = heart_beats(plan), _recorded(plan)
    sides = [_side_plan(plan, channel, rate, beats_s) for channel in range(len(SIDES))]
    noises = [
        emg_noise(plan.seed, channel, rate, plan.background.median_hz[channel])
        for channel in range(len(SIDES))
    ]
    for tile in range(math.ceil(plan.duration_s / TILE_S)):
        keep = np.flatnonzero(recorded[tile * TILE_S : (tile + 1) * TILE_S])
        drawn = [next(noise) for noise in noises]
        if len(keep):
            muscles = [_muscle(side, tile, one) for side, one in zip(sides, drawn, strict=True)]
            picked = _picked_up(plan, muscles)
            made = [_tile(side, tile, one) for side, one in zip(sides, picked, strict=True)]
            yield tuple(data.reshape(TILE_S, rate)[keep].ravel() for data in made)


def render(plan: NightPlan, rate: int, chunk_s: int) -> Iterator[tuple[Digital, ...]]:
    """The same samples as `tiles`, in chunks of ``chunk_s`` seconds."""
    held: list[Digital] = [np.zeros(0, dtype=np.int16) for _ in SIDES]
    for tile in tiles(plan, rate):
        held = [np.concatenate(pair) for pair in zip(held, tile, strict=True)]
        while len(held[0]) >= chunk_s * rate:
            yield tuple(data[: chunk_s * rate] for data in held)
            held = [data[chunk_s * rate :] for data in held]
    if len(held[0]):
        yield tuple(held)


def edf_signals(rate: int, muscles: Sequence[str] = ("Masseter L", "Masseter R")) -> list[EdfSignal]:
    """Headers of the two channels."""
    return [EdfSignal(f"EMG {name}", rate, step=STEP_UV) for name in muscles]


def write_night(plan: NightPlan, path: Path, *, rate: int = 1000, start: datetime | None = None) -> None:
    """Render a plan straight to an EDF+ file (EDF+D where it has gaps).

    Parameters
    ----------
    plan
        What happens.
    path
        The file; written under a temporary name and renamed.
    rate
        Samples a second, whole, 250 to 4000.
    start
        Local time of the first sample; None is written as unknown.
    """
    write_edf(
        path,
        edf_signals(rate),
        tiles(plan, rate),
        onsets=np.flatnonzero(_recorded(plan)).tolist(),
        annotations=[Annotation(cue.start_s, cue.duration_s, cue.text) for cue in plan.cues],
        start=start,
    )
