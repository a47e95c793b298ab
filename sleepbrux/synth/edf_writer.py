"""Write an EDF+ file record by record.

Of its own because the general writer at hand holds the whole file in memory and knows no gaps
(EDF+D). Records last 1 s; the last signal holds the annotations. The header names nobody.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
UNKNOWN_START = datetime(1985, 1, 1)  # what EDF+ asks for where the date must not be given


@dataclass(frozen=True)
class EdfSignal:
    """Header of one signal; one digital step is ``step`` of ``unit``, the converter has 16 bits."""

    label: str
    rate: int
    unit: str = "uV"
    step: float = 0.1
    transducer: str = "surface electrodes"
    prefilter: str = ""

    @property
    def range(self) -> tuple[float, float]:
        """Physical values of the lowest and the highest digital step."""
        return -32768 * self.step, 32767 * self.step


@dataclass(frozen=True)
class Annotation:
    """A text on the night clock; no duration is written where it is 0."""

    start_s: float
    duration_s: float
    text: str


def _number(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _tal(annotation: Annotation) -> bytes:
    onset = f"+{_number(annotation.start_s)}"
    length = f"\x15{_number(annotation.duration_s)}" if annotation.duration_s else ""
    return f"{onset}{length}\x14{annotation.text}\x14\0".encode()


def _texts(onsets: Sequence[float], annotations: Iterable[Annotation]) -> list[bytes]:
    """Annotation bytes of each record: its own onset, then what starts before the next record."""
    texts = [f"+{_number(onset)}\x14\x14\0".encode() for onset in onsets]
    for annotation in sorted(annotations, key=lambda a: a.start_s):
        index = int(np.searchsorted(onsets, annotation.start_s, side="right")) - 1
        texts[max(index, 0)] += _tal(annotation)
    return texts


def _fields(signals: Sequence[EdfSignal], n_text: int) -> list[tuple[int, list[str]]]:
    """Width of each signal field and its values, the annotation signal last."""
    return [
        (16, [s.label for s in signals] + ["EDF Annotations"]),
        (80, [s.transducer for s in signals] + [""]),
        (8, [s.unit for s in signals] + [""]),
        (8, [_number(s.range[0]) for s in signals] + ["-1"]),
        (8, [_number(s.range[1]) for s in signals] + ["1"]),
        (8, ["-32768"] * (len(signals) + 1)),
        (8, ["32767"] * (len(signals) + 1)),
        (80, [s.prefilter for s in signals] + [""]),
        (8, [str(s.rate) for s in signals] + [str(n_text // 2)]),
        (32, [""] * (len(signals) + 1)),
    ]


def _padded(text: str, width: int) -> bytes:
    if len(text) > width or not text.isascii():
        raise ValueError(f"header field {text!r} must be ASCII of at most {width} characters")
    return text.ljust(width).encode("ascii")


def _header(
    signals: Sequence[EdfSignal], n_text: int, *, n_records: int, kind: str, start: datetime | None
) -> bytes:
    day = start or UNKNOWN_START
    named = f"{day.day:02d}-{MONTHS[day.month - 1]}-{day.year}" if start else "X"
    first = [
        (8, "0"),
        (80, "X X X X"),
        (80, f"Startdate {named} X X X"),
        (8, day.strftime("%d.%m.%y")),
        (8, day.strftime("%H.%M.%S")),
        (8, str(256 * (len(signals) + 2))),
        (44, kind),
        (8, str(n_records)),
        (8, "1"),
        (4, str(len(signals) + 1)),
    ]
    table = [(width, value) for width, values in _fields(signals, n_text) for value in values]
    return b"".join(_padded(text, width) for width, text in first + table)


def write_edf(
    path: Path,
    signals: Sequence[EdfSignal],
    blocks: Iterable[Sequence[NDArray[np.int16]]],
    *,
    onsets: Sequence[float],
    annotations: Iterable[Annotation] = (),
    start: datetime | None = None,
) -> None:
    """Write one file, to a temporary name first.

    Parameters
    ----------
    path
        Where the file shall lie; an older one is replaced once the new one is whole.
    signals
        One header each.
    blocks
        For each signal an int16 array, shape (n_seconds * rate,), in digital steps.
    onsets
        Second of the night clock at which each 1-s record begins; EDF+D where there is a gap.
    annotations
        Texts on the night clock.
    start
        Local time of the first sample, whole seconds; None is written as unknown.
    """
    texts = _texts(onsets, annotations)
    n_text = 2 * math.ceil(max(map(len, texts)) / 2)
    kind = "EDF+C" if list(onsets) == list(range(len(onsets))) else "EDF+D"
    part = path.with_name(path.name + ".part")
    done = 0
    with part.open("wb") as file:
        file.write(_header(signals, n_text, n_records=len(onsets), kind=kind, start=start))
        for block in blocks:
            rows = [data.reshape(-1, s.rate) for s, data in zip(signals, block, strict=True)]
            words = b"".join(text.ljust(n_text, b"\0") for text in texts[done : done + len(rows[0])])
            rows.append(np.frombuffer(words, dtype="<i2").reshape(-1, n_text // 2))
            np.concatenate(rows, axis=1).astype("<i2", copy=False).tofile(file)
            done += len(rows[0])
    if done != len(onsets):
        part.unlink()
        raise ValueError(f"{path.name}: {done} records came, {len(onsets)} were announced")
    part.replace(path)
