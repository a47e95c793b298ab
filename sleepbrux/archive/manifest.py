"""The list of a night's files, written last: which of them belong together, and whose night they are.

``NIGHT.files.json`` stands beside ``NIGHT.night.h5``. A set of which a part is of another run or night, or
was changed since, shows in sizes and digests. An archive is known by its seal.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path

import msgspec
from msgspec import Struct

from sleepbrux.archive.identity import Identity, foreign
from sleepbrux.core.errors import ArchiveError, UsageError
from sleepbrux.core.files import changing, seal_digest
from sleepbrux.core.json_text import SOFTWARE, json_text

ARCHIVE, LIST, REVIEWED = ".night.h5", ".files.json", ".reviewed"
FORMAT = "sleepbrux files of a night"
SCHEMA_VERSION = "1.1"
LATER = (".robustness.json",)
"""Endings of files that are made later from an archive, and are in its list only where they are of it."""
SETTLE_S = 10.0
MOST_BYTES = 1 << 20


class Listed(Struct, frozen=True):
    """One file of a set: its size, and the SHA-256 of its bytes, of an archive that of its seal."""

    bytes: int
    sha256: str


class Manifest(Struct, frozen=True, kw_only=True):
    """The files of a night by the ending of their names.

    Attributes
    ----------
    software
        Name and version of the program that wrote the list; empty in lists of schema 1.0.
    archive_sha256
        For the files of a reviewed night: the archive, by its seal, that the decisions are about.
    """

    format: str = FORMAT
    schema_version: str = SCHEMA_VERSION
    identity: Identity
    report_id: str
    files: dict[str, Listed]
    archive_sha256: str = ""
    software: dict[str, str] = {}


def stem_of(archive: Path) -> str:
    """What the names of a night's files begin with."""
    return archive.name.removesuffix(ARCHIVE)


def list_path(folder: Path, stem: str) -> Path:
    """Where the list of a set stands."""
    return folder / f"{stem}{LIST}"


def listed(path: Path, name: str = "") -> Listed:
    """A file as it is now; ``name`` is the one that it is to have."""
    size = path.stat().st_size
    if (name or path.name).endswith(ARCHIVE):
        return Listed(size, seal_digest(path))
    with path.open("rb") as handle:
        return Listed(size, hashlib.file_digest(handle, "sha256").hexdigest())


def load_manifest(folder: Path, stem: str) -> Manifest | None:
    """The list of a set; None where there is none, or none that can be read."""
    try:
        with list_path(folder, stem).open("rb") as handle:
            found = msgspec.json.decode(handle.read(MOST_BYTES), type=Manifest)
    except (OSError, msgspec.MsgspecError):
        return None
    whole = found.format == FORMAT and found.schema_version[:2] == SCHEMA_VERSION[:2]
    return found if whole else None


def manifest_text(manifest: Manifest) -> str:
    """A list as indented JSON with a line feed at the end."""
    return json_text(msgspec.structs.replace(manifest, software=SOFTWARE))


def check_archive(path: Path) -> None:
    """Refuse an archive that is not the one of its list: half of a set that is half another.

    Raises
    ------
    ArchiveError
        In one sentence.
    """
    if _is_listed(path):
        return
    # a run may be changing the set at this moment; a folder that cannot be held is not being changed
    with contextlib.suppress(OSError, UsageError), changing(path.parent, SETTLE_S):
        pass
    if _is_listed(path):
        return
    raise ArchiveError(
        f"{path.name}: it is not the archive that {stem_of(path)}{LIST} lists, so the files of this night "
        "are of two runs or were changed; score the recording again"
    )


def _is_listed(path: Path) -> bool:
    manifest = load_manifest(path.parent, stem_of(path))
    known = manifest.files.get(ARCHIVE) if manifest else None
    return known is None or known == listed(path)


def listed_identity(path: Path) -> Identity | None:
    """Whose night an archive is of by the list that lists this very archive; None where none does."""
    manifest = load_manifest(path.parent, stem_of(path))
    if manifest is None or manifest.files.get(ARCHIVE) != listed(path):
        return None
    return manifest.identity


def check_identity(path: Path, found: Identity) -> None:
    """Refuse an archive that is of another night than its list says.

    Raises
    ------
    ArchiveError
        In one sentence.
    """
    manifest = load_manifest(path.parent, stem_of(path))
    if manifest is not None and foreign(found, manifest.identity):
        raise ArchiveError(
            f"{path.name}: it is of {found.words}, its list {stem_of(path)}{LIST} of "
            f"{manifest.identity.words}; one of them was put there by hand: score the recording again"
        )


def doubts(archive: Path) -> tuple[str, ...]:
    """What is wrong with the files beside an archive, one sentence each; none where all are as listed."""
    folder, stem = archive.parent, stem_of(archive)
    manifest = load_manifest(folder, stem)
    if manifest is None:
        return ()
    changed = [*_changed(folder, stem, manifest.files)]
    changed += [
        stem + ending
        for ending in LATER
        if ending not in manifest.files and (folder / f"{stem}{ending}").is_file()
    ]
    found = []
    if changed:
        found.append(
            f"{', '.join(changed)}: not as written with {archive.name}, but of another run or changed since; "
            "the archive itself is whole"
        )
    reviewed = load_manifest(folder, stem + REVIEWED)
    if reviewed is not None:
        own = manifest.files.get(ARCHIVE)
        if own is not None and reviewed.archive_sha256 != own.sha256:
            found.append(f"{stem}{REVIEWED}.*: made from another scoring than {archive.name}")
        elif changed := [*_changed(folder, stem + REVIEWED, reviewed.files)]:
            found.append(f"{', '.join(changed)}: not as written with the review of {archive.name}")
    return tuple(found)


def unlisted(archive: Path) -> str:
    """What to say of an archive beside page or tables, but without a list; empty where it has one."""
    folder, stem = archive.parent, stem_of(archive)
    if load_manifest(folder, stem) is not None:
        return ""
    if list_path(folder, stem).exists():
        return f"{stem}{LIST}: not a list of files that can be read; score the recording again"
    if not any((folder / f"{stem}{e}").is_file() for e in (".summary.json", ".report.html")):
        return ""
    return (
        f"{stem}{ARCHIVE}: there is no {stem}{LIST} next to it, so whether the page and tables here are "
        "of this archive cannot be checked"
    )


def _changed(folder: Path, stem: str, files: Mapping[str, Listed]) -> Iterator[str]:
    """Names of files that are there and not as listed; one that was taken away is no matter."""
    for ending, known in files.items():
        path = folder / f"{stem}{ending}"
        try:
            same = listed(path) == known
        except FileNotFoundError:
            continue
        except OSError:
            same = False
        if not same:
            yield path.name
