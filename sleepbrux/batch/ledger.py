"""What is done and still true: one small record a night, and the lock of the output folder.

A record stands below ``.batch`` in the output folder and is written last. It holds a digest of all
settings, and of every input and output file its size, times and SHA-256. A night is done while its settings,
its inputs and its version are those of the record and its files are as they were written.

Files are compared by their stamp first: size, time of the last change of content and of the inode,
and inode number, to the nanosecond. That is safe where all of them are equal and the content had been
still for two seconds when it was read: a change in the same tick of a coarse clock cannot hide, and a
time of change that was put back shows in the inode's own. Otherwise the SHA-256 decides, of an archive
that of its seal. Of a file that the night itself has just left the stamp is trusted at once: it was taken
while the folder was held.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.analysis.comparison import NightRow
from sleepbrux.archive.layout import SCHEMA_VERSION as ARCHIVE_SCHEMA
from sleepbrux.archive.manifest import ARCHIVE, LIST, Manifest, listed, load_manifest
from sleepbrux.batch.tasks import RECORDS, Task, companions_of
from sleepbrux.core.errors import CriterionError, RecordingError, UsageError
from sleepbrux.core.files import CLENCHES, changing, is_sealed, is_written, replacing
from sleepbrux.core.texts import file_name, visible
from sleepbrux.core.version import __version__
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.candidates import TABLES
from sleepbrux.recording.clenches import sidecar
from sleepbrux.recording.formats.edf_header import kind_of

FOLDER = RECORDS
RECORD_SCHEMA = 2
# HDF5 and WAV recordings are one file each; so is every table of samples, see `_parts`.
ONE_FILE = (b"\x89HDF", b"MATLAB", b"RIFF", b"RF64", b"BW64")
STILL_NS = 2_000_000_000
WAIT_FOR_START_S = 10.0


class LedgerRow(msgspec.Struct, frozen=True):
    """One night in the table.

    Attributes
    ----------
    path
        Of the recording: see `Task.path`.
    date
        Day on which the recording began, else the study's; empty where neither says it.
    problem
        Why it was not scored, in one sentence; empty where it was.
    figures
        None where it was not.
    """

    study: str
    night: str
    recording: str
    condition: str
    problem: str = ""
    figures: NightRow | None = None
    path: str = ""
    date: str = ""
    input_sha256: str = ""
    report_id: str = ""
    version: str = __version__

    @property
    def name(self) -> str:
        """What tells the night from every other: see `Task.name`."""
        return " ".join(filter(None, (self.study, self.night))) if self.study else self.path


class Stamp(msgspec.Struct, frozen=True):
    """What a file system says of a file without reading it."""

    size: int
    changed_ns: int
    inode_changed_ns: int
    inode: int


class Input(msgspec.Struct, frozen=True):
    """One input or output file of a night: its name, its stamp, whether that can be trusted, its SHA-256."""

    name: str
    stamp: Stamp
    still: bool
    sha256: str


class LedgerRecord(msgspec.Struct, frozen=True, kw_only=True):
    """What was done for one night.

    Attributes
    ----------
    place
        Where it was scored from: see `Task.place`.
    """

    schema: int = RECORD_SCHEMA
    settings: str
    inputs: tuple[Input, ...]
    outputs: tuple[Input, ...]
    row: LedgerRow
    place: str = ""


def row_of(task: Task, *, problem: str = "", figures: NightRow | None = None) -> LedgerRow:
    """The table row of a task."""
    name, problem = file_name(task.recording), visible(problem)
    return LedgerRow(task.study_name, task.night, name, task.condition, problem, figures, visible(task.path))


def settings_digest(task: Task) -> str:
    """SHA-256 over all that the user and the program say about a night, and no path."""
    name = task.study.criterion if task.study else task.common.criterion
    try:
        rules = load_criterion(name).digest() if name else ""
    except CriterionError as error:
        rules = str(error)
    said: list[Any] = [__version__, ARCHIVE_SCHEMA, rules, task.fault]
    if task.study:
        said.append(msgspec.structs.replace(task.study, criterion="rules"))
        said += [note.text for note in task.notes]
    else:
        said += [task.common.channels, task.common.hints]
        if task.common.mvc_uv is not None:
            said.append(task.common.mvc_uv)
        if task.common.from_text or task.common.to_text:
            said.append({"from": task.common.from_text, "to": task.common.to_text})
        if task.common.endings:
            said.append({"stages": task.common.stages_ending, "marks": task.common.marks_ending})
        if task.stored:
            said.append({"stored": task.stored.version})
    if not task.common.archives:
        said.append({"archives": False})
    return hashlib.sha256(msgspec.json.encode(said, order="sorted")).hexdigest()


def input_files(task: Task) -> dict[str, Path]:
    """Every file that a night is made from, by name: the recording, and what the study names.

    Where a recording may lie in several files (all but EDF and BDF), each neighbour whose name begins
    alike counts, and each that a BrainVision header names. None of a recording in a store, whose version
    is one of the settings.
    """
    if task.stored is not None:
        return {}
    if task.study is None:
        beside = companions_of(task.recording, task.common).values()
        own = _with_clenches(_parts(task.recording, task.recording.name))
        return own | {visible(path.name): path for path in beside}
    entries = [msgspec.to_builtins(e) for e in (*task.study.night, *task.study.reference)]
    words = {w for entry in entries for w in entry.values() if isinstance(w, str) and w}
    files: dict[str, Path] = {}
    for word in sorted(words):
        if _is_there(task.home / word):
            files |= _parts(task.home / word, word)
    return _with_clenches(files)


def _with_clenches(files: dict[str, Path]) -> dict[str, Path]:
    """The files, and the reference clenches written beside each."""
    files = {visible(name): path for name, path in files.items()}
    beside = {f"{name}{CLENCHES}": sidecar(path) for name, path in files.items()}
    return files | {name: path for name, path in beside.items() if _is_file(path)}


def _is_there(path: Path) -> bool:
    return _is_file(path) or (path.suffix.lower() == ".mff" and path.is_dir())


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


@lru_cache(maxsize=8)
def _names(folder: Path, changed_ns: int) -> tuple[str, ...]:
    """Names in a folder, listed anew when it has changed."""
    del changed_ns
    return tuple(sorted(os.listdir(folder)))  # noqa: PTH208


def _parts(path: Path, name: str) -> dict[str, Path]:
    files = {name: path}
    if path.is_dir():
        return {f"{name}/{p.relative_to(path)}": p for p in sorted(path.rglob("*")) if p.is_file()}
    try:
        with path.open("rb") as handle:
            first = handle.read(256)
        if kind_of(first) or first.startswith(ONE_FILE):
            return files
        if path.suffix.lower() in {".vhdr", ".ahdr"}:
            named = re.findall(rb"^(?:DataFile|MarkerFile)\s*=\s*(.+?)\s*$", path.read_bytes(), re.MULTILINE)
            files |= {n.decode("latin-1"): path.parent / n.decode("latin-1") for n in named}
        elif path.suffix.lower() in TABLES:
            return files
        here = path.parent
        names = _names(here, here.stat().st_mtime_ns)
        files |= {name: here / name for name in names if name.startswith(path.stem)}
    except OSError:
        return files
    return {key: p for key, p in files.items() if _is_file(p)}


def stamp_of(path: Path) -> Stamp:
    """The stamp of a file."""
    stat = path.stat()
    return Stamp(stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino)


def see(path: Path, name: str, *, sha256: str = "") -> Input:
    """An input file as it is now; ``sha256`` where it is known already."""
    stamp = stamp_of(path)
    still = time.time_ns() - max(stamp.changed_ns, stamp.inode_changed_ns) > STILL_NS
    if not sha256 and name.endswith(ARCHIVE) and not is_sealed(path):
        return Input(name, stamp, still, "")
    return Input(name, stamp, still, sha256 or listed(path, name).sha256)


def record_path(out: Path, task: Task) -> Path:
    """Where the record of a night stands."""
    return out / FOLDER / f"{task.key}.json"


def load_record(out: Path, task: Task) -> LedgerRecord | None:
    """The record of a night; None where there is none that can be read."""
    try:
        record = msgspec.json.decode(record_path(out, task).read_bytes(), type=LedgerRecord)
    except (OSError, msgspec.MsgspecError):
        return None
    return record if record.schema == RECORD_SCHEMA else None


def save_record(out: Path, task: Task, record: LedgerRecord) -> None:
    """Write the record of a night."""
    path = record_path(out, task)
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path) as temporary:
        temporary.write_bytes(msgspec.json.encode(record))


def checked(out: Path, task: Task, *, read: bool) -> LedgerRecord | None:
    """The record of a night that need not be scored again, with its files as they are now.

    Parameters
    ----------
    read
        Whether files whose stamp cannot settle it are read and hashed; else they count as changed.
    """
    record = load_record(out, task)
    if record is None or record.row.problem or record.settings != settings_digest(task):
        return None
    if (task.stored and not task.stored.version) or (not task.common.archives and task.archive(out).exists()):
        return None
    outputs = _unchanged(record.outputs, out / task.folder, read=read)
    files = input_files(task) if outputs else {}
    if not outputs or files.keys() != {i.name for i in record.inputs}:
        return None
    inputs = _unchanged(record.inputs, files, read=read)
    return msgspec.structs.replace(record, inputs=inputs, outputs=outputs) if inputs or task.stored else None


def _unchanged(seen: Sequence[Input], where: Path | Mapping[str, Path], *, read: bool) -> tuple[Input, ...]:
    """The files as they are now; none where one of them is, or may be, another."""
    found = []
    for one in seen:
        try:
            path = where / one.name if isinstance(where, Path) else where[one.name]
            now = _still(path, one, read=read)
        except OSError:
            return ()
        if now is None:
            return ()
        found.append(now)
    return tuple(found)


def whole(out: Path, task: Task) -> LedgerRecord | None:
    """The record of a night whose files have the sizes that they were written with.

    One that was scored from another place counts where its inputs are these very ones.
    """
    record = load_record(out, task)
    if record is not None and record.place != task.place:
        return checked(out, task, read=True)
    if record is None or record.row.problem:
        return record
    try:
        sizes = [(out / task.folder / o.name).stat().st_size for o in record.outputs]
    except OSError:
        return None
    return record if sizes == [o.stamp.size for o in record.outputs] else None


def left_by(out: Path, task: Task, manifest: Manifest) -> tuple[Input, ...]:
    """The files that a night has just left, and their list, each with its stamp.

    Raises
    ------
    RecordingError
        They are not those of the night any more.
    """
    folder = out / task.folder
    with changing(folder):
        if load_manifest(folder, task.stem) != manifest:
            raise RecordingError(
                f"{task.key}: another run has written files of this night meanwhile; run again"
            )
        known = {f"{task.stem}{ending}": one.sha256 for ending, one in manifest.files.items()}
        name = f"{task.stem}{LIST}"
        known[name] = listed(folder / name).sha256
        return tuple(
            Input(name, stamp_of(folder / name), still=True, sha256=sha256) for name, sha256 in known.items()
        )


def _still(path: Path, seen: Input, *, read: bool) -> Input | None:
    """The file as it is now; None where it is, or may be, another."""
    stamp = stamp_of(path)
    if stamp == seen.stamp and seen.still:
        return seen
    if not read or stamp.size != seen.stamp.size:
        return None
    now = see(path, seen.name)
    return now if now.sha256 == seen.sha256 else None


@contextlib.contextmanager
def locked(out: Path, part: tuple[int, int] | None) -> Iterator[None]:
    """Hold the output folder: alone, or for one shard beside other shards of the same count.

    The operating system drops the lock of a process that dies.

    Raises
    ------
    UsageError
        Another run holds it.
    """
    from filelock import FileLock, Timeout

    folder = out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as held:
        try:
            gate = FileLock(folder / "run.lock")
            gate.acquire(timeout=0 if part is None else WAIT_FOR_START_S)
            held.callback(gate.release)
            for other in folder.glob("shard-*.lock"):
                if part is None or not other.name.endswith(f"-of-{part[1]}.lock"):
                    with FileLock(other).acquire(timeout=0):
                        pass
            if part is not None:
                own = FileLock(folder / f"shard-{part[0]}-of-{part[1]}.lock")
                own.acquire(timeout=0)
                held.callback(own.release)
                gate.release()
        except Timeout:
            raise UsageError(
                f"another batch or score is at work in {str(out)!r}; wait for it, or name another folder"
            ) from None
        yield


def tidy(out: Path, tasks: list[Task]) -> None:
    """Remove temporary files that a killed run left for these nights; the lock must be held."""
    stems: dict[Path, set[str]] = {}
    for task in tasks:
        for folder in (out / task.folder, out / FOLDER / task.folder):
            stems.setdefault(folder, set()).add(task.stem)
    for folder, names in stems.items():
        for path in folder.glob(".*.partial") if folder.is_dir() else ():
            if any(path.name.startswith(f".{name}.") for name in names) and is_written(path) is not True:
                path.unlink(missing_ok=True)


def cores() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
