"""A recording after its one pass: the channels to score, swept, and what surrounds them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from functools import partial

import numpy as np

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.core.parallel import each
from sleepbrux.core.provenance import METHOD
from sleepbrux.criteria import CHIN_ID, Muscle
from sleepbrux.recording.findings import listed
from sleepbrux.recording.model import Channel, Mark, Recording
from sleepbrux.recording.prefetch import Hashed
from sleepbrux.recording.progress import counted, joined
from sleepbrux.recording.rectified import refuse_rectified
from sleepbrux.signal.doubtful_activity import find_doubts
from sleepbrux.signal.envelope import Amplitude, Envelope, follow
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.held import held_of
from sleepbrux.signal.plausible import rest_note
from sleepbrux.signal.quality import Quality, examine, without_marked
from sleepbrux.signal.surroundings.companions import NO_COMPANIONS, CompanionData
from sleepbrux.signal.surroundings.model import NOTHING, Surroundings
from sleepbrux.signal.surroundings.reading import SURROUNDING, gather
from sleepbrux.signal.sweep import ChannelFrames, sweep

LEAST_RATE_HZ, MOST_RATE_HZ = 100, 100_000


FULL_BAND_RATE_HZ = 1000


MOST_SCORED = 64  # channels of one night; no montage of the jaw has more


MOST_NAMED = 24


@dataclass(frozen=True, eq=False)
class Swept:
    """A recording after its one pass: all that scoring needs and an archive keeps.

    Attributes
    ----------
    digest
        SHA-256 of the input's bytes.
    frames, quality
        One for each channel that is scored: its amplitude over time, and what of it can be scored.
    surroundings
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
    surroundings: Surroundings = NOTHING
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

    def without_amplitudes(self) -> Swept:
        """The same recording without its amplitudes over time: for reading what was found, not for scoring."""
        none = np.empty(0, dtype=np.float32)
        return replace(
            self,
            frames=tuple(replace(f, energy=none, rectified=none, stats=f.stats[:0]) for f in self.frames),
        )

    def named(self, digest: str) -> Swept:
        """The same recording with the digest of its input, and the envelopes made so far."""
        named = replace(self, digest=digest)
        named._envelopes.update(self._envelopes)
        return named

    def clear_envelope_cache(self) -> None:
        """Let go of the envelopes; one that is asked for again is made again."""
        self._envelopes.clear()

    def select_channels(self, positions: Sequence[int]) -> Swept:
        """The same recording with some of its channels."""
        return replace(
            self,
            frames=tuple(self.frames[k] for k in positions),
            quality=tuple(self.quality[k] for k in positions),
        )


def pick_channels(
    recording: Recording, labels: Sequence[str] = (), muscle: Muscle = "jaw"
) -> tuple[Channel, ...]:
    """Channels to score: those named, else every jaw muscle, or every one of the chin.

    Raises
    ------
    RecordingError
        A label that the recording does not have, no such muscle, more than `MOST_SCORED`, or one that cannot
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
        picked = tuple(c for c in usable if c.role == muscle)
        if muscle == "jaw":
            picked = picked or tuple(c for c in usable if c.role == "emg")
        if not picked:
            chin = muscle == "jaw" and any(c.role == "chin" for c in usable)
            raise RecordingError(
                f"{recording.name}: no channel is recognised as a {muscle} muscle; there are {names}: "
                "name the channels to score with `channels`"
                + (f", or score the chin by `criterion` {CHIN_ID}" if chin else "")
            )
    if len(picked) > MOST_SCORED:
        raise RecordingError(
            f"{recording.name}: {len(picked)} channels would be scored, where up to {MOST_SCORED} are; name "
            "some of them with `channels`"
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
        if channel.role not in ("jaw", "chin"):
            notes.append(
                Note(
                    "muscle-not-named",
                    "warning",
                    f"channel {channel.label!r} does not name a jaw muscle; it was scored as one",
                )
            )
        if channel.rate < FULL_BAND_RATE_HZ:
            high_hz = band_edges_hz(channel.rate)[1]
            notes.append(
                Note(
                    "band-narrow",
                    "warning",
                    f"channel {channel.label!r} has {float(channel.rate):g} samples a second, so its "
                    f"band ends at {high_hz:.0f} Hz: µV values are lower than at 1000 Hz or more, "
                    "ratios to a clench of the same recorder are less affected",
                )
            )
        if channel.unit != "uV":
            notes.append(
                Note(
                    "unit-unknown",
                    "warning",
                    f"channel {channel.label!r} has no known unit; its values are not µV",
                )
            )
    return notes


def _told(
    recording: Recording,
    channels: Sequence[Channel],
    companions: CompanionData,
    progress: Callable[[float], None] | None,
) -> tuple[Callable[[float], None] | None, tuple[Recording, CompanionData]]:
    """What tells of the sweep's share, and the same recordings telling of theirs as they are read."""
    if progress is None:
        return None, (recording, companions)
    others = [c for c in recording.channels if c not in channels and c.role in SURROUNDING]
    sizes = [sum(c.n_stored for c in some) for some in (channels, others)]
    sound = companions.sound_channel.n_stored if companions.sound_channel else 0
    swept, *more = joined(progress, (*sizes, sound))
    if companions.sound is not None:
        companions = replace(companions, sound=counted(companions.sound, sound, more[1]))
    return swept, (counted(recording, sizes[1], more[0]) if others else recording, companions)


@contextmanager
def digesting(recording: Recording, threads: int | None) -> Iterator[Callable[[], str]]:
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
    companions: CompanionData = NO_COMPANIONS,
    muscle: Muscle = "jaw",
) -> Swept:
    """Read the channels of a recording that are scored once, and what surrounds them.

    The digest of the input is taken meanwhile; with one thread it is taken afterwards, by that thread.
    ``beside`` is what comes with the recording in other files.
    """
    channels = scorable_channels(recording, labels, muscle)
    with digesting(recording, threads) as digest:
        return sweep_channels(recording, channels, threads, progress, companions).named(digest())


def scorable_channels(
    recording: Recording, labels: Sequence[str], muscle: Muscle = "jaw"
) -> tuple[Channel, ...]:
    """Channels to score; refused before anything is read that takes time."""
    channels = pick_channels(recording, labels, muscle)
    refuse_rectified(recording, channels)
    return channels


def sweep_channels(
    recording: Recording,
    channels: Sequence[Channel],
    threads: int | None,
    progress: Callable[[float], None] | None,
    companions: CompanionData = NO_COMPANIONS,
) -> Swept:
    """What `sweep_recording` returns, but for the digest."""
    swept, (seen, around_it) = _told(recording, channels, companions, progress)
    look = partial(gather, seen, channels, around_it, threads=threads)

    def seen_closely(k: int) -> tuple[ChannelFrames, Quality, Note | None]:
        heart = surroundings.heart
        beats_s = heart.beats_s if heart is not None and heart.kind == "ecg" else None
        without, quality = examine(frames[k], beats_s, held[k])
        quality = without_marked(quality, without, recording.excluded)
        return without, quality, rest_note(without, quality)

    with ThreadPoolExecutor(max_workers=1) as pool:
        looked = pool.submit(look) if threads != 1 else None
        frames = sweep(recording, channels, threads=threads, progress=swept)
        surroundings = looked.result() if looked else look()
    held = held_of(frames)
    examined = each(seen_closely, range(len(frames)))
    doubts = find_doubts(frames, [f for f, _, _ in examined], [q.usable for _, q, _ in examined])
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
            *surroundings.notes,
        ),
        frames=tuple(replace(f, slope_energy=None, mean=None) for f, _, _ in examined),
        quality=tuple(replace(q, doubts=d) for (_, q, _), d in zip(examined, doubts, strict=True)),
        surroundings=surroundings,
    )
