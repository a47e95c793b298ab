"""Plain files, read within bounds and written so that a power cut leaves them whole."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sleepbrux.core.errors import JournalError
from sleepbrux.core.files import flush_folder, replacing

LOCK_SECONDS = 10.0
# a link is not followed, and a pipe does not keep the reader waiting
_SAFE = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_SAFE |= getattr(os, "O_BINARY", 0)


def _opened(path: Path, flags: int) -> int:
    """Descriptor of a plain file.

    Raises
    ------
    FileNotFoundError
        There is nothing of that name.
    JournalError
        It is a link, a folder, a pipe or another thing that is no file.
    """
    no_file = (
        f"{path.name}: this is a link, a folder or a pipe where a plain file is due; move it away, or "
        "put the file itself there"
    )
    if path.is_symlink():
        raise JournalError(no_file)
    try:
        descriptor = os.open(path, flags | _SAFE, 0o666)
    except FileNotFoundError:
        raise
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EISDIR, errno.ENXIO) or path.is_dir():
            raise JournalError(no_file) from error
        raise
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise JournalError(no_file)
    return descriptor


def read_plain(path: Path, most_bytes: int) -> bytes | None:
    """Bytes of a plain file, None where there is none.

    Raises
    ------
    JournalError
        No plain file, one of more than ``most_bytes``, or one that the system does not give.
    """
    try:
        with os.fdopen(_opened(path, os.O_RDONLY), "rb") as file:
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise JournalError(f"{path.name}: it cannot be read ({error.strerror})") from error
    if len(data) > most_bytes:
        raise JournalError(
            f"{path.name}: more than {most_bytes / 1e6:.0f} MB, which no review has; restore the file "
            "from a copy, or move it away"
        )
    return data


@contextmanager
def appending(path: Path, data: bytes, size: int) -> Iterator[None]:
    """Bytes at the end of a file of ``size`` bytes, on disk when the block begins.

    Taken off again where they cannot be written wholly, or where the block raises.

    Raises
    ------
    JournalError
        The file has another size.
    """
    fresh = size == 0
    descriptor = _opened(path, os.O_WRONLY | os.O_APPEND | (os.O_CREAT if fresh else 0))
    try:
        if os.fstat(descriptor).st_size != size:
            raise JournalError(
                f"{path.name}: another program wrote to it meanwhile; look again and decide then"
            )
        try:
            written = 0
            while written < len(data):
                written += os.write(descriptor, data[written:])
            os.fsync(descriptor)
            if fresh:
                flush_folder(path.parent)
            yield
        except BaseException:
            os.ftruncate(descriptor, size)
            os.fsync(descriptor)
            raise
    finally:
        os.close(descriptor)


def write_whole(path: Path, data: bytes) -> None:
    """Replace a file at once: a power cut leaves the old one or the new one."""
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def keep_copy(path: Path, data: bytes) -> Path:
    """Write what a file held to the first free ``NAME.kept-1``, ``-2`` ...; where it went.

    A copy that holds just this already is not written again.
    """
    number = 1
    while (kept := path.with_name(f"{path.name}.kept-{number}")).exists() or kept.is_symlink():
        if kept.is_file() and kept.stat().st_size == len(data) and kept.read_bytes() == data:
            return kept
        number += 1
    write_whole(kept, data)
    return kept


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """One writer at a time, on every system."""
    from filelock import FileLock, Timeout

    lock = path.with_name(f".{path.name}.lock")
    if lock.is_symlink() or (lock.exists() and not lock.is_file()):
        raise JournalError(f"{lock.name}: this is no plain file; move it away")
    try:
        with FileLock(lock, timeout=LOCK_SECONDS):
            yield
    except Timeout as error:
        raise JournalError(
            f"{path.name}: another program holds the journal; close it and try again"
        ) from error
