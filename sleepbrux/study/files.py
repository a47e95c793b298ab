"""Files that a study names, and how it wants them opened."""

from __future__ import annotations

from pathlib import Path

from sleepbrux.core.errors import RecordingError, SleepbruxError
from sleepbrux.recording.allowed_words import neutral_labels
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.study.file import Study


def find_file(folder: Path, name: str, what: str) -> Path:
    """A file that a study names, relative to the study file's folder."""
    path = folder / name
    if not path.is_file():
        raise RecordingError(f"{what}: the file {name!r} is not next to the study file")
    return path


def study_hints(study: Study) -> Hints:
    """What the study file says of its recordings that these do not say."""
    return Hints(
        unit=study.unit or None,
        scale=study.scale_uv or None,
        rate_hz=study.rate_hz,
        record_duration_s=study.record_duration_s,
        time_unit=study.time_unit or None,
        datasets=study.datasets,
        roles=tuple(study.roles.items()),
    )


def recorded_channels(study: Study, folder: Path) -> tuple[str, ...]:
    """Neutral labels of the jaw channels of the first recording of a study that can be read.

    Parameters
    ----------
    folder
        Folder of the study file.

    Returns
    -------
    tuple of str
        Empty where no recording is there yet.
    """
    for night in study.recorded:
        path = folder / night.recording
        if not path.is_file():
            continue
        try:
            channels = open_recording(path, study_hints(study)).channels
        except SleepbruxError:
            continue
        labels = [c.label for c in channels if c.role == "jaw"]
        words = neutral_labels(labels)
        return tuple(words[label] for label in labels)
    return ()


def twin_text(name: str, other: str) -> str:
    """What is said of a recording that is there under another name."""
    return (
        f"{name}: the same recording as {other}, byte for byte; it counts once: if it is another night, copy that "
        "night's file from the recorder"
    )
