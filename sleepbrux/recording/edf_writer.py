"""Write an EDF+ or BDF+ file record by record.

Of its own because the general writer at hand holds the whole file in memory and knows no gaps
(EDF+D). The last signal holds the annotations. The header names nobody.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
ONE_S = Fraction(1)
UNKNOWN_START = datetime(1985, 1, 1)  # what EDF+ asks for where the date must not be given


@dataclass(frozen=True)
class EdfSignal:
    """Header of one signal; one digital step is ``step`` of ``unit``, the converter has 16 bits, or 24 in BDF+."""

    label: str
    rate: int | Fraction
    unit: str = "uV"
    step: float = 0.1
    transducer: str = "surface electrodes"
    prefilter: str = ""
    bits: int = 16
    ends: tuple[int, int] | None = None

    @property
    def digital(self) -> tuple[int, int]:
        """Lowest and highest digital step: ``ends``, else all; in 24 bits opposite, so that 0 is 0 exactly."""
        if self.ends is not None:
            return self.ends
        return (-32768, 32767) if self.bits == 16 else (-8388607, 8388607)

    @property
    def range(self) -> tuple[float, float]:
        """Physical values of the lowest and the highest digital step."""
        low, high = self.digital
        return low * self.step, high * self.step


@dataclass(frozen=True)
class Annotation:
    """A text on the night clock; no duration is written where it is 0."""

    start_s: float
    duration_s: float
    text: str


def _number(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _of_8(value: float) -> str:
    """A physical value with as many decimals as a header field of 8 characters holds."""
    for decimals in range(6, -1, -1):
        text = f"{value:.{decimals}f}"
        text = text.rstrip("0").rstrip(".") if decimals else text
        if len(text) <= 8:
            return text
    return text


def tal(annotation: Annotation) -> bytes:
    """An annotation as the bytes of a time-stamped list."""
    onset = f"+{_number(annotation.start_s)}"
    length = f"\x15{_number(annotation.duration_s)}" if annotation.duration_s else ""
    return f"{onset}{length}\x14{annotation.text}\x14\0".encode()


def _texts(onsets: Sequence[float], annotations: Iterable[Annotation]) -> list[bytes]:
    """Annotation bytes of each record: its own onset, then what starts before the next record."""
    texts = [f"+{_number(onset)}\x14\x14\0".encode() for onset in onsets]
    for annotation in sorted(annotations, key=lambda a: a.start_s):
        index = int(np.searchsorted(onsets, annotation.start_s, side="right")) - 1
        texts[max(index, 0)] += tal(annotation)
    return texts


def _fields(signals: Sequence[EdfSignal], n_text: int, record_s: Fraction) -> list[tuple[int, list[str]]]:
    """Width of each signal field and its values, the annotation signal last."""
    bits = signals[0].bits
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return [
        (16, [s.label for s in signals] + ["EDF Annotations" if bits == 16 else "BDF Annotations"]),
        (80, [s.transducer for s in signals] + [""]),
        (8, [s.unit for s in signals] + [""]),
        (8, [_of_8(s.range[0]) for s in signals] + ["-1"]),
        (8, [_of_8(s.range[1]) for s in signals] + ["1"]),
        (8, [str(s.digital[0]) for s in signals] + [str(low)]),
        (8, [str(s.digital[1]) for s in signals] + [str(high)]),
        (80, [s.prefilter for s in signals] + [""]),
        (8, [str(s.rate * record_s) for s in signals] + [str(8 * n_text // bits)]),
        (32, [""] * (len(signals) + 1)),
    ]


def _padded(text: str, width: int) -> bytes:
    if len(text) > width or not text.isascii():
        raise ValueError(f"header field {text!r} must be ASCII of at most {width} characters")
    return text.ljust(width).encode("ascii")


def header(
    signals: Sequence[EdfSignal],
    n_text: int,
    *,
    n_records: int,
    kind: str,
    start: datetime | None,
    record_s: Fraction = ONE_S,
) -> bytes:
    """The header of a file.

    Parameters
    ----------
    n_text
        Bytes of annotations in each record.
    kind
        ``"EDF+C"``, ``"EDF+D"``, ``"BDF+C"`` or ``"BDF+D"``.
    record_s
        Length of a record; at every rate it holds whole samples.
    """
    day = start or UNKNOWN_START
    named = f"{day.day:02d}-{MONTHS[day.month - 1]}-{day.year}" if start else "X"
    first = [
        (80, "X X X X"),
        (80, f"Startdate {named} X X X"),
        (8, day.strftime("%d.%m.%y")),
        (8, day.strftime("%H.%M.%S")),
        (8, str(256 * (len(signals) + 2))),
        (44, kind),
        (8, str(n_records)),
        (8, _number(float(record_s))),
        (4, str(len(signals) + 1)),
    ]
    table = [(width, value) for width, values in _fields(signals, n_text, record_s) for value in values]
    version = b"0       " if signals[0].bits == 16 else b"\xffBIOSEMI"
    return version + b"".join(_padded(text, width) for width, text in first + table)


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
        file.write(header(signals, n_text, n_records=len(onsets), kind=kind, start=start))
        for block in blocks:
            rows = [data.reshape(-1, int(s.rate)) for s, data in zip(signals, block, strict=True)]
            words = b"".join(text.ljust(n_text, b"\0") for text in texts[done : done + len(rows[0])])
            rows.append(np.frombuffer(words, dtype="<i2").reshape(-1, n_text // 2))
            np.concatenate(rows, axis=1).astype("<i2", copy=False).tofile(file)
            done += len(rows[0])
    if done != len(onsets):
        part.unlink()
        raise ValueError(f"{path.name}: {done} records came, {len(onsets)} were announced")
    part.replace(path)
