"""What comes with a recording in files of its own: stages, the sound of the room, words for positions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.core.texts import file_name
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.stages import Hypnogram, load_stages
from sleepbrux.recording.sync import ClockFit, fit_clocks, fit_marks, note_of, retimed
from sleepbrux.signal.sound import LEAST_HZ
from sleepbrux.signal.wake_model import NOT_SAID, Sleeper

HALF_DAY_S = 43_200.0


@dataclass(frozen=True)
class CompanionFiles:
    """Files that belong to one recording, as the user named them.

    Attributes
    ----------
    stages
        Sleep stages: see `recording.stages.load_stages`; or the stages themselves.
    sound
        A recording of sound made at the same time.
    sound_start_s
        Second of the night clock at which it begins; None: by the start times of the two.
    positions
        Word for each code of a position channel.
    marks
        A table of marks with onset, duration and text.
    sync
        (second of the other device, second of the recording) of events that both recorded.
    stage_codes
        (number, stage that it means) where a table of stages holds numbers.
    sleeper
        Age and sex, for what reads the heart beats.
    """

    stages: Path | Hypnogram | None = None
    sound: Path | None = None
    sound_start_s: float | None = None
    positions: tuple[tuple[int, str], ...] = ()
    marks: Path | None = None
    sync: tuple[tuple[float, float], ...] = ()
    stage_codes: tuple[tuple[int, str], ...] = ()
    sleeper: Sleeper = NOT_SAID


NO_FILES = CompanionFiles()


@dataclass(frozen=True)
class CompanionData:
    """The same, opened.

    Attributes
    ----------
    files
        Name and SHA-256 of each file that was read.
    """

    hypnogram: Hypnogram | None = None
    sound: Recording | None = None
    sound_channel: Channel | None = None
    sound_start_s: float = 0.0
    positions: Mapping[int, str] = field(default_factory=dict)
    files: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = ()
    sleeper: Sleeper = NOT_SAID


NO_COMPANIONS = CompanionData()


def _between(recording: Recording, sound: Recording) -> float | None:
    """Seconds from the start of the recording to that of the sound; None where one is unknown."""
    if recording.start and sound.start and recording.start_time_known and sound.start_time_known:
        return (sound.start - recording.start).total_seconds()
    ours, theirs = recording.start_clock, sound.start_clock
    if ours is None or theirs is None:
        return None
    begin, other = (t.hour * 3600 + t.minute * 60 + t.second + t.microsecond / 1e6 for t in (ours, theirs))
    return (other - begin + HALF_DAY_S) % (2 * HALF_DAY_S) - HALF_DAY_S


def _sound(
    path: Path, recording: Recording, start_s: float | None, fit: ClockFit | None
) -> tuple[Recording, Channel, float, Note]:
    sound = open_recording(path)
    if fit is None and start_s is None:
        fit = fit_marks(recording.marks, sound.marks)
    if fit is not None:
        sound, start_s = retimed(sound, fit), fit(0.0)
    channels = [c for c in sound.channels if not c.fault and c.rate >= LEAST_HZ]
    if not channels:
        raise RecordingError(
            f"{path.name}: no channel has {LEAST_HZ} samples a second or more; is this the sound?"
        )
    heard = max(channels, key=lambda c: (c.role == "audio", c.rate))
    told = "as stated"
    if start_s is None:
        start_s = _between(recording, sound)
        told = "by the start times of both files"
    if start_s is None:
        start_s, told = 0.0, "not known; it is taken to start with the recording"
    if not math.isfinite(start_s):
        raise RecordingError(f"{path.name}: the sound begins at {start_s} s; give a finite number of seconds")
    if start_s >= recording.duration_s or start_s + sound.duration_s <= 0:
        raise RecordingError(
            f"{path.name}: the sound runs from {start_s:.0f} s to {start_s + sound.duration_s:.0f} s of a "
            f"recording that lasts {recording.duration_s:.0f} s; is it that of another night?"
        )
    if fit is not None:
        return sound, heard, start_s, note_of(fit, file_name(path))
    unknown = told.startswith("not known")
    note = Note(
        "sound-start-unknown" if unknown else "sound-start",
        "warning" if unknown else "note",
        f"the sound begins at {start_s:.1f} s of the recording ({told}); clocks of two devices drift by "
        "seconds in a night, and nothing here corrects that",
    )
    return sound, heard, start_s, note


def open_companions(recording: Recording, files: CompanionFiles) -> CompanionData:
    """Open what comes with a recording.

    Raises
    ------
    RecordingError
        A file that cannot be read, or belongs to another night.
    """
    hypnogram = None
    fit = fit_clocks(files.sync) if files.sync else None
    digests: list[tuple[str, str]] = []
    notes: list[Note] = []
    if isinstance(files.stages, Hypnogram):
        hypnogram = files.stages
    elif files.stages is not None:
        hypnogram = load_stages(
            files.stages,
            start=recording.start,
            start_clock=recording.start_clock,
            duration_s=recording.duration_s,
            corrected=fit,
            codes=dict(files.stage_codes) or None,
        )
        digests.append((file_name(files.stages), file_digest(files.stages)))
        notes += [note_of(fit, file_name(files.stages))] if fit else []
    sound, heard, start_s = None, None, 0.0
    if files.sound is not None:
        sound, heard, start_s, note = _sound(files.sound, recording, files.sound_start_s, fit)
        digests.append((file_name(files.sound), sound.source.digest()))
        notes.append(note)
    if files.marks is not None:
        digests.append((file_name(files.marks), file_digest(files.marks)))
    return CompanionData(
        hypnogram,
        sound,
        heard,
        start_s,
        dict(files.positions),
        tuple(digests),
        tuple(notes),
        files.sleeper,
    )
