"""Writing so that nothing is lost: a temporary name first, then the final one, names that are safe."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

RESERVED = {"con", "prn", "aux", "nul", *(f"com{i}" for i in range(1, 10)),
            *(f"lpt{i}" for i in range(1, 10))}  # fmt: skip


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path beside ``path``; renamed to it when the block ends well, removed when not.

    File and folder are flushed to disk first, so that a power cut leaves the old file or the new one.
    The temporary name is this call's own: two writers of one file leave one whole file.
    """
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.partial")
    try:
        yield temporary
        with temporary.open("rb+") as handle:
            os.fsync(handle.fileno())
        temporary.replace(path)
        flush_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)


def flush_folder(folder: Path) -> None:
    """Put the names in a folder on disk, where the system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8 with line feeds, through `replacing`."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def safe_stem(name: str) -> str:
    """A file name without what some system forbids: separators, controls, reserved names.

    Examples
    --------
    >>> safe_stem("night 1"), safe_stem("../a:b"), safe_stem("NUL"), safe_stem("...")
    ('night 1', '_a_b', 'NUL_', 'night')
    """
    stem = re.sub(r'[\x00-\x1f<>:"/\\|?*\x7f]+', "_", name).strip(" .")[:120]
    if stem.split(".")[0].casefold() in RESERVED:
        stem += "_"
    return stem or "night"
