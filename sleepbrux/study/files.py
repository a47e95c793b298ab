"""Files that a study names, and how it wants them opened."""

from __future__ import annotations

from pathlib import Path

from sleepbrux.core.errors import (
    RecordingError,
)
from sleepbrux.recording.opening import Hints
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
        rate=study.rate_hz,
        time_unit=study.time_unit or None,
        datasets=study.datasets,
        roles=tuple(study.roles.items()),
    )
