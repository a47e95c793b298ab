"""Bursts and episodes of a swept night under a criterion, before anything is measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.core.parallel import each
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import DEFAULT_WITHOUT_MVC_ID, Criterion
from sleepbrux.recording.model import Channel
from sleepbrux.recording.window import Window
from sleepbrux.reference import Reference
from sleepbrux.scoring.bursts import Bursts, find_bursts
from sleepbrux.scoring.context.label import label as label_events
from sleepbrux.scoring.context.left_out import asks, basis_of, check, left_out
from sleepbrux.scoring.context.model import Labels
from sleepbrux.scoring.episodes import Episodes, group_episodes
from sleepbrux.scoring.measures import Selection, select
from sleepbrux.scoring.sides import CombinedBursts, combine_sides
from sleepbrux.scoring.thresholds import Threshold, thresholds
from sleepbrux.signal.envelope import Amplitude, Envelope
from sleepbrux.signal.swept import Swept

AVERAGE_LABEL = "mean of channels"


AMPLITUDE_WORDS = {"rms": "root mean square (RMS)", "rectified": "mean rectified"}


def amplitude_of(criterion: Criterion, reference: Reference | None) -> Amplitude:
    """Kind of amplitude that a criterion measures beside a reference."""
    if criterion.envelope.amplitude != "as_reference":
        return criterion.envelope.amplitude
    return reference.amplitude if reference is not None else "rms"


def mvc_of(reference: Reference | None, label: str, amplitude: Amplitude) -> float | None:
    """Level of a clench stated in this kind of µV: one of the other kind is none."""
    if reference is None or reference.amplitude != amplitude:
        return None
    level = reference.level(label)
    return level.mvc_uv if level else None


def check_applicable(swept: Swept, criterion: Criterion, reference: Reference | None) -> None:
    """Refuse a rule set that this night cannot be scored by.

    Raises
    ------
    UsageError
        No clench of a channel, or one stated in another kind of µV; a jaw muscle under a rule set for the chin.
    RecordingError
        A channel without a known unit under a rule in % MVC.
    """
    check(swept.name, criterion, swept.surroundings)
    jaw = [f.channel.label for f in swept.frames if f.channel.role == "jaw"]
    if jaw and criterion.muscle == "chin":
        raise UsageError(
            f"{swept.name}: criterion {criterion.id} is for chin channels, and {jaw[0]!r} is labelled as a jaw "
            f"muscle; use a criterion for jaw muscles ({DEFAULT_WITHOUT_MVC_ID}), or name chin channels with "
            "`channels`"
        )
    if not criterion.needs_mvc:
        return
    amplitude = amplitude_of(criterion, reference)
    if reference is not None and reference.amplitude != amplitude:
        raise UsageError(
            f"{swept.name}: the clench is stated in {AMPLITUDE_WORDS[reference.amplitude]} µV, and "
            f"{criterion.id} measures {AMPLITUDE_WORDS[amplitude]} µV, which differ by 1.25 for Gaussian "
            "EMG: state the clench so, or ask for its conversion (`convert_to`)"
        )
    for frames in swept.frames:
        label = frames.channel.label
        if frames.channel.unit != "uV":
            raise RecordingError(
                f"{swept.name}: channel {label!r} has no known unit, so {criterion.id} (% MVC) "
                "cannot be applied; give `unit` or `scale`, or use a criterion relative to background (aasm)"
            )
        if mvc_of(reference, label, amplitude) is None:
            raise UsageError(
                f"{swept.name}: criterion {criterion.id} needs the MVC of {label!r}; give `mvc_uv`, "
                "or use a criterion relative to background (aasm)"
            )


def _average(envelopes: Sequence[Envelope], weights: Sequence[float]) -> Envelope:
    """Mean of several envelopes, each in its own unit of ``1 / weight``."""
    first = envelopes[0]
    if any(e.grid != first.grid for e in envelopes):
        raise UsageError("the mean of channels needs one sampling rate for all of them")
    level = sum(e.level.astype(np.float64) * w for e, w in zip(envelopes, weights, strict=True)) / len(
        envelopes
    )
    energy = sum(e.energy.astype(np.float64) * w**2 for e, w in zip(envelopes, weights, strict=True)) / len(
        envelopes
    )
    assert isinstance(level, np.ndarray)  # noqa: S101
    assert isinstance(energy, np.ndarray)  # noqa: S101
    return Envelope(
        first.grid,
        first.amplitude,
        first.window_frames,
        level.astype(np.float32),
        energy.astype(np.float32),
    )


def converter_noise_uv(channel: Channel) -> float:
    """RMS of the rounding to whole steps, step / sqrt(12); 0 where the steps are not known."""
    if channel.digital_max <= channel.digital_min:
        return 0.0
    return abs(channel.gain) / math.sqrt(12)


@dataclass(frozen=True)
class Track:
    """One stream of bursts: a channel, or the mean of several."""

    label: str
    envelope: Envelope
    usable: Spans
    mvc_uv: float | None
    threshold: Threshold


@dataclass(frozen=True, eq=False)
class Events:
    """What a criterion finds in a night, before anything is measured."""

    amplitude: Amplitude
    tracks: tuple[Track, ...]
    bursts: tuple[Bursts, ...]
    merged: CombinedBursts
    episodes: Episodes
    selection: Selection
    labels: Labels | None


def _tracks(
    swept: Swept, criterion: Criterion, reference: Reference | None, amplitude: Amplitude
) -> tuple[Track, ...]:
    window_s = criterion.envelope.window_s
    envelopes = each(lambda k: swept.envelope(k, amplitude, window_s), range(len(swept.frames)))
    parts = [
        (
            frames.channel.label,
            envelopes[k],
            swept.quality[k].usable,
            mvc_of(reference, frames.channel.label, amplitude),
            converter_noise_uv(frames.channel),
        )
        for k, frames in enumerate(swept.frames)
    ]
    if criterion.sides.combine == "mean" and len(parts) > 1:
        mvcs = [mvc for _, _, _, mvc, _ in parts if mvc is not None]
        relative = len(mvcs) == len(parts)
        weights = [100 / mvc for mvc in mvcs] if relative else [1.0] * len(parts)
        envelope = _average([e for _, e, *_ in parts], weights)
        usable = reduce(Spans.__and__, [u for _, _, u, *_ in parts])
        noise = max(n * w for (*_, n), w in zip(parts, weights, strict=True))
        parts = [(AVERAGE_LABEL, envelope, usable, 100.0 if relative else None, noise)]

    def track(part: tuple[str, Envelope, Spans, float | None, float]) -> Track:
        label, envelope, usable, mvc_uv, noise_uv = part
        threshold = thresholds(envelope, usable, criterion, mvc_uv, noise_uv=noise_uv)
        return Track(label, envelope, usable & threshold.known, mvc_uv, threshold)

    return tuple(each(track, parts))


def find_events(
    swept: Swept,
    *,
    criterion: Criterion,
    window: Window,
    reference: Reference | None = None,
) -> Events:
    """Bursts and episodes of a swept night under a criterion.

    Raises
    ------
    UsageError
        The criterion needs an MVC and there is none, or no unit.
    """
    check_applicable(swept, criterion, reference)
    amplitude = amplitude_of(criterion, reference)
    tracks = _tracks(swept, criterion, reference, amplitude)
    found = tuple(
        each(
            lambda t: find_bursts(t.envelope, t.usable, criterion, t.threshold, label=t.label),
            tracks,
        )
    )
    merged = combine_sides(found, criterion, [t.mvc_uv for t in tracks], known=[t.usable for t in tracks])
    known = Spans.of(merged.grid, merged.known)
    clipped = reduce(Spans.__or__, [q.clipped.on(merged.grid) for q in swept.quality])
    episodes = group_episodes(merged, criterion.episode, types=criterion.burst.types, clipped=clipped)
    labels, drop = None, None
    if asks(criterion):
        labels = labels_of(swept, merged, episodes, criterion)
        drop, unknown = left_out(swept.surroundings, labels, episodes, criterion, window)
        known = known - unknown
    selection = select(
        merged,
        episodes,
        window.on(merged.grid),
        known,
        basis_of(window, criterion),
        drop_cut=criterion.episode.at_edges == "drop",
        drop=drop,
    )
    return Events(amplitude, tracks, found, merged, episodes, selection, labels)


def labels_of(swept: Swept, merged: CombinedBursts, episodes: Episodes, criterion: Criterion) -> Labels:
    """What surrounds each episode of a night."""
    return label_events(swept.surroundings, swept.marks, merged, episodes, criterion, swept.duration_s)
