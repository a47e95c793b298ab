"""What surrounds the jaw muscles, read once from a recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from sleepbrux.core.errors import Note
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.recording.stages import Hypnogram, read_stages
from sleepbrux.signal.actigraphy import off_the_wrist, read_sensor, sensors
from sleepbrux.signal.heart import (
    LEAST_ECG_HZ,
    LEAST_WAVE_HZ,
    Heart,
    covered_s,
    find_beats,
    usable_heart,
)
from sleepbrux.signal.movement import LEAST_EMG_HZ, raised_emg
from sleepbrux.signal.sound import LEAST_HZ, read_sound, usable_sound
from sleepbrux.signal.streams import stream
from sleepbrux.signal.surroundings.companions import NO_COMPANIONS, CompanionData
from sleepbrux.signal.surroundings.marks import position_of
from sleepbrux.signal.surroundings.model import STAGES, Position, Stages, Surroundings
from sleepbrux.signal.wake import WakeProbability, estimate_wake

# Roles of channels that `gather` reads.
SURROUNDING = frozenset({"leg", "arm", "neck", "chin", "ecg", "pulse", "accelerometer", "position", "audio"})
MOST_POSITIONS = 12
WELL_KNOWN = 0.8


def _unused(channels: Sequence[Channel]) -> list[Note]:
    """Notes on channels that are there but too slow for what they could say."""
    limits = (
        ("ecg", LEAST_ECG_HZ, "an ECG"),
        ("pulse", LEAST_WAVE_HZ, "a pulse wave"),
        ("audio", LEAST_HZ, "a sound channel"),
    )
    return [
        Note(
            "context-channel-slow",
            "note",
            f"channel {c.label!r} has {float(c.rate):g} samples a second, where {what} needs {least}; it "
            "was not used",
        )
        for role, least, what in limits
        for c in channels
        if c.role == role and c.rate < least and not c.fault
    ]


def _partly(heart: Heart | None, recording: Recording) -> list[Note]:
    """A note where the heart rate is known for less than `WELL_KNOWN` of the recording."""
    if heart is None:
        return []
    end = np.array([recording.duration_s])
    known = float(covered_s(heart, np.zeros(1), end)[0]) / max(recording.duration_s, 1e-9)
    if known >= WELL_KNOWN:
        return []
    return [
        Note(
            "heart-rate-partly-known",
            "warning",
            f"channel {heart.label!r} gives a trusted heart rate for only {100 * known:.0f} % of the "
            "recording; look at its electrodes and at the channel itself",
        )
    ]


def _no_wrist(label: str) -> Note:
    return Note(
        "sensor-not-on-wrist",
        "note",
        f"the accelerometer {label!r} is not worn on the wrist by its label, and the published rule of who is awake "
        "was made for the wrist; it says movements only",
    )


def stages_of(hypnogram: Hypnogram) -> Stages:
    """A hypnogram as columns, in order of time."""
    rows = [(a, b, code) for code, stage in enumerate(STAGES) for a, b in hypnogram.spans[stage].seconds()]
    rows.sort()
    spans = np.array([(a, b) for a, b, _ in rows], dtype=np.float64).reshape(-1, 2)
    return Stages(spans, np.array([c for *_, c in rows], dtype=np.int8), hypnogram.origin)


def _position(recording: Recording, channel: Channel, names: Mapping[int, str]) -> Position | None:
    """Runs of one code of a position channel; None where its values are no few whole codes."""
    rate = float(channel.rate)
    spans: list[tuple[float, float]] = []
    codes: list[int] = []
    for part in stream(recording, [channel], core_s=3600.0):
        values = part.values[0, part.inside].astype(np.float64)
        whole = np.rint(values)
        if not len(whole) or np.abs(values - whole).max() > 0.05:
            return None
        edges = np.flatnonzero(np.diff(whole)) + 1
        starts = np.concatenate(([0], edges))
        stops = np.append(edges, len(whole))
        first = part.core[0]
        spans += [((first + a) / rate, (first + b) / rate) for a, b in zip(starts, stops, strict=True)]
        codes += whole[starts].astype(int).tolist()
    found = sorted(set(codes))
    if not found or len(found) > MOST_POSITIONS:
        return None
    words = tuple(names.get(code, f"code {code}") for code in found)
    order = {code: k for k, code in enumerate(found)}
    return Position(
        np.array(spans, dtype=np.float64).reshape(-1, 2),
        np.array([order[code] for code in codes], dtype=np.int8),
        words,
        f"channel {channel.label}",
    )


def gather(
    recording: Recording,
    scored: Sequence[Channel] = (),
    companions: CompanionData = NO_COMPANIONS,
    *,
    threads: int | None = None,
) -> Surroundings:
    """Read every channel that can say something of what surrounds an episode.

    Parameters
    ----------
    scored
        Jaw channels; they are not read again.
    beside
        What comes with the recording in other files; it comes before what the recording holds itself.
    threads
        How many threads filter other muscles.
    """
    others = tuple(c for c in recording.channels if c not in scored and not c.fault)
    notes = [*_unused(others), *companions.notes]
    hypnogram = companions.hypnogram or read_stages(recording.marks, duration_s=recording.duration_s)
    if hypnogram is not None:
        notes += hypnogram.notes
    beating = usable_heart(others)
    muscles = [c for c in others if c.role in ("leg", "arm", "neck", "chin") and c.rate >= LEAST_EMG_HZ]
    heart = find_beats(recording, beating) if beating else None
    notes += _partly(heart, recording)
    wake_probability = None
    if heart is not None:
        found = estimate_wake(heart, recording.duration_s, recording.start_clock, companions.sleeper)
        wake_probability = found if isinstance(found, WakeProbability) else None
        notes += [found] if isinstance(found, Note) else []
    raised = list(raised_emg(recording, muscles, threads=threads)) if muscles else []
    wake_estimate = None
    for axes in sensors(others):
        moved, awake = read_sensor(recording, axes)
        raised.append(moved)
        wake_estimate = wake_estimate or awake
        notes += [_no_wrist(moved.label)] if len(axes) == 3 and off_the_wrist(axes) else []
    position = position_of(recording.marks, recording.duration_s)
    for channel in others:
        if channel.role == "position" and position is None:
            position = _position(recording, channel, companions.positions)
            if position is None:
                notes.append(
                    Note(
                        "position-not-used",
                        "note",
                        f"the values of channel {channel.label!r} are no few whole codes; it was not used",
                    )
                )
    source, heard, start_s = recording, usable_sound(others), 0.0
    if companions.sound is not None:
        source, heard, start_s = companions.sound, companions.sound_channel, companions.sound_start_s
    return Surroundings(
        heart=heart,
        wake_probability=wake_probability,
        activity_channels=tuple(raised),
        wake_estimate=wake_estimate,
        sound=read_sound(source, heard, start_s=start_s) if heard else None,
        position=position,
        stages=stages_of(hypnogram) if hypnogram else None,
        files=companions.files,
        notes=tuple(notes),
    )
