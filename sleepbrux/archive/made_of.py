"""What an output of several nights was made of, so that it can be told later whether it would be another now.

Cheap to ask: no archive is read, only its seal, and of a journal the decisions that stand. A sample that a reader
judged changes no output and is left out.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec
from msgspec import Struct

from sleepbrux.archive.manifest import ARCHIVE
from sleepbrux.core.files import JOURNAL, seal_digest
from sleepbrux.study.file import Study, StudyNight, night_stems, result_folder

SAMPLED = ("sample", "judge")  # which change no number of a night
CLENCH = ".clench.json"
MARK = b'<meta name="sleepbrux-made-of" content="'
_AFTER = '<meta charset="utf-8">'
_MOST_HEAD = 4096


class _Entry(Struct, frozen=True):
    """Of a line of a journal whether it is a decision, and what it takes back; of its head nothing."""

    seq: int = 0
    action: str = ""
    undoes: int | None = None
    at: str = ""


_ENTRY = msgspec.json.Decoder(_Entry)


def journal_of(archive: Path) -> Path:
    """The journal of the decisions on a night."""
    return archive.with_name(archive.name.removesuffix(ARCHIVE) + JOURNAL)


def standing(archive: Path) -> tuple[tuple[bytes, ...], str]:
    """The decisions on a night that stand, as the journal has them, and when the last was made or taken back."""
    found: dict[int, bytes] = {}
    last = ""
    try:
        lines = journal_of(archive).read_bytes().splitlines()
    except OSError:
        return (), ""
    for line in lines:
        with contextlib.suppress(msgspec.MsgspecError):  # what reads the journal to use it says so
            entry = _ENTRY.decode(line)
            if entry.action == "undo":
                if found.pop(entry.undoes or 0, None):
                    last = entry.at
            elif entry.seq and entry.action not in SAMPLED:
                found[entry.seq] = line
                last = entry.at
    return tuple(found.values()), last


def archive_of(night: StudyNight, folder: Path) -> Path | None:
    """The archive of a night; None where it is not scored."""
    places = [folder / f"{stem}{ARCHIVE}" for stem in night_stems(night)] if night.recording else []
    return next((path for path in places if path.is_file()), None)


def night_mark(archive: Path, decisions: Iterable[bytes]) -> str:
    """A word for a night as it is scored and decided on."""
    try:
        seal = seal_digest(archive) or str(archive.stat().st_mtime_ns)
    except OSError:
        seal = ""
    return _digest([seal.encode(), *decisions])


def nights_mark(marks: Iterable[tuple[str, str]]) -> str:
    """A word for nights: their ids, each with its mark."""
    return _digest(f"{name}\t{mark}".encode() for name, mark in marks)


def study_mark(study: Study, results: Path) -> str:
    """A word for the nights of a study as they are scored and decided on."""

    def each() -> Iterator[tuple[str, str]]:
        folder = result_folder(study, results)
        for night in study.night:
            if archive := archive_of(night, folder):
                yield night.id, night_mark(archive, standing(archive)[0])

    return nights_mark(each())


def clench_mark(folder: Path) -> str:
    """A word for the clench tests that a folder holds."""

    def each() -> Iterator[bytes]:
        for path in sorted(folder.glob(f"*{CLENCH}")):
            with contextlib.suppress(OSError):
                yield path.name.encode() + b"\t" + path.read_bytes()

    return _digest(each())


def fields_mark(fields: object) -> str:
    """A word for what was entered."""
    return _digest([msgspec.json.encode(fields, order="sorted")])


def _digest(parts: Iterable[bytes]) -> str:
    whole = hashlib.sha256()
    for part in parts:
        whole.update(len(part).to_bytes(8, "big") + part)
    return whole.hexdigest()[:16]


def marked(page: str, *words: str) -> str:
    """A page that says in its head what it was made of."""
    return page.replace(_AFTER, f'{_AFTER}\n{MARK.decode()}{" ".join(words)}">', 1)


def marks_in(page: Path) -> tuple[str, ...]:
    """What a page says that it was made of; empty where it says nothing."""
    try:
        with page.open("rb") as handle:
            _, found, rest = handle.read(_MOST_HEAD).partition(MARK)
    except OSError:
        return ()
    return tuple(rest.partition(b'"')[0].decode("ascii", "replace").split()) if found else ()
