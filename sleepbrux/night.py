"""A night scored: the one place that knows the order of the stages."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from functools import partial, reduce
from pathlib import Path

import numpy as np

from sleepbrux.bursts import (
    Bursts,
    Merged,
    Threshold,
    background_uv,
    find_bursts,
    in_pieces,
    knot_frames,
    merge,
    thresholds,
)
from sleepbrux.calibration import Reference
from sleepbrux.context.beside import NOTHING_BESIDE, Accompanying
from sleepbrux.context.counts import count
from sleepbrux.context.drop import admitted, asks, basis_of, check, left_out
from sleepbrux.context.gather import SURROUNDING, gather
from sleepbrux.context.label import label as label_events
from sleepbrux.context.model import NOTHING, Labels, Surroundings, in_seconds
from sleepbrux.criteria import DEFAULT_ID, Criterion, exact, load_criterion
from sleepbrux.episodes import Episodes, group_episodes
from sleepbrux.errors import Note, RecordingError, ReferenceLevelError, UsageError
from sleepbrux.lost_time import PossibleCounts, possible_counts
from sleepbrux.measures import Measure, Selection, compute, select
from sleepbrux.parallel import each
from sleepbrux.provenance import METHOD, Review
from sleepbrux.recording.ahead import Hashed, hashed_meanwhile
from sleepbrux.recording.counted import counted, joined
from sleepbrux.recording.findings import listed
from sleepbrux.recording.model import Channel, Mark, Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.rectified import refuse_rectified
from sleepbrux.signal.envelope import Amplitude, Envelope, follow
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.plausible import rest_note
from sleepbrux.signal.quality import Quality, examine
from sleepbrux.signal.quantiles import median
from sleepbrux.signal.sweep import ChannelFrames, sweep
from sleepbrux.spans import Spans
from sleepbrux.window import Window, find_window

LEAST_RATE_HZ, MOST_RATE_HZ = 100, 100_000
FULL_BAND_RATE_HZ = 1000
MOST_SCORED = 64  # channels of one night; no montage of the jaw has more
MOST_NAMED = 24
AVERAGE_LABEL = "mean of channels"
LEAST_THRESHOLD_TO_REST = 1.5
GOOD_THRESHOLD_TO_REST = 3.0
LOST_SIDE_MINUTES = 5
BACKGROUND_SAMPLE_FRAMES = 100
REPLACED = "criterion-replaced"


@dataclass(frozen=True, eq=False)
class Swept:
    """A recording after its one pass: all that scoring needs and an archive keeps.

    Attributes
    ----------
    digest
        SHA-256 of the input's bytes.
    frames, quality
        One for each channel that is scored: its amplitude over time, and what of it can be scored.
    around
        What the recording holds besides them: heart beats, movements, sound, position, stages.
    method
        Version of what turned samples into frames and usable time; see `provenance.METHOD`.
    """

    name: str
    digest: str
    format: str
    start: datetime | None
    start_clock: time | None
    duration_s: float
    marks: tuple[Mark, ...]
    gaps: tuple[tuple[float, float], ...]
    notes: tuple[Note, ...]
    frames: tuple[ChannelFrames, ...]
    quality: tuple[Quality, ...]
    around: Surroundings = NOTHING
    method: int = METHOD
    _envelopes: dict[tuple[int, Amplitude, float], Envelope] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def envelope(self, k: int, amplitude: Amplitude, window_s: float) -> Envelope:
        """Envelope of channel ``k``; kept once made, for the other criteria that a night is read by."""
        key = (k, amplitude, window_s)
        if key not in self._envelopes:
            self._envelopes[key] = follow(
                self.frames[k], self.quality[k].usable, amplitude=amplitude, window_s=window_s
            )
        return self._envelopes[key]

    def named(self, digest: str) -> Swept:
        """The same recording with the digest of its input, and the envelopes made so far."""
        named = replace(self, digest=digest)
        named._envelopes.update(self._envelopes)
        return named

    def let_go(self) -> None:
        """Let go of the envelopes; one that is asked for again is made again."""
        self._envelopes.clear()

    def keeping(self, positions: Sequence[int]) -> Swept:
        """The same recording with some of its channels."""
        return replace(
            self,
            frames=tuple(self.frames[k] for k in positions),
            quality=tuple(self.quality[k] for k in positions),
        )


@dataclass(frozen=True)
class Beside:
    """What the same night reads against another reference, under the same rules."""

    reference: Reference
    measures: dict[str, Measure]


@dataclass(frozen=True, eq=False)
class Night:
    """A scored night.

    Attributes
    ----------
    background_uv
        Median of the envelope outside bursts in valid time, by channel label; None where unknown.
    threshold_uv
        Threshold by channel label: its median over the night where it follows the background.
    bursts
        Bursts of each scored channel, before the sides are merged.
    merged, episodes
        The night's events, those outside the window among them; ``chosen`` says which count.
    about
        What a study says of the night: pseudonym, night, condition, and the digests by which study entry
        and recording are known again (`sleepbrux.scoring.study_request`); empty without a study.
    traces
        Filtered signal around episodes, for the eye; None where it was not kept.
    supersedes
        Id of the report of an earlier scoring of the same recording that this one replaces; empty
        for none.
    review
        What a reader changed; None for the automatic scoring, the only one that an archive holds.
    labels
        What surrounds each episode.
    beside
        With an appliance-in clench as the reference: the reading against natural teeth.
    numbers
        Of the counted episodes, in order of ``chosen.episodes``; empty: 1, 2, 3. After a review an
        episode keeps the number that the automatic scoring gave it.
    """

    swept: Swept
    quality: tuple[Quality, ...]
    criterion: Criterion
    reference: Reference | None
    window: Window
    amplitude: Amplitude
    background_uv: dict[str, float | None]
    threshold_uv: dict[str, float | None]
    bursts: tuple[Bursts, ...]
    merged: Merged
    episodes: Episodes
    chosen: Selection
    labels: Labels
    measures: dict[str, Measure]
    notes: tuple[Note, ...]
    about: tuple[tuple[str, str], ...] = ()
    traces: Extremes | None = None
    supersedes: str = ""
    review: Review | None = None
    beside: tuple[Beside, ...] = ()
    numbers: tuple[int, ...] = ()


def pick_channels(recording: Recording, labels: Sequence[str] = ()) -> tuple[Channel, ...]:
    """Channels to score: those named, else every jaw muscle.

    Raises
    ------
    RecordingError
        A label that the recording does not have, no jaw muscle, more than `MOST_SCORED`, or one that cannot
        be scored.
    """
    names = listed((c.label for c in recording.channels), MOST_NAMED) or "none"
    if labels:
        try:
            picked = tuple(dict.fromkeys(recording.channel(label) for label in labels))
        except KeyError as error:
            raise RecordingError(
                f"{recording.name}: there is no channel {error.args[0]!r}; there are {names}"
            ) from None
    else:
        usable = [c for c in recording.channels if not c.fault]
        picked = tuple(c for c in usable if c.role == "jaw") or tuple(
            c for c in usable if c.role == "emg"
        )
        if not picked:
            raise RecordingError(
                f"{recording.name}: no channel is recognised as a jaw muscle; there are {names}: "
                "name the channels to score with --channel"
            )
    if len(picked) > MOST_SCORED:
        raise RecordingError(
            f"{recording.name}: {len(picked)} channels would be scored, where up to {MOST_SCORED} are; name "
            "some of them with --channel"
        )
    for channel in picked:
        if channel.fault:
            raise RecordingError(
                f"{recording.name}: channel {channel.label!r} cannot be scored: {channel.fault}"
            )
        if channel.rate < LEAST_RATE_HZ:
            raise RecordingError(
                f"{recording.name}: channel {channel.label!r} has {float(channel.rate):g} samples a "
                f"second; raw EMG needs {LEAST_RATE_HZ} or more, so this is a rate or an envelope"
            )
        if channel.rate > MOST_RATE_HZ:
            raise RecordingError(
                f"{recording.name}: channel {channel.label!r} has {float(channel.rate):g} samples a "
                f"second, where up to {MOST_RATE_HZ} are scored; check its rate or record duration"
            )
    return picked


def _channel_notes(channels: Sequence[Channel]) -> list[Note]:
    notes = []
    for channel in channels:
        if channel.role != "jaw":
            notes.append(
                Note("muscle-not-named", "warning",
                     f"channel {channel.label!r} does not name a jaw muscle; it was scored as one")
            )  # fmt: skip
        if channel.rate < FULL_BAND_RATE_HZ:
            high_hz = band_edges_hz(channel.rate)[1]
            notes.append(
                Note("band-narrow", "warning",
                     f"channel {channel.label!r} has {float(channel.rate):g} samples a second, so its "
                     f"band ends at {high_hz:.0f} Hz: µV values are lower than at 1000 Hz or more, "
                     "ratios to a clench of the same recorder are less affected")
            )  # fmt: skip
        if channel.unit != "uV":
            notes.append(
                Note("unit-unknown", "warning",
                     f"channel {channel.label!r} has no known unit ({channel.unit}); its values are "
                     "not µV")
            )  # fmt: skip
    return notes


def _told(
    recording: Recording,
    channels: Sequence[Channel],
    beside: Accompanying,
    progress: Callable[[float], None] | None,
) -> tuple[Callable[[float], None] | None, tuple[Recording, Accompanying]]:
    """What tells of the sweep's share, and the same recordings telling of theirs as they are read."""
    if progress is None:
        return None, (recording, beside)
    others = [c for c in recording.channels if c not in channels and c.role in SURROUNDING]
    sizes = [sum(c.n_stored for c in some) for some in (channels, others)]
    sound = beside.sound_channel.n_stored if beside.sound_channel else 0
    swept, *more = joined(progress, (*sizes, sound))
    if beside.sound is not None:
        beside = replace(beside, sound=counted(beside.sound, sound, more[1]))
    return swept, (counted(recording, sizes[1], more[0]) if others else recording, beside)


@contextmanager
def _digesting(recording: Recording, threads: int | None) -> Iterator[Callable[[], str]]:
    """The input's digest, to be asked for: taken meanwhile, or, with one thread, by who asks."""
    if threads == 1 or isinstance(recording.source, Hashed):
        yield recording.source.digest
        return
    with ThreadPoolExecutor(max_workers=1) as pool:
        yield pool.submit(recording.source.digest).result


def sweep_recording(
    recording: Recording,
    labels: Sequence[str] = (),
    *,
    threads: int | None = None,
    progress: Callable[[float], None] | None = None,
    beside: Accompanying = NOTHING_BESIDE,
) -> Swept:
    """Read the jaw channels of a recording once, and what surrounds them.

    The digest of the input is taken meanwhile; with one thread it is taken afterwards, by that thread.
    ``beside`` is what comes with the recording in other files.
    """
    channels = _scorable(recording, labels)
    with _digesting(recording, threads) as digest:
        return _swept(recording, channels, threads, progress, beside).named(digest())


def _scorable(recording: Recording, labels: Sequence[str]) -> tuple[Channel, ...]:
    """Channels to score; refused before anything is read that takes time."""
    channels = pick_channels(recording, labels)
    refuse_rectified(recording, channels)
    return channels


def _swept(
    recording: Recording,
    channels: Sequence[Channel],
    threads: int | None,
    progress: Callable[[float], None] | None,
    beside: Accompanying = NOTHING_BESIDE,
) -> Swept:
    """What `sweep_recording` returns, but for the digest."""
    swept, (seen, around_it) = _told(recording, channels, beside, progress)
    look = partial(gather, seen, channels, around_it, threads=threads)

    def seen_closely(swept: ChannelFrames) -> tuple[ChannelFrames, Quality, Note | None]:
        heart = around.heart
        beats_s = heart.beats_s if heart is not None and heart.kind == "ecg" else None
        without, quality = examine(swept, beats_s)
        return without, quality, rest_note(without, quality)

    with ThreadPoolExecutor(max_workers=1) as pool:
        looked = pool.submit(look) if threads != 1 else None
        frames = sweep(recording, channels, threads=threads, progress=swept)
        around = looked.result() if looked else look()
    examined = each(seen_closely, frames)
    return Swept(
        name=recording.name,
        digest="",
        format=recording.format,
        start=recording.start,
        start_clock=recording.start_clock,
        duration_s=recording.duration_s,
        marks=recording.marks,
        gaps=recording.gaps,
        notes=(
            *recording.notes,
            *_channel_notes(channels),
            *(told for _, _, told in examined if told is not None),
            *around.notes,
        ),
        frames=tuple(f for f, _, _ in examined),
        quality=tuple(q for _, q, _ in examined),
        around=around,
    )


def _mvc(reference: Reference | None, label: str) -> float | None:
    level = reference.level(label) if reference else None
    return level.mvc_uv if level else None


def _check(swept: Swept, criterion: Criterion, reference: Reference | None) -> None:
    check(swept.name, criterion, swept.around)
    if not criterion.needs_mvc:
        return
    for frames in swept.frames:
        label = frames.channel.label
        if frames.channel.unit != "uV":
            raise RecordingError(
                f"{swept.name}: channel {label!r} has no known unit, so {criterion.id} (% MVC) "
                "cannot be applied; give --unit or --scale, or use a criterion relative to background (aasm)"
            )
        if _mvc(reference, label) is None:
            raise UsageError(
                f"{swept.name}: criterion {criterion.id} needs the MVC of {label!r}; give --mvc-uv, "
                "or use a criterion relative to background (aasm)"
            )


def _average(envelopes: Sequence[Envelope], weights: Sequence[float]) -> Envelope:
    """Mean of several envelopes, each in its own unit of ``1 / weight``."""
    first = envelopes[0]
    if any(e.grid != first.grid for e in envelopes):
        raise UsageError("the mean of channels needs one sampling rate for all of them")
    level = sum(
        e.level.astype(np.float64) * w for e, w in zip(envelopes, weights, strict=True)
    ) / len(envelopes)
    energy = sum(
        e.energy.astype(np.float64) * w**2 for e, w in zip(envelopes, weights, strict=True)
    ) / len(envelopes)
    assert isinstance(level, np.ndarray)  # noqa: S101
    assert isinstance(energy, np.ndarray)  # noqa: S101
    return Envelope(
        first.grid,
        first.amplitude,
        first.window_frames,
        level.astype(np.float32),
        energy.astype(np.float32),
    )


def _rested(envelope: Envelope, bursts: Bursts, counted: Spans) -> float | None:
    """Median of the envelope outside bursts in valid time."""
    quiet = counted - Spans.of(bursts.grid, np.stack((bursts.starts, bursts.stops), axis=1)).grow(
        bursts.grid.slots_for(1) // 2
    )
    _, values = envelope.sampled(quiet, max(envelope.window_frames // 2, 1))
    return median(values) if len(values) else None


def _integral(
    track: Track, bursts: Bursts, counted: Spans, criterion: Criterion
) -> tuple[float | None, float | None]:
    """Envelope less running background over valid time, per valid hour: in µV·s and in % MVC·s.

    The difference is not cut off at zero: what noise adds above the background it takes away below,
    so a quiet night gives about nothing.
    """
    grid = bursts.grid
    taken = Spans.of(grid, np.stack((bursts.starts, bursts.stops), axis=1))
    quiet = track.usable - taken.grow(grid.slots_for(exact(criterion.background.guard_s)))
    knots = background_uv(track.envelope, quiet, criterion.background)
    at = np.arange(len(knots)) * knot_frames(grid)
    known = counted & Spans.of(
        grid,
        np.stack((at, at + knot_frames(grid)), axis=1)[
            ~np.isnan(knots) & ~np.isnan(np.roll(knots, -1))
        ],
    )
    if not len(known):
        return None, None
    level, background = 0.0, 0.0
    for a, b in known.bounds.tolist():
        level += float(track.envelope.level[a:b].sum(dtype=np.float64))
        middles = np.arange(a, b, BACKGROUND_SAMPLE_FRAMES) + BACKGROUND_SAMPLE_FRAMES / 2
        background += float(np.interp(middles, at, knots).mean()) * (b - a)
    per_hour = (level - background) / known.n_slots * 3600
    return per_hour, None if track.mvc_uv is None else per_hour * 100 / track.mvc_uv


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
    merged: Merged
    episodes: Episodes
    chosen: Selection
    labels: Labels | None


def _amplitude(criterion: Criterion, reference: Reference | None) -> Amplitude:
    if criterion.envelope.amplitude != "as_reference":
        return criterion.envelope.amplitude
    return reference.amplitude if reference is not None else "rms"


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
            _mvc(reference, frames.channel.label),
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
    _check(swept, criterion, reference)
    amplitude = _amplitude(criterion, reference)
    tracks = _tracks(swept, criterion, reference, amplitude)
    found = tuple(
        each(
            lambda t: find_bursts(t.envelope, t.usable, criterion, t.threshold, label=t.label),
            tracks,
        )
    )
    merged = merge(found, criterion, [t.mvc_uv for t in tracks], known=[t.usable for t in tracks])
    known = Spans.of(merged.grid, merged.known)
    clipped = reduce(Spans.__or__, [q.clipped.on(merged.grid) for q in swept.quality])
    episodes = group_episodes(
        merged, criterion.episode, types=criterion.burst.types, clipped=clipped
    )
    labels, drop = None, None
    if asks(criterion):
        labels = labels_of(swept, merged, episodes, criterion)
        drop, unknown = left_out(swept.around, labels, episodes, criterion, window)
        known = known - unknown
    chosen = select(
        merged, episodes, window.on(merged.grid), known, basis_of(window, criterion),
        drop_cut=criterion.episode.at_edges == "drop", drop=drop,
    )  # fmt: skip
    return Events(amplitude, tracks, found, merged, episodes, chosen, labels)


def _possible(swept: Swept, events: Events, criterion: Criterion, window: Window) -> PossibleCounts:
    """Least and most episodes of a night, whatever its lost time held."""
    usable = [t.usable for t in events.tracks]
    parts = [
        in_pieces(b, known, criterion.burst) for b, known in zip(events.bursts, usable, strict=True)
    ]
    pieces = merge(parts, criterion, [None] * len(parts), known=usable)
    grid = pieces.grid
    return possible_counts(
        events.chosen, events.episodes, pieces, criterion,
        admitted=lambda slots: admitted(swept.around, criterion, window, in_seconds(slots, grid)),
    )  # fmt: skip


def labels_of(swept: Swept, merged: Merged, episodes: Episodes, criterion: Criterion) -> Labels:
    """What surrounds each episode of a night."""
    return label_events(swept.around, swept.marks, merged, episodes, criterion, swept.duration_s)


def score(
    swept: Swept,
    *,
    criterion: Criterion,
    window: Window,
    reference: Reference | None = None,
) -> Night:
    """Score a swept recording: from its frames alone, so an archive gives the same night again.

    Raises
    ------
    UsageError
        The criterion needs an MVC and there is none.
    RecordingError
        The criterion needs µV and the recording has no known unit.
    ReferenceLevelError
        The threshold in % MVC lies below 1.5 times the resting level of the night.
    """
    events = find_events(swept, criterion=criterion, window=window, reference=reference)
    near_rest = _near_rest(swept, criterion, events)
    valid = events.chosen.valid

    def measured(
        pair: tuple[Track, Bursts],
    ) -> tuple[float | None, tuple[float | None, float | None]]:
        t, b = pair
        counted = t.usable & valid.on(b.grid, rounding="inward")
        return _rested(t.envelope, b, counted), _integral(t, b, counted, criterion)

    found = each(measured, zip(events.tracks, events.bursts, strict=True))
    background = {t.label: rest for t, (rest, _) in zip(events.tracks, found, strict=True)}
    usual_uv = {t.label: t.threshold.usual_uv for t in events.tracks}
    limits = [
        100 * usual / t.mvc_uv
        for t in events.tracks
        if t.mvc_uv is not None and (usual := usual_uv[t.label]) is not None
    ]
    labels = events.labels or labels_of(swept, events.merged, events.episodes, criterion)
    possible = _possible(swept, events, criterion, window)
    measures = compute(
        events.chosen, events.merged, events.episodes, criterion, background,
        possible=(possible.least, possible.most),
        threshold_pct_mvc=sum(limits) / len(limits) if limits else None,
        integrals={t.label: both for t, (_, both) in zip(events.tracks, found, strict=True)},
    )  # fmt: skip
    measures |= count(
        swept.around, labels, events.chosen, events.merged, events.episodes, swept.marks
    )
    return Night(
        swept=swept,
        quality=swept.quality,
        criterion=criterion,
        reference=reference,
        window=window,
        amplitude=events.amplitude,
        background_uv=background,
        threshold_uv=usual_uv,
        bursts=events.bursts,
        merged=events.merged,
        episodes=events.episodes,
        chosen=events.chosen,
        labels=labels,
        measures=measures,
        notes=(
            *_night_notes(swept, window, reference, criterion, events.amplitude, measures),
            *_unknown_background(swept, events),
            *_lost_sides(swept, window),
            *near_rest,
        ),
    )


def _near_rest(swept: Swept, criterion: Criterion, events: Events) -> list[Note]:
    """Notes on thresholds below three times the resting level; below 1.5 times nothing is scored.

    Rest is the tenth percentile of the envelope over the whole usable recording, so that neither a
    threshold that calls everything activity nor a recording full of activity hides it.
    """
    notes: list[Note] = []
    if not criterion.needs_mvc or criterion.threshold.level_pct_mvc is None:
        return notes
    for track in events.tracks:
        rest = track.envelope.quantile(0.1)
        threshold_uv = float(track.threshold.knots_uv[0])
        ratio = threshold_uv / rest if rest > 0 else math.inf
        said = (
            f"{criterion.threshold.level_pct_mvc:g} % of the MVC given for {track.label} is "
            f"{threshold_uv:.3g} µV, only {ratio:.2g} times the resting level of the recording "
            f"({rest:.3g} µV)"
        )
        if ratio < LEAST_THRESHOLD_TO_REST:
            raise ReferenceLevelError(
                f"{swept.name}: {said}: check the clench, its unit and the electrodes"
            )
        if ratio < GOOD_THRESHOLD_TO_REST:
            notes.append(
                Note(
                    "threshold-near-rest", "warning", f"{said}; rest itself may cross the threshold"
                )
            )
    return notes


def _lost_sides(swept: Swept, window: Window) -> list[Note]:
    """Notes on channels whose loss takes time from the others."""
    notes = []
    parts = [(f.channel.label, q.usable) for f, q in zip(swept.frames, swept.quality, strict=True)]
    clock = parts[0][1].grid.refined(*(u.grid for _, u in parts[1:]))
    usable = [u.on(clock) & window.on(clock) for _, u in parts]
    for k, (label, _) in enumerate(parts):
        others = [u for j, u in enumerate(usable) if j != k]
        if not others:
            continue
        alone = reduce(Spans.__and__, others) - usable[k]
        if alone.hours * 60 >= LOST_SIDE_MINUTES:
            notes.append(
                Note("side-lost", "warning",
                     f"{label} could not be scored for {alone.hours * 60:.0f} min in which the other "
                     "channels could; this time is left out for all. Each side alone is in the night's "
                     "report")
            )  # fmt: skip
    return notes


def _unknown_background(swept: Swept, events: Events) -> list[Note]:
    """Notes on time that was recorded but has no threshold."""
    notes = []
    for k, track in enumerate(events.tracks):
        usable = swept.quality[min(k, len(swept.quality) - 1)].usable
        hours = (usable - track.usable).hours
        if hours > 0:
            notes.append(
                Note("background-not-known", "warning",
                     f"{track.label}: for {hours:.2f} h the background is not known, or lies so near "
                     "the converter's own rounding that no threshold can stand on it; this time is "
                     "left out")
            )  # fmt: skip
    return notes


def _night_notes(
    swept: Swept,
    window: Window,
    reference: Reference | None,
    criterion: Criterion,
    amplitude: Amplitude,
    measures: Mapping[str, Measure],
) -> tuple[Note, ...]:
    notes = [
        *swept.notes,
        *(note for quality in swept.quality for note in quality.notes),
        *window.notes,
        *(reference.notes if reference else ()),
    ]
    if reference is None:
        notes.append(
            Note("no-reference", "warning",
                 "there is no reference clench: only a criterion relative to background was computed, "
                 "and no amplitude in % MVC")
        )  # fmt: skip
    elif criterion.needs_mvc and reference.amplitude != amplitude:
        notes.append(
            Note("amplitude-kinds-differ", "warning",
                 f"the clench is stated as {reference.amplitude}, the criterion measures {amplitude}: "
                 "their µV differ (by 1.25 for Gaussian EMG) and were not converted")
        )  # fmt: skip
    hours = measures["valid_hours"].value or 0.0
    least = criterion.window.minimum_valid_hours
    if hours < least:
        notes.append(
            Note("few-valid-hours", "warning",
                 f"{below(hours, least)} valid hours are fewer than the {least:g} h that the rules ask for")
        )  # fmt: skip
    return tuple(dict.fromkeys(notes))


def score_night(
    recording: Recording | str | Path,
    reference: Reference | None = None,
    criterion: Criterion | str = "phasic_tonic_10mvc",
    *,
    channels: Sequence[str] = (),
    window: Window | None = None,
    threads: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Night:
    """Score a recording from end to end.

    Parameters
    ----------
    recording
        From `open_recording`, or the file, whose digest is then taken from before it is opened on.
    reference
        What 100 % MVC is; needed unless the criterion is relative to background.
    criterion
        A rule set or its id.
    channels
        Labels to score; default: every jaw muscle.
    window
        Analysed window; default: lights marks, else the whole recording.
    """
    if not isinstance(recording, Recording):
        path = Path(recording)
        with (
            nullcontext(open_recording(path)) if threads == 1 else hashed_meanwhile(path) as opened
        ):
            return score_night(
                opened, reference, criterion, channels=channels, window=window, threads=threads,
                progress=progress,
            )  # fmt: skip
    rules = load_criterion(criterion) if isinstance(criterion, str) else criterion
    picked = _scorable(recording, channels)
    with _digesting(recording, threads) as digest:
        swept = _swept(recording, picked, threads, progress)
        night = score(
            swept,
            criterion=rules,
            window=window or find_window(swept.marks, swept.duration_s),
            reference=reference,
        )
        return replace(night, swept=swept.named(digest()))


def rescore(night: Night, criterion: Criterion | str) -> Night:
    """The same night under other rules."""
    rules = load_criterion(criterion) if isinstance(criterion, str) else criterion
    again = score(night.swept, criterion=rules, window=night.window, reference=night.reference)
    again = replace(again, about=night.about, traces=night.traces, supersedes=night.supersedes)
    for other in night.beside:
        again = with_beside(again, other.reference)
    return again


def meant_criterion(night: Night) -> str:
    """Id of the rule set that was meant, where the night was scored by another; empty where by that."""
    return DEFAULT_ID if any(note.code == REPLACED for note in night.notes) else ""


def with_notes(night: Night, *notes: Note) -> Night:
    """The same night with more notes."""
    return replace(night, notes=tuple(dict.fromkeys((*night.notes, *notes))))


def with_beside(night: Night, reference: Reference) -> Night:
    """The same night with its reading against another reference beside it, and a note that names both."""
    other = score(night.swept, criterion=night.criterion, window=night.window, reference=reference)
    own = night.reference
    readings = [
        f"{_rate_text(n)} against {r.teeth if r else 'no reference'} (threshold {_threshold_text(n)})"
        for n, r in ((night, own), (other, reference))
    ]
    note = Note(
        "both-readings", "warning",
        "episodes per valid hour: " + "; ".join(readings) + ". The two are not comparable with each other",
    )  # fmt: skip
    return replace(
        with_notes(night, note), beside=(*night.beside, Beside(reference, other.measures))
    )


def _rate_text(night: Night) -> str:
    value = night.measures["episodes_per_hour"].value
    return "not computable" if value is None else f"{value:.2f}"


def _threshold_text(night: Night) -> str:
    known = [f"{label} {uv:.3g} µV" for label, uv in night.threshold_uv.items() if uv is not None]
    return ", ".join(known) or "unknown"


def below(value: float, limit: float) -> str:
    """A number below a limit, with as many decimals as show that it is; two at least.

    Examples
    --------
    >>> below(3.2, 4), below(3.99875, 4)
    ('3.20', '3.999')
    """
    return next(text for n in range(2, 18) if float(text := f"{value:.{n}f}") < limit)


def hours_text(hours: float | None) -> str:
    """``7.25`` as ``"7 h 15 min"``."""
    if hours is None or math.isnan(hours):
        return "unknown"
    minutes = math.floor(hours * 60 + 0.5)
    return f"{minutes // 60} h {minutes % 60:02d} min"
