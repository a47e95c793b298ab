"""Files of a recording: opened, or refused with one sentence, and their digest."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from concurrent.futures import CancelledError
from io import FileIO
from pathlib import Path
from threading import Event

from sleepbrux.core.errors import RecordingError

_DIGEST_BYTES = 1 << 20
_END_BYTES = 1 << 16


def unreadable(path: Path, error: OSError) -> RecordingError:
    """What to say of a file that the system does not open or read."""
    reason = error.strerror or type(error).__name__
    return RecordingError(f"{path.name}: the file cannot be read ({reason}); check the path.")


def opened(path: Path) -> FileIO:
    """The file, open for reading bytes, unbuffered.

    Raises
    ------
    RecordingError
        Where the system does not open it.
    """
    try:
        return path.open("rb", buffering=0)
    except OSError as error:
        raise unreadable(path, error) from error


def file_digest(*paths: Path, given_up: Event | None = None) -> str:
    """SHA-256 of the bytes of files, one after the other, 64 hexadecimal digits.

    Parameters
    ----------
    paths
        The files.
    given_up
        Set by another thread that no longer wants the digest.

    Raises
    ------
    RecordingError
        Where a file cannot be read.
    CancelledError
        Where the digest was given up.
    """
    total = hashlib.sha256()
    buffer = memoryview(bytearray(_DIGEST_BYTES))
    for path in paths:
        with opened(path) as handle:
            try:
                while n := handle.readinto(buffer):
                    if given_up is not None and given_up.is_set():
                        raise CancelledError
                    total.update(buffer[:n])
            except OSError as error:
                raise unreadable(path, error) from error
    return total.hexdigest()


def ends_digest(path: Path) -> str:
    """SHA-256 over size, beginning and end (64 KiB each) of a recording's files: quick, and not for proof.

    Two recordings that differ by chance differ here; it is taken where reading all of a night only to know
    it again would cost more than the work itself. A folder counts with all its files, a BrainVision header
    with the samples beside it. Empty where a file cannot be read.
    """
    total = hashlib.sha256()
    try:
        for part in _files_of(path):
            with part.open("rb", buffering=0) as handle:
                size = handle.seek(0, 2)
                total.update(size.to_bytes(8, "little"))
                for begin in dict.fromkeys((0, max(size - _END_BYTES, 0))):
                    handle.seek(begin)
                    total.update(handle.read(_END_BYTES))
    except OSError:
        return ""
    return total.hexdigest()


def twin_of(path: Path, others: Iterable[Path]) -> Path | None:
    """The first of other files that has the same bytes; None without one."""
    try:
        size = path.stat().st_size
        for other in others:
            alike = other != path and other.stat().st_size == size and ends_digest(other) == ends_digest(path)
            if alike and (path.samefile(other) or file_digest(other) == file_digest(path)):
                return other
    except (OSError, RecordingError):
        pass
    return None


def _files_of(path: Path) -> list[Path]:
    if path.is_dir():
        return sorted(p for p in path.rglob("*") if p.is_file())
    samples = path.with_suffix(".eeg")
    return [path, *([samples] if path.suffix.lower() == ".vhdr" and samples.is_file() else [])]
