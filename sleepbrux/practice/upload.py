"""Files that are dropped on the page: copied under a temporary name, then renamed; nothing is written over.

The name that a browser sends is never a path: its last part alone is used, without what a system forbids.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from filecmp import cmp
from itertools import count
from pathlib import Path
from typing import IO

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import clear_abandoned, replacing, safe_stem

MOST_BYTES = 16 << 30
LEFT_FREE = 1 << 30
NAMED_PARTS = (".vhdr", ".vmrk", ".eeg")
OWN_ENDINGS = (".toml", ".json", ".jsonl", ".html", ".pdf", ".night.h5", ".py", ".part")


def safe_name(said: str) -> str:
    r"""The name that a dropped file gets.

    Examples
    --------
    >>> safe_name("../../etc/night 1.EDF"), safe_name("C:\\x\\n.csv"), safe_name("NUL.edf"), safe_name(".edf")
    ('night 1.EDF', 'n.csv', 'NUL_.edf', 'edf')

    Raises
    ------
    UsageError
        It is the name of a file that this program writes itself, or none at all.
    """
    last = re.split(r"[/\\]", said)[-1].strip()
    stem, dot, ending = last.rpartition(".")
    if not stem:
        stem, dot, ending = ending, "", ""
    if not stem.strip(" ."):
        raise UsageError("a file without a name cannot be taken; rename it")
    ending = re.sub(r"[^A-Za-z0-9]", "", ending)[:12]
    name = safe_stem(stem) + (f"{dot}{ending}" if ending else "")
    if name.casefold().endswith(OWN_ENDINGS):
        raise UsageError(
            f"{name}: no recording; files with this ending are written by the program itself. Drop recordings, "
            "such as EDF, BDF, CSV, WAV or HDF5"
        )
    return name


class Incoming:
    """A file that is on its way.

    Attributes
    ----------
    name
        What it is called once it is there.
    twin
        Whether a file of this content was there already, under this name.
    """

    def __init__(self, handle: IO[bytes], size: int, name: str) -> None:
        self._handle, self._left, self.name, self.twin = handle, size, name, False

    def write(self, part: bytes) -> None:
        """Take the next part.

        Raises
        ------
        UsageError
            More comes than was said.
        """
        self._left -= len(part)
        if self._left < 0:
            raise UsageError(f"{self.name}: more bytes came than the browser had said; drop it again")
        self._handle.write(part)

    def check_whole(self) -> None:
        """Refuse a file of which a part is missing."""
        if self._left:
            raise UsageError(f"{self.name}: {self._left} bytes did not come; drop it again")


def check_room(folder: Path, name: str, size: int) -> None:
    """Refuse a file that is too large for the disk or for any recording."""
    if size > MOST_BYTES:
        raise UsageError(f"{name}: {size >> 30} GiB; a file may have {MOST_BYTES >> 30} GiB")
    free = shutil.disk_usage(folder).free
    if size > free - LEFT_FREE:
        raise UsageError(
            f"{name}: {size / 1e9:.1f} GB, and the disk has {free / 1e9:.1f} GB left, of which 1 GB is kept free; "
            "make room, or choose a folder on another disk"
        )


@contextmanager
def receiving(folder: Path, said: str, size: int) -> Iterator[Incoming]:
    """Take a file into a folder; it gets its name when the block ends well, and leaves nothing otherwise.

    Raises
    ------
    UsageError
        Its name or its size cannot be taken, or not all of it came.
    """
    name = safe_name(said)
    check_room(folder, name, size)
    clear_abandoned(folder)
    with (
        replacing(folder / name, lambda temporary, _: _settle(temporary, incoming)) as temporary,
        temporary.open("wb") as handle,
    ):
        incoming = Incoming(handle, size, name)
        yield incoming
        incoming.check_whole()
        handle.flush()
        os.fsync(handle.fileno())


def _twin(temporary: Path, wanted: Path) -> Path | None:
    """A file beside it that has its bytes, by whatever name; parts of a recording are told apart by their names."""
    size = temporary.stat().st_size
    for path in sorted(temporary.parent.iterdir()):
        named = path == wanted or (size > 0 and wanted.suffix.lower() not in NAMED_PARTS)
        same_size = path.is_file() and not path.name.startswith(".") and path.stat().st_size == size
        if named and same_size and cmp(path, temporary, shallow=False):
            return path
    return None


def _settle(temporary: Path, incoming: Incoming) -> None:
    """The first name that is free; where a file has the same bytes already, that one is kept instead."""
    wanted = temporary.parent / incoming.name
    if twin := _twin(temporary, wanted):
        temporary.unlink()
        incoming.name, incoming.twin = twin.name, True
        return
    for k in count(1):
        path = wanted if k == 1 else wanted.with_name(f"{wanted.stem}-{k}{wanted.suffix}")
        try:
            os.link(temporary, path)  # fails where the name is taken, at whatever moment
        except FileExistsError:
            continue
        except OSError:  # a disk without links
            if path.exists():
                continue
            temporary.replace(path)
        temporary.unlink(missing_ok=True)
        incoming.name = path.name
        return
