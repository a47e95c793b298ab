"""What other readers, and plain ones written here, make of a file: numbers to hold ours against."""

from __future__ import annotations

import contextlib
import io
import os
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyedflib
from numpy.typing import NDArray
from scipy.io import wavfile

from sleepbrux.recording.model import Recording, samples

Values = list[NDArray[np.float64]]


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """The C library writes to the standard output."""
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def edf_values(path: Path) -> Values | None:
    """Digital samples of each signal by pyEDFlib, which is strict; None where it refuses the file."""
    try:
        with _quiet(), pyedflib.EdfReader(str(path), annotations_mode=0) as reader:
            kept = [k for k, n in enumerate(reader.getNSamples()) if n]
            return [reader.readSignal(k, digital=True).astype(float) for k in kept]
    except (OSError, ValueError, RuntimeError):
        return None


def wav_values(path: Path) -> Values | None:
    """Samples by scipy, to full scale 1; None where it refuses the file."""
    raw = path.read_bytes()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            _, data = wavfile.read(io.BytesIO(raw))
    except Exception:  # a damaged file ends in any error there
        return None
    data = data.reshape(len(data), -1)
    scale = 1.0 if data.dtype.kind == "f" else float(2 ** (8 * data.dtype.itemsize - 1))
    zero = 128 if data.dtype == np.uint8 else 0
    return list(((data.astype(float) - zero) / scale).T)


def csv_values(path: Path) -> Values | None:
    """Numbers of the two signal columns of the fuzz's tables, cell by cell; NaN in rows with others."""
    lines = path.read_bytes().decode("utf-8-sig", errors="replace").split("\n")[:-1]
    comma = ";" in lines[0]
    rows = []
    for line in lines:
        if not line.strip() or line.startswith(("#", "%")):
            continue
        cells = [c.strip() for c in line.strip("\r").split(";" if comma else ",")][1:3]
        try:
            rows.append([float(c.replace(",", ".") if comma else c) if c else np.nan for c in cells])
        except ValueError:
            rows.append([np.nan, np.nan] if rows else [])
        if len(rows[-1]) < 2:
            rows[-1] = [np.nan, np.nan] if len(rows) > 1 and rows[0] else []
        rows = rows if rows[0] else []
    return list(np.array(rows).T) if rows else None


ORACLES: dict[str, Callable[[Path], Values | None]] = {
    "EDF": edf_values,
    "BDF": edf_values,
    "WAV": wav_values,
    "tab": csv_values,
}


@np.errstate(all="ignore")
def agrees(recording: Recording, path: Path) -> bool:
    """Whether another reader takes the file as well; then the stored numbers of both must be the same.

    A file on which both have as many channels, and in a table as many rows; where ours says nothing
    doubtful the channels must be as many.
    """
    other = ORACLES.get(recording.format[:3])
    theirs = other(path) if other else None
    if theirs is None:
        return False
    channels = recording.channels
    if len(channels) != len(theirs):
        doubtful = any(note.severity == "warning" for note in recording.notes)
        assert doubtful or recording.format == "table", "another number of channels"
        return False
    for channel, b in zip(channels, theirs, strict=True):
        a = samples(recording, channel, 0, channel.n_stored).astype(float)
        if recording.format == "table" and len(a) != len(b):
            return False
        if recording.format == "WAV":
            a = a / round(1 / channel.gain) if channel.gain < 1 else a
        n = min(len(a), len(b))
        assert n, "no sample in common"
        known = np.isfinite(a[:n]) & np.isfinite(b[:n])
        np.testing.assert_allclose(a[:n][known], b[:n][known], rtol=1e-12, atol=1e-12)
    return True
