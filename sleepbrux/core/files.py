"""Writing so that nothing is lost: a temporary name first, then the final one, names that are safe.

And small texts read with one sentence for whatever is wrong in them: TOML files, tables of rows.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import hashlib
import math
import os
import re
import secrets
import shutil
import time
import tomllib
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import cache
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.parallel import default_threads
from sleepbrux.core.texts import unseen, visible

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

CLENCHES, JOURNAL = ".clenches.toml", ".review.jsonl"  # what lies beside a recording, an archive
RESULTS = "results"  # folder beside the input where results go if none is named
RESERVED = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{i}" for i in range(1, 10)),
    *(f"lpt{i}" for i in range(1, 10)),
}


SEAL = b"sleepbrux seal 1"
_PART_BYTES = 1 << 23
_READ_BYTES = 1 << 20
LARGEST_TEXT_BYTES = 1 << 20
LARGEST_TABLE_BYTES = 50 << 20
DEEPEST = 16
_STEM_BYTES = 180  # of the 255 that a name may have; the rest is for the endings
PARTIAL = ".partial"
_RUN = secrets.token_hex(4)
_ABANDONED_S = 86_400.0
_WAIT_FOR_FOLDER_S = 60.0
_looked_through: set[Path] = set()


Settle = Callable[[Path, Path], None]


def settle_now(temporary: Path, path: Path) -> None:
    """Give a written file its final name, after file and folder are flushed to disk.

    So a power cut leaves the old file or the new one.
    """
    try:
        with temporary.open("rb+") as handle:
            os.fsync(handle.fileno())
        temporary.replace(path)
        flush_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)


def temporary_name(path: Path) -> Path:
    """Where a file or folder is made that is to be called ``path``: a name that says which run makes it."""
    token = f"{_place()}-{os.getpid()}-{_RUN}{secrets.token_hex(4)}"
    return path.with_name(f".{path.name}.{token}{PARTIAL}")


@contextmanager
def replacing(path: Path, settle: Settle = settle_now) -> Iterator[Path]:
    """A temporary path beside ``path``; settled under that name when the block ends well, else removed.

    The temporary name is this call's own: two writers of one file leave one whole file. It says which
    run writes it, so that a later one can clear what a dead run left: see `clear_abandoned`.
    """
    if path.parent not in _looked_through:
        _looked_through.add(path.parent)
        clear_abandoned(path.parent)
    temporary = temporary_name(path)
    try:
        yield temporary
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    settle(temporary, path)


@contextmanager
def settling(
    hold: Callable[[], AbstractContextManager[object]] = nullcontext, *, last: Sequence[str] = ()
) -> Iterator[Settle]:
    """Files that get their names together when the block is done; or none does.

    A thread flushes each while the block goes on. At its end they are renamed one right after the other. One that
    ``last`` names, and the very last, is renamed only when the names of all before it are on disk, whatever
    order the file system keeps. What goes wrong before that leaves every earlier file as it was.

    Parameters
    ----------
    hold
        What is held while they are renamed; it may refuse.
    last
        Endings of those that come last, in this order; the others come as they were written.
    """

    def place(path: Path) -> int:
        return next((k for k, end in enumerate(last, start=1) if path.name.endswith(end)), 0)

    waiting: list[tuple[Path, Path, Future[None]]] = []
    try:
        with ThreadPoolExecutor(max_workers=1) as disk:
            yield lambda temporary, path: waiting.append((temporary, path, disk.submit(_flush, temporary)))
        for _, _, flushed in waiting:
            flushed.result()
        waiting.sort(key=lambda one: place(one[1]))
        with hold():
            for _, path, _ in waiting:
                if path.is_dir():
                    raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path.name)
            for k, (temporary, path, _) in enumerate(waiting, start=1):
                if k == len(waiting) or place(path):
                    flush_folder(path.parent)
                temporary.replace(path)
            for folder in {path.parent for _, path, _ in waiting}:
                flush_folder(folder)
    finally:
        for temporary, _, _ in waiting:
            temporary.unlink(missing_ok=True)


def _flush(path: Path) -> None:
    with path.open("rb+") as handle:
        os.fsync(handle.fileno())


@contextmanager
def changing(folder: Path, wait_s: float = _WAIT_FOR_FOLDER_S) -> Iterator[None]:
    """Hold a folder while files in it are changed together; every other writer waits meanwhile.

    The lock is one on the folder itself, which the system drops with the process, so that no file is
    left behind. Where a system has none on folders, a hidden file in it serves instead. Not to be held twice
    by one thread.

    Raises
    ------
    UsageError
        Another program held it for all of ``wait_s``.
    """
    end = time.monotonic() + wait_s
    with contextlib.ExitStack() as held:
        while not _taken(folder, held):
            if time.monotonic() >= end:
                raise UsageError(
                    f"another run is writing in {folder.name or str(folder)!r}; wait for it, or name another "
                    "folder"
                )
            time.sleep(0.02)
        yield


def _taken(folder: Path, held: contextlib.ExitStack) -> bool:
    """Whether the folder is held now; ``held`` lets go of it."""
    if fcntl is not None:
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return False
        except OSError:  # a network drive that locks files only
            os.close(descriptor)
        else:
            held.callback(os.close, descriptor)
            return True
    from filelock import FileLock, Timeout

    lock = FileLock(folder / ".sleepbrux.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return False
    held.callback(lock.release)
    return True


@cache
def _place() -> str:
    """Eight digits for the machine and the set of process numbers that this process is seen in."""
    said = [os.uname().nodename if hasattr(os, "uname") else os.environ.get("COMPUTERNAME", "")]
    with contextlib.suppress(OSError):
        said.append(Path("/etc/machine-id").read_text("utf-8"))
    with contextlib.suppress(OSError):
        said.append(str(Path("/proc/self/ns/pid").stat().st_ino))
    return hashlib.sha256("\n".join(said).encode()).hexdigest()[:8]


def is_written(partial: Path) -> bool | None:
    """Whether the run that writes a temporary file is still at work; None where that is not known.

    The name says machine, process and run. A run on another machine cannot be asked.
    """
    told = re.fullmatch(
        rf".*\.([0-9a-f]{{8}})-(\d+)-([0-9a-f]{{8}})[0-9a-f]{{8}}{re.escape(PARTIAL)}", partial.name
    )
    if told is None or told[1] != _place():
        return None
    if int(told[2]) == os.getpid():
        return told[3] == _RUN
    return _is_alive(int(told[2]))


def is_abandoned(partial: Path) -> bool:
    """Whether a temporary file is one of a run that is gone; where that is not known, a day old.

    A file that is not named as ours are, or were before names told the run, is another program's.
    """
    written = is_written(partial)
    if written is not None:
        return not written
    if not re.fullmatch(
        rf"\..+\.([0-9a-f]{{8}}-\d+-)?([0-9a-f]{{8}}){{1,2}}{re.escape(PARTIAL)}", partial.name
    ):
        return False
    try:
        return time.time() - partial.stat().st_mtime > _ABANDONED_S
    except OSError:
        return False


def _is_alive(process: int) -> bool:
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    with contextlib.suppress(OSError):  # Linux: a process that ended keeps its number until its starter asks
        state = Path(f"/proc/{process}/stat").read_bytes().rpartition(b")")[2].split()[0]
        return state not in {b"Z", b"X"}
    return True


def clear_abandoned(folder: Path) -> None:
    """Remove the temporary files and folders that runs which are gone left in a folder."""
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        found = [Path(e.path) for e in entries if e.name.endswith(PARTIAL) and e.name.startswith(".")]
        for partial in found:
            if is_abandoned(partial):
                with contextlib.suppress(OSError):
                    shutil.rmtree(partial) if partial.is_dir() else partial.unlink()


def flush_folder(folder: Path) -> None:
    """Put the names in a folder on disk, where the system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_text(path: Path, text: str, settle: Settle = settle_now) -> None:
    """Write a text file in UTF-8 with line feeds, through `replacing`."""
    with replacing(path, settle) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_together(files: Mapping[Path, str | bytes], *, last: Sequence[str] = ()) -> None:
    """Write files that belong together through `settling`: each keeps what it held until all are written.

    Parameters
    ----------
    files
        Content of each file; a text is written in UTF-8 with line feeds.
    last
        Endings of those that get their names last.
    """
    with settling(last=last) as settle:
        for path, content in files.items():
            with replacing(path, settle) as temporary:
                temporary.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def read_text(path: Path, error: type[SleepbruxError], what: str, largest: int = LARGEST_TEXT_BYTES) -> str:
    """A small text in UTF-8, with line feeds.

    Parameters
    ----------
    error
        What is raised, with one sentence, where it cannot be read.
    what
        What the file should be, such as ``"study file (TOML)"``.
    largest
        Bytes that it may have.
    """
    try:
        with path.open("rb") as handle:
            raw = handle.read(largest + 1)
    except OSError as wrong:
        raise error(f"{path.name}: cannot be read ({wrong.strerror})") from wrong
    if len(raw) > largest:
        raise error(
            f"{path.name}: larger than {largest >> 20} MiB, the most that a {what} may have; is it the right "
            "file?"
        )
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as wrong:
        raise error(f"{path.name}: not a text in UTF-8; name a {what}, saved as UTF-8") from wrong


def _values(table: dict[str, Any]) -> Iterator[tuple[int, str, str, Any]]:
    """Every value of nested tables with its depth, place and key; names of keys stand as values too."""
    waiting: list[tuple[int, str, str, Any]] = [(0, "", "", table)]
    while waiting:
        depth, place, key, value = waiting.pop()
        yield depth, place, key, value
        if isinstance(value, dict):
            for name, part in value.items():
                yield depth, place or "the file", "", name
                waiting.append((depth + 1, f"{place}.{name}".lstrip("."), name, part))
        elif isinstance(value, list):
            waiting += [(depth + 1, f"{place}[{k}]", key, part) for k, part in enumerate(value)]


def toml_table(
    text: str, name: str, error: type[SleepbruxError], many_lines: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The tables of a TOML text: numbers are finite, texts hold nothing that steers a terminal or a printer.

    Parameters
    ----------
    name
        What messages call the file.
    error
        What is raised, with one sentence, for anything else.
    many_lines
        Keys whose texts may have several lines.
    """
    too_deep = f"{name}: tables stand more than {DEEPEST} deep in each other; write it flat"
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        raise error(f"{name}: not valid TOML: {wrong}") from wrong
    except RecursionError as wrong:
        raise error(too_deep) from wrong
    except ValueError as wrong:
        raise error(f"{name}: a number has too many digits; write it with fewer") from wrong
    for depth, place, key, value in _values(table):
        if depth > DEEPEST:
            raise error(too_deep)
        if isinstance(value, float) and not math.isfinite(value):
            raise error(f"{name}: {place} is {value}; write a finite number")
        sign = unseen(value, "\n\t" if key in many_lines else "") if isinstance(value, str) else ""
        if sign:
            raise error(f"{name}: {place} holds the control character {sign}; leave it out")
    return table


def read_cells(path: Path, error: type[SleepbruxError], separators: str = ",;\t") -> list[list[str]]:
    """Cells of a table in UTF-8, line by line, blank lines left out.

    Parameters
    ----------
    error
        What is raised, with one sentence, where it cannot be read.
    separators
        Signs that may part the cells; the head's most frequent one does.
    """
    text = read_text(path, error, "table (CSV)", LARGEST_TABLE_BYTES)
    separator = max(separators, key=text.split("\n", 1)[0].count)
    rows = csv.reader(text.splitlines(), delimiter=separator)
    try:
        return [row for row in rows if row]
    except csv.Error as wrong:
        raise error(f"{path.name}: line {rows.line_num}: {wrong}; check its quotes") from wrong


def seal(path: Path) -> None:
    """Append check sums of a file's content; an earlier seal at its end is replaced.

    One CRC-32 for each part of 8 MiB, then the number of bytes before them, then `SEAL`.
    """
    with path.open("r+b") as handle:
        size = os.path.getsize(path)  # noqa: PTH202
        before = _sealed_bytes(handle.fileno(), size)
        size = size if before is None else before
        handle.truncate(size)
        handle.seek(size)
        handle.write(_sums(path, size) + size.to_bytes(8, "little") + SEAL)


def seal_digest(path: Path) -> str:
    """SHA-256 over a file's seal, 64 hexadecimal digits; empty where it bears none.

    It stands for the content as far as the seal's check sums do, at the price of reading the end.
    """
    with path.open("rb") as handle:
        size = os.path.getsize(path)  # noqa: PTH202
        content = _sealed_bytes(handle.fileno(), size)
        if content is None:
            return ""
        handle.seek(content)
        return hashlib.sha256(handle.read()).hexdigest()


def is_sealed(path: Path) -> bool | None:
    """Whether a file is as it was when it was sealed; None where it bears no seal."""
    with path.open("rb") as handle:
        size = os.path.getsize(path)  # noqa: PTH202
        content = _sealed_bytes(handle.fileno(), size)
        if content is None:
            return None
        handle.seek(content)
        return handle.read(size - content - 8 - len(SEAL)) == _sums(path, content)


def _sealed_bytes(descriptor: int, size: int) -> int | None:
    """Bytes before the seal; None where there is none of the right length."""
    if size < 8 + len(SEAL):
        return None
    with open(descriptor, "rb", closefd=False) as handle:
        handle.seek(size - 8 - len(SEAL))
        tail = handle.read()
    content = int.from_bytes(tail[:8], "little")
    whole = content + 4 * -(-content // _PART_BYTES) + 8 + len(SEAL)
    return content if tail[8:] == SEAL and whole == size else None


def _sums(path: Path, size: int) -> bytes:
    """Check sums of the first ``size`` bytes, read a little at a time by up to two threads."""

    def part(first: int) -> bytes:
        total, left, buffer = 0, min(_PART_BYTES, size - first), memoryview(bytearray(_READ_BYTES))
        with path.open("rb", buffering=0) as handle:
            handle.seek(first)
            while left > 0 and (n := handle.readinto(buffer[:left])):
                total = zlib.crc32(buffer[:n], total)
                left -= n
        return total.to_bytes(4, "little")

    with ThreadPoolExecutor(min(default_threads(), 2)) as pool:
        return b"".join(pool.map(part, range(0, size, _PART_BYTES)))


def safe_stem(name: str) -> str:
    r"""A file name without what some system forbids or nobody sees: separators, controls, reserved names.

    Examples
    --------
    >>> safe_stem("night 1"), safe_stem("../a:b"), safe_stem("NUL"), safe_stem("..."), safe_stem("n\udcff")
    ('night 1', '_a_b', 'NUL_', 'night', 'n_xff')
    """
    stem = re.sub(r'[<>:"/\\|?*]+', "_", visible(name))[:120]
    stem = stem.encode()[:_STEM_BYTES].decode("utf-8", "ignore").strip(" .")
    if stem.split(".")[0].casefold() in RESERVED:
        stem += "_"
    return stem or "night"


def own_stem(name: str) -> str:
    """A file name that no other name has: where `safe_stem` changes it, a part of its digest is added.

    Examples
    --------
    >>> own_stem("night 1"), own_stem("n:1"), own_stem("n/1")
    ('night 1', 'n_1~c96504c8', 'n_1~e4ccf923')
    """
    stem = safe_stem(name)
    if stem == name and "~" not in name:
        return stem
    return f"{stem}~{hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
