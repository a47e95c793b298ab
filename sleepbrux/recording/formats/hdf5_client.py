"""Requests to the process that reads HDF5 files, started when the first is made."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import weakref
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.findings import Findings

# Longest that one step of reading may take; a block of samples takes a second at most.
STEP_LIMIT_S = 30.0
_LENGTH_BYTES = 8


class _Line:
    """A reading process, and the pipes to it."""

    def __init__(self) -> None:
        environment = dict(os.environ)
        environment["PYTHONPATH"] = os.pathsep.join(p for p in map(os.path.abspath, sys.path) if p)
        environment["PYTHONSAFEPATH"] = "1"
        environment["OPENBLAS_NUM_THREADS"] = "1"
        self.owner = os.getpid()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "sleepbrux.recording.formats.hdf5_reader", str(STEP_LIMIT_S)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            env=environment,
        )
        self.end = weakref.finalize(self, _end, self._process)

    def ask(self, request: dict[str, Any]) -> tuple[dict[str, Any], list[NDArray[Any]]]:
        """The answer to one request; `EOFError` where the process ended over it."""
        given, taken = self._process.stdin, self._process.stdout
        assert given is not None  # noqa: S101
        assert taken is not None  # noqa: S101
        try:
            text = memoryview(json.dumps(request).encode() + b"\n")
            while text:
                text = text[given.write(text) :]
        except OSError as error:
            raise EOFError from error
        answer = json.loads(_exactly(taken, int.from_bytes(_exactly(taken, _LENGTH_BYTES), "little")))
        parts = []
        for dtype, n in answer.get("parts", ()):
            data = np.empty(n, dtype=dtype)
            view = data.view(np.uint8).data
            while view:
                got = taken.readinto(view)  # type: ignore[attr-defined]
                if not got:
                    raise EOFError
                view = view[got:]
            parts.append(data)
        return answer, parts


def _exactly(pipe: Any, n: int) -> bytes:
    raw = b""
    while len(raw) < n:
        more = pipe.read(n - len(raw))
        if not more:
            raise EOFError
        raw += more
    return raw


def _end(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    process.kill()
    process.wait()


_lock = threading.Lock()
_lines: list[_Line] = []


def hang_up() -> None:
    """End the reading process; the next request starts another."""
    with _lock:
        while _lines:
            _lines.pop().end()


def _line() -> _Line:
    """The reading process, started where none is at hand; the lock must be held."""
    if _lines and _lines[0].owner != os.getpid():
        _lines.pop().end.detach()  # that of the process this one was forked from
    if not _lines:
        _lines.append(_Line())
    return _lines[0]


def call_ahead() -> None:
    """Start the reading process, so that it loads its code while this one loads its own."""
    with _lock:
        _line()


def ask(path: Path, do: str, found: Findings, **more: Any) -> tuple[dict[str, Any], list[NDArray[Any]]]:
    """Ask the reading process about a file; a process is started where none is at hand.

    Parameters
    ----------
    path
        The HDF5 file.
    do
        ``"look"``, ``"present"``, ``"samples"``, or ``"archive"`` for all that an archive holds.
    more
        What that request needs; see ``hdf5_reader.py``.

    Raises
    ------
    RecordingError
        Where the file cannot be read, or the library did not end over it.
    """
    request = {"do": do, "path": str(path.absolute()), **more}
    with _lock:
        try:
            answer, parts = _line().ask(request)
        except EOFError:
            _lines.pop().end()
            raise found.refusal(
                "the HDF5 library did not come to an end over the file; it is damaged: copy it again."
            ) from None
        except BaseException:
            _lines.pop().end()  # half an answer may stand in the pipe
            raise
    if answer.get("failed") == "":
        raise found.refusal("the HDF5 file cannot be opened; it is cut off or damaged: copy it again.")
    if "failed" in answer:
        name = answer["failed"].encode("utf-8", "replace").decode()
        raise found.refusal(f"data set {name!r} cannot be read; the file is damaged: copy it again.")
    if "refused" in answer:
        raise found.refusal(answer["refused"])
    return answer, parts
