"""The process in which HDF5 files are read; ``hdf5_line.py`` is the other end.

The HDF5 library can loop without end, or crash, on a damaged file, and cannot be interrupted from
Python. So nothing but this process calls it on a file of unknown origin. A watchdog of the
interpreter (in C, without its lock) ends the process when one step takes too long, and a limit of the
system keeps it from taking more memory than the file warrants.

A request is one line of JSON. An answer is 8 bytes with the length of a JSON text, that text, and the
samples where some were asked for.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.marks import plain_words
from sleepbrux.recording.presence import is_sample

MOST_SETS = 10_000
MOST_GROUPS = 10_000
MOST_VALUES = 1024
LEAST_SAMPLES = 2
LENGTH_BYTES = 8
PIPE_BYTES = 1 << 20
_STEP_SAMPLES = 1 << 20
_MOST_RUNS = 100_000
_LARGE_BYTES = 1 << 16
_SHARED_S = 1.0
_MOST_ATTRIBUTES = 200
_DEEPEST = 20
# What h5py raises on files whose bytes are wrong, or of a type that it does not know.
_DAMAGED = (
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    OverflowError,
    MemoryError,
)
# Deflate packs at most so much.
_MOST_PACKED = 1100
_SMALL_BYTES = 16_000_000
_SPARE_BYTES = 64_000_000
_BYTES_A_BYTE = 20
_SIZES = {"i1": "i2", "u1": "i2", "i2": "i2", "u2": "i4", "i4": "i4", "f4": "f4"}


class _RefusedError(Exception):
    """A sentence for the user, without the file's name."""


def _text(value: bytes | str) -> str:
    """A text, read as Latin-1 where it is no UTF-8."""
    raw = value if isinstance(value, bytes) else value.encode("utf-8", "surrogateescape")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _plain_value(value: Any) -> Any:
    """An attribute as a number or text; None where it is neither."""
    if isinstance(value, np.ndarray):
        value = value.reshape(-1)[0] if value.size == 1 else value.reshape(-1)[:MOST_VALUES]
        value = value.tolist() if isinstance(value, np.ndarray) else value
    if isinstance(value, (bytes, str)):
        return _text(value)
    if isinstance(value, list):
        return [_plain_value(v) for v in value]
    if isinstance(value, (int, float, np.integer, np.floating)):
        return value.item() if isinstance(value, np.generic) else value
    return None


def _attributes(item: Any) -> dict[str, Any]:
    result: dict[str, Any] = {}
    try:
        names = list(item.attrs)[:_MOST_ATTRIBUTES]
    except _DAMAGED:
        return result
    for name in names:
        try:
            result[plain_words(_text(name))] = _plain_value(item.attrs[name])
        except _DAMAGED:
            continue
    return result


class _Look:
    """What a file holds: data sets of numbers, the attributes that reach each, and what was left out."""

    def __init__(self) -> None:
        self.sets: list[dict[str, Any]] = []
        self.groups: list[dict[str, Any]] = []
        self.warnings: list[tuple[str, str]] = []

    def walk(self, group: Any, above: tuple[int, ...] = ()) -> None:
        """Take the data sets below a group; links to other files are left out."""
        here = (*above, len(self.groups))
        self.groups.append({"name": group.name, "attributes": _attributes(group)})
        if len(self.groups) > MOST_GROUPS:
            raise _RefusedError(f"the file holds more than {MOST_GROUPS} groups.")
        try:
            names = list(group)
        except _DAMAGED:
            self._warn("set-unreadable", f"Group {_text(group.name)!r} cannot be read and is left out.")
            return
        for name in names if len(here) <= _DEEPEST else ():
            try:
                if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                    continue
                item = group[name]
                usable = _is_table(item) and self._holds_its_samples(item)
            except _DAMAGED:
                self._warn("set-unreadable", f"Data set {_text(name)!r} cannot be read and is left out.")
                continue
            if isinstance(item, h5py.Group):
                self.walk(item, here)
            elif usable:
                self._take(item, here)

    def _take(self, item: Any, groups: tuple[int, ...]) -> None:
        self.sets.append(
            {
                "path": item.name,
                "shape": item.shape,
                "dtype": item.dtype.str,
                "groups": groups,
                "attributes": _attributes(item),
            }
        )
        if len(self.sets) > MOST_SETS:
            raise _RefusedError(f"the file holds more than {MOST_SETS} data sets.")

    def _warn(self, code: str, text: str) -> None:
        self.warnings.append((code, text))

    def _holds_its_samples(self, item: Any) -> bool:
        """Whether a data set is no table of nothing, and its samples are in this file."""
        if max(item.shape, default=0) < LEAST_SAMPLES or min(item.shape) == 0:
            return False
        if item.is_virtual or item.external:
            self._warn(
                "set-elsewhere",
                f"The samples of {_text(item.name)!r} lie in another file; left out.",
            )
            return False
        width, stored = item.dtype.itemsize, item.id.get_storage_size()
        chunk = width * int(np.prod(item.chunks, dtype=object)) if item.chunks else 0
        if (
            item.size * width > _MOST_PACKED * stored + 1_000_000
            or chunk > 4 * item.size * width + _SMALL_BYTES
        ):
            self._warn(
                "set-empty",
                f"Data set {_text(item.name)!r} states samples that are not in the file.",
            )
            return False
        return True


def _own_values(item: Any) -> bool:
    """Whether a data set holds numbers or truth values that lie in this file, as many as it states."""
    if item.is_virtual or item.external or item.dtype.kind not in "biuf" or item.shape is None:
        return False
    stored: int = item.id.get_storage_size()
    return bool(item.size * item.dtype.itemsize <= _MOST_PACKED * stored + 1_000_000)


def _lies_as_read(item: Any) -> int | None:
    """First byte of a large data set that lies in the file just as it is read; None for every other."""
    own, dtype = item.id, item.dtype
    if dtype.kind not in "iuf" or item.size * dtype.itemsize < _LARGE_BYTES:
        return None
    if own.get_create_plist().get_layout() != h5py.h5d.CONTIGUOUS:
        return None
    stored = own.get_type()
    if (
        stored != h5py.h5t.py_create(np.dtype(dtype.str))
        or own.get_storage_size() != item.size * dtype.itemsize
    ):
        return None
    first: int | None = own.get_offset()
    return first


def _is_table(item: Any) -> bool:
    return isinstance(item, h5py.Dataset) and item.dtype.kind in "iuf" and item.ndim in (1, 2)


def _samples(file: Any, name: str, column: int, first: int, stop: int) -> NDArray[Any]:
    """Samples of one channel: time runs along the longer side."""
    data = file[name]
    if data.ndim == 1:
        part = data[first:stop]
    elif data.shape[0] >= data.shape[1]:
        part = data[first:stop, column]
    else:
        part = data[column, first:stop]
    return np.ascontiguousarray(part, dtype=_SIZES.get(part.dtype.str[1:], "f8"))


FOR_OTHERS = ("tables", "spans")
"""Groups of an archive that this program writes for other software and never reads."""


class _Reader:
    """Answers requests; a file is open only while one is answered."""

    def __init__(self, limit_s: float, nowhere: Any) -> None:
        self._limit_s, self._nowhere = limit_s, nowhere
        self._own = _own_bytes()
        self._set_at = 0.0

    def step(self, *, again: bool = True) -> None:
        """Begin a step: the process ends if the next one does not begin in time.

        Setting the watchdog takes a millisecond, so small steps of one second share it.
        """
        now = time.monotonic()
        if again and now < self._set_at + _SHARED_S:
            return
        self._set_at = now
        faulthandler.dump_traceback_later(self._limit_s, exit=True, file=self._nowhere)

    def answer(self, request: dict[str, Any]) -> tuple[dict[str, Any], list[NDArray[Any]]]:
        """Answer one request: ``look``, ``present`` or ``samples``."""
        self.step(again=False)
        name = ""
        try:
            _limit_memory(Path(request["path"]).stat().st_size, self._own)
            with h5py.File(request["path"], "r", locking="best-effort") as file:
                if request["do"] == "look":
                    return self._look(file), []
                if request["do"] == "archive":
                    return self._archive(file)
                if request["do"] == "present":
                    name = request["name"]
                    return self._present(file, request), []
                parts = []
                for name, column in request["places"]:
                    parts.append(_samples(file, name, column, request["first"], request["stop"]))
            return {"parts": [(part.dtype.str, len(part)) for part in parts]}, parts
        except _RefusedError as error:
            return {"refused": str(error)}, []
        except _DAMAGED:
            return {"failed": name}, []

    def _look(self, file: Any) -> dict[str, Any]:
        own = str(file.attrs.get("software", "")).startswith("sleepbrux")
        if own and "schema_version" in file.attrs:
            return {"archive": True}
        look = _Look()
        look.walk(file)
        return {"groups": look.groups, "sets": look.sets, "warnings": look.warnings}

    def _archive(self, file: Any) -> tuple[dict[str, Any], list[NDArray[Any]]]:
        """Everything that a file holds in itself; a link of any kind makes it no archive.

        Of a large table that lies in the file as it is read, only the place is told.
        """
        groups: dict[str, dict[str, Any]] = {}
        sets: list[tuple[str, list[int]]] = []
        places: dict[str, tuple[str, int]] = {}
        parts: list[NDArray[Any]] = []

        def walk(group: Any, above: str) -> None:
            groups[above] = {name: _plain_value(group.attrs[name]) for name in group.attrs}
            if len(groups) > MOST_GROUPS or above.count("/") > _DEEPEST:
                raise _RefusedError("the file holds too many groups.")
            for name in group:
                self.step()
                path = f"{above}/{name}".lstrip("/")
                if path in FOR_OTHERS:
                    continue
                if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                    raise _RefusedError(f"{path} is a link.")
                item = group[name]
                if isinstance(item, h5py.Group):
                    walk(item, path)
                    continue
                if not isinstance(item, h5py.Dataset) or not _own_values(item):
                    raise _RefusedError(f"{path} is no table of the file's own.")
                if (first := _lies_as_read(item)) is not None:
                    places[path] = (item.dtype.str, first)
                else:
                    parts.append(np.ascontiguousarray(item[()]))
                sets.append((path, list(item.shape)))
                if len(sets) > MOST_SETS:
                    raise _RefusedError("the file holds too many data sets.")

        walk(file, "")
        return {
            "groups": groups,
            "sets": sets,
            "places": places,
            "parts": [(part.dtype.str, part.size) for part in parts],
        }, parts

    def _present(self, file: Any, request: dict[str, Any]) -> dict[str, Any]:
        """Edges of the runs of samples that are numbers."""
        runs: list[list[int]] = []
        for first in range(0, request["n"], _STEP_SAMPLES):
            self.step()
            stop = min(first + _STEP_SAMPLES, request["n"])
            part = _samples(file, request["name"], request["column"], first, stop)
            for a, b in _runs_of(is_sample(part), first):
                if runs and runs[-1][1] == a:
                    runs[-1][1] = b
                else:
                    runs.append([a, b])
            if len(runs) > _MOST_RUNS:
                return {"shattered": True, "runs": []}
        return {"shattered": False, "runs": runs}


def _runs_of(present: NDArray[np.bool_], first: int) -> Iterator[list[int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], present, [False])).view(np.int8)))
    yield from (edges.reshape(-1, 2) + first).tolist()


def _limit_memory(file_bytes: int, own_bytes: int) -> None:
    """Bound what the library can take for this file, where the system can."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        most = own_bytes + _SPARE_BYTES + _BYTES_A_BYTE * file_bytes
        resource.setrlimit(resource.RLIMIT_DATA, (most if hard < 0 else min(most, hard), hard))


def _own_bytes() -> int:
    """Memory of this process before it has read anything."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[5])
    except (OSError, IndexError, ValueError):
        return 1 << 30
    return pages * os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """Answer until the other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    lines, out = sys.stdin.buffer, sys.stdout.fileno()
    _widen(out)
    with Path(os.devnull).open("w") as nowhere:
        reader = _Reader(float(sys.argv[1]), nowhere)
        for line in lines:
            text, parts = reader.answer(json.loads(line))
            faulthandler.cancel_dump_traceback_later()
            raw = json.dumps(text).encode()
            _send(out, memoryview(len(raw).to_bytes(LENGTH_BYTES, "little") + raw))
            for part in parts:
                _send(out, part.reshape(-1).view(np.uint8).data)


def _send(out: int, view: memoryview) -> None:
    while view:
        view = view[os.write(out, view) :]


def _widen(pipe: int) -> None:
    """A pipe that holds more, where the system can."""
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, PIPE_BYTES)


if __name__ == "__main__":
    main()
