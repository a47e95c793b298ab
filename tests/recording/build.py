"""Builds small EDF and BDF files byte by byte, so that a test can bend any single field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

FILE_WIDTHS = {
    "version": 8,
    "patient": 80,
    "recording": 80,
    "start date": 8,
    "start time": 8,
    "header bytes": 8,
    "reserved": 44,
    "number of records": 8,
    "record duration": 8,
    "number of signals": 4,
}
SIGNAL_WIDTHS = {
    "label": 16,
    "transducer": 80,
    "dimension": 8,
    "physical minimum": 8,
    "physical maximum": 8,
    "digital minimum": 8,
    "digital maximum": 8,
    "prefilter": 80,
    "samples per record": 8,
    "reserved": 32,
}


def _cell(value: object, width: int) -> bytes:
    raw = value if isinstance(value, bytes) else str(value).encode("ascii")
    assert len(raw) <= width
    return raw.ljust(width)


def tal(onset: str, *texts: str | bytes, duration: str = "") -> bytes:
    """One annotation list; an empty first text makes it the record's time."""
    parts = [text if isinstance(text, bytes) else text.encode("utf-8") for text in texts]
    head = onset.encode() + (b"\x15" + duration.encode() if duration else b"")
    return head + b"\x14" + b"".join(part + b"\x14" for part in parts) + b"\0"


@dataclass(frozen=True)
class Signal:
    """A signal: header cells that differ from the default, and digital samples by record."""

    digital: Sequence[Sequence[int]] = ()
    cells: dict[str, object] = field(default_factory=dict)
    annotations: Sequence[bytes] = ()
    annotation_bytes: int = 60

    def record(self, number: int, sample_bytes: int) -> bytes:
        if self.annotations:
            raw = self.annotations[number] if number < len(self.annotations) else b""
            return raw.ljust(self.annotation_bytes, b"\0")
        values = np.asarray(self.digital[number], dtype="<i4").view(np.uint8).reshape(-1, 4)
        return values[:, :sample_bytes].tobytes()

    def cell(self, name: str, sample_bytes: int) -> object:
        rail = 2 ** (8 * sample_bytes - 1)
        low, high = (-3276.8, 3276.7) if sample_bytes == 2 else (-838861, 838860)
        n = (
            self.annotation_bytes // sample_bytes
            if self.annotations
            else (len(self.digital[0]) if len(self.digital) else 0)
        )
        label = ("EDF" if sample_bytes == 2 else "BDF") + " Annotations"
        default = {
            "label": label if self.annotations else "EMG Mass L",
            "dimension": "" if self.annotations else "uV",
            "physical minimum": -1 if self.annotations else low,
            "physical maximum": 1 if self.annotations else high,
            "digital minimum": -rail,
            "digital maximum": rail - 1,
            "samples per record": n,
        }
        return self.cells.get(name, default.get(name, ""))


@dataclass(frozen=True)
class File:
    """A whole file; ``cells`` bends file fields, ``tail`` follows the last record."""

    signals: Sequence[Signal]
    n_records: int
    cells: dict[str, object] = field(default_factory=dict)
    sample_bytes: int = 2
    tail: bytes = b""

    def header(self) -> bytes:
        default: dict[str, object] = {
            "version": "0" if self.sample_bytes == 2 else b"\xffBIOSEMI",
            "patient": "X X X X",
            "recording": "Startdate 02-MAR-2026 X X X",
            "start date": "02.03.26",
            "start time": "22.30.00",
            "header bytes": 256 * (len(self.signals) + 1),
            "number of records": self.n_records,
            "record duration": 1,
            "number of signals": len(self.signals),
        }
        parts = [
            _cell(self.cells.get(name, default.get(name, "")), width) for name, width in FILE_WIDTHS.items()
        ]
        for name, width in SIGNAL_WIDTHS.items():
            parts += [_cell(s.cell(name, self.sample_bytes), width) for s in self.signals]
        return b"".join(parts)

    def to_bytes(self) -> bytes:
        records = [
            signal.record(number, self.sample_bytes)
            for number in range(self.n_records)
            for signal in self.signals
        ]
        return self.header() + b"".join(records) + self.tail

    def write(self, path: Path) -> Path:
        path.write_bytes(self.to_bytes())
        return path

    def bent(self, **changes: object) -> File:
        return replace(self, **changes)  # type: ignore[arg-type]


def sine(n_records: int, per_record: int, *, amplitude: int = 1000) -> list[list[int]]:
    """Digital sine, 10 Hz at records of 1 s, by record."""
    t = np.arange(n_records * per_record) / per_record
    wave = np.rint(amplitude * np.sin(2 * np.pi * 10 * t)).astype(int)
    return wave.reshape(n_records, per_record).tolist()


def emg(n_records: int = 10, per_record: int = 200, **cells: object) -> Signal:
    """A masseter channel with a sine of about 100 µV; cells by name with ``_`` for blanks."""
    return Signal(sine(n_records, per_record), {name.replace("_", " "): v for name, v in cells.items()})


def times(onsets: Sequence[str], *extra: tuple[int, bytes], annotation_bytes: int = 60) -> Signal:
    """An annotation channel: the time of each record, with further lists in some records."""
    lists = [tal(onset, "") for onset in onsets]
    for record, raw in extra:
        lists[record] += raw
    return Signal(annotations=lists, annotation_bytes=annotation_bytes)


def edf(*signals: Signal, n_records: int = 10, sample_bytes: int = 2, **cells: object) -> File:
    """A plain file; cells by name with ``_`` for blanks."""
    named = {name.replace("_", " "): value for name, value in cells.items()}
    return File(signals or (emg(n_records),), n_records, named, sample_bytes)


def edf_plus(*signals: Signal, n_records: int = 10, **cells: object) -> File:
    """An EDF+C file with the given signals and, if none has annotations, record times 0, 1, 2 …"""
    if not any(signal.annotations for signal in signals):
        signals = (*(signals or (emg(n_records),)), times([f"+{i}" for i in range(n_records)]))
    return edf(*signals, n_records=n_records, **{"reserved": "EDF+C", **cells})
