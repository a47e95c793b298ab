"""Folders of this machine as the page lists them: a person chooses by number, and no path comes from outside."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sleepbrux.core.texts import visible
from sleepbrux.practice.state import STUDY_NAME

MOST = 500


@dataclass(frozen=True)
class Folder:
    """One folder of the list."""

    path: Path
    study: bool

    @property
    def name(self) -> str:
        """Its name, as it may be shown."""
        return visible(self.path.name)


def folders_in(place: Path) -> list[Folder]:
    """Folders in a place, those with a study first; hidden ones are left out."""
    found = []
    try:
        entries = sorted(place.iterdir())
    except OSError:
        return []
    for path in entries:
        try:
            if path.is_dir() and not path.name.startswith("."):
                found.append(Folder(path, (path / STUDY_NAME).is_file()))
        except OSError:  # a folder that may not be looked into
            continue
    return sorted(found, key=lambda folder: not folder.study)[:MOST]


def recordings_in(place: Path) -> int:
    """How many files of a place are recordings."""
    try:
        files = [path for path in place.iterdir() if path.is_file()]
    except OSError:
        return 0
    if not files:
        return 0
    from sleepbrux.recording.candidates import candidate

    return sum(candidate(path).verdict == "recording" for path in files)
