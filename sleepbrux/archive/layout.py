"""What a night's archive holds: the header, and values as groups and attributes of an HDF5 file."""

from __future__ import annotations

import dataclasses
from datetime import datetime, time
from fractions import Fraction
from typing import Any, TypeVar, get_type_hints

import msgspec
import numpy as np

from sleepbrux.core.errors import Note
from sleepbrux.criteria import Criterion
from sleepbrux.recording.model import Channel, Mark
from sleepbrux.recording.window import Window
from sleepbrux.reference import Reference
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import AlternativeReading, Night
from sleepbrux.signal.actigraphy import WakeEstimate
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.mains import Notched
from sleepbrux.signal.movement import ActivityChannel
from sleepbrux.signal.sound import Sound
from sleepbrux.signal.surroundings.model import Position, Stages, Surroundings
from sleepbrux.signal.wake import WakeProbability

FORMAT = "sleepbrux night"
SCHEMA_VERSION = "4.1"
EARLIER = ("2", "3")


class Header(msgspec.Struct, kw_only=True, frozen=True):
    """Everything of a night that is not a table."""

    name: str
    digest: str
    format: str
    start: datetime | None
    start_clock: time | None
    duration_s: float
    marks: tuple[Mark, ...]
    gaps: tuple[tuple[float, float], ...]
    recording_notes: tuple[Note, ...]
    channels: tuple[Channel, ...]
    frame_slots: tuple[Fraction, ...]
    frames_per_block: tuple[int, ...]
    quality_notes: tuple[tuple[Note, ...], ...]
    notched: tuple[tuple[Notched, ...], ...] = ()
    criterion: Criterion
    reference: Reference | None
    window: Window
    amplitude: Amplitude
    background_uv: dict[str, float | None]
    threshold_uv: dict[str, float | None]
    burst_labels: tuple[str, ...]
    event_slot: Fraction
    event_slots: int
    merged_labels: tuple[str, ...]
    episode_flags: tuple[tuple[str, ...], ...]
    basis: str
    measures: dict[str, Measure]
    notes: tuple[Note, ...]
    about: tuple[tuple[str, str], ...] = ()
    supersedes: str = ""
    alternative_readings: tuple[AlternativeReading, ...] = ()
    method: int = 1


def header_of(night: Night) -> Header:
    """The header of a night."""
    swept = night.swept
    return Header(
        name=swept.name,
        digest=swept.digest,
        format=swept.format,
        start=swept.start,
        start_clock=swept.start_clock,
        duration_s=swept.duration_s,
        marks=swept.marks,
        gaps=swept.gaps,
        recording_notes=swept.notes,
        channels=tuple(f.channel for f in swept.frames),
        frame_slots=tuple(f.grid.slot_s for f in swept.frames),
        frames_per_block=tuple(f.frames_per_block for f in swept.frames),
        quality_notes=tuple(q.notes for q in night.quality),
        notched=tuple(f.notched for f in night.swept.frames),
        criterion=night.criterion,
        reference=night.reference,
        window=night.window,
        amplitude=night.amplitude,
        background_uv=night.background_uv,
        threshold_uv=night.threshold_uv,
        burst_labels=tuple(b.label for b in night.bursts),
        event_slot=night.merged.grid.slot_s,
        event_slots=night.merged.grid.n_slots,
        merged_labels=night.merged.labels,
        episode_flags=night.episodes.flags,
        basis=night.selection.basis,
        measures=night.measures,
        notes=night.notes,
        about=night.about,
        supersedes=night.supersedes,
        alternative_readings=night.alternative_readings,
        method=swept.method,
    )


def to_text(value: Any) -> str:
    """A fraction as JSON holds it."""
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    raise TypeError(f"no text form: {type(value)}")


def from_text(kind: type, value: Any) -> Any:
    """The fraction that `to_text` wrote."""
    if kind is Fraction:
        return Fraction(value)
    raise TypeError(f"no value of {kind} from {value!r}")


def array_names(kind: type) -> list[str]:
    """Names of the columns of a table."""
    scalar = {"grid", "label", "labels", "flags"}
    return [f.name for f in dataclasses.fields(kind) if f.name not in scalar]


def read_arrays(group: Any, kind: type) -> dict[str, Any]:
    """Columns of a table, by name."""
    return {name: group[name][()] for name in array_names(kind)}


T = TypeVar("T")
SURROUNDINGS: dict[str, type] = {
    "heart": Heart,
    "wake_probability": WakeProbability,
    "wake_estimate": WakeEstimate,
    "sound": Sound,
    "position": Position,
    "stages": Stages,
}


def put_value(group: Any, value: Any) -> None:
    """A flat value into a group: arrays as data sets, everything else as one JSON text."""
    rest = {}
    for field in dataclasses.fields(value):
        item = getattr(value, field.name)
        if isinstance(item, np.ndarray):
            group.create_dataset(field.name, data=item)
        else:
            rest[field.name] = item
    group.attrs["values"] = msgspec.json.encode(rest).decode()


def get_value(group: Any, kind: type[T]) -> T:
    """The value that `put_value` wrote."""
    hints = get_type_hints(kind)
    rest = msgspec.json.decode(group.attrs["values"])
    values = {name: msgspec.convert(item, hints[name]) for name, item in rest.items()}
    return kind(**values, **{name: group[name][()] for name in group})


def put_surroundings(file: Any, surroundings: Surroundings) -> None:
    """Write what surrounds the episodes: a group each."""
    texts = file.create_group("surroundings").attrs
    texts["notes"] = msgspec.json.encode(surroundings.notes).decode()
    texts["files"] = msgspec.json.encode(surroundings.files).decode()
    for name in SURROUNDINGS:
        if getattr(surroundings, name) is not None:
            put_value(file.create_group(f"surroundings/{name}"), getattr(surroundings, name))
    for k, channel in enumerate(surroundings.activity_channels):
        put_value(file.create_group(f"surroundings/activity_channels/{k}"), channel)


def get_surroundings(file: Any) -> Surroundings:
    """What `put_surroundings` wrote."""
    group = file["surroundings"]
    found: dict[str, Any] = {
        name: get_value(group[name], kind) for name, kind in SURROUNDINGS.items() if name in group
    }
    channels = group.get("activity_channels", {})
    return Surroundings(
        activity_channels=tuple(get_value(channels[str(k)], ActivityChannel) for k in range(len(channels))),
        files=msgspec.json.decode(group.attrs["files"], type=tuple[tuple[str, str], ...]),
        notes=msgspec.json.decode(group.attrs["notes"], type=tuple[Note, ...]),
        **found,
    )
