"""Where the recording of an archived night lies: as its study says, or near the archive."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.review.trace import check_same
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import load_study
from sleepbrux.study.files import study_hints

STUDY_NAME = "study.toml"


def candidates(night: Night, archive: Path, study: Path | None) -> Iterator[tuple[Path, Hints]]:
    """Files that may be the recording, the likeliest first, and how each is opened."""
    about = dict(night.about)
    folders = dict.fromkeys([archive.parent, archive.parent.parent])
    files = [study] if study is not None else [folder / STUDY_NAME for folder in folders]
    hints = Hints()
    for file in files:
        if not file.is_file():
            continue
        try:
            plan = load_study(file)
        except SleepbruxError:
            continue  # another command says what is wrong with it; here it only fails to help
        if about.get("person", plan.pseudonym) != plan.pseudonym:
            continue
        hints = study_hints(plan)
        for entry in plan.night:
            if entry.id == about.get("night", entry.id):
                yield file.parent / entry.recording, hints
    for folder in folders:
        for path in sorted(folder.glob("*")):
            if night.swept.name in (path.stem, path.name) and path.is_file():
                yield path, hints


def find_recording(
    night: Night, archive: Path, study: Path | None = None
) -> tuple[Recording, tuple[Channel, ...]] | None:
    """The recording that an archive was made of, known by the digest of its bytes; None where none is."""
    seen = set()
    for path, hints in candidates(night, archive, study):
        if path in seen or not path.is_file():
            continue
        seen.add(path)
        try:
            recording = open_recording(path, hints)
            return recording, check_same(night, recording)
        except SleepbruxError:
            continue  # not a recording, or not this one
    return None
