"""Everything received, written as EDF+D (BDF+D for 24 bits) while it comes.

Records are short, so that a gap lies where it was to a fraction of a record, and every record has room for
one mark, so that a mark is in the file as soon as it is made. The header is right after each `flush`: what is
there can be opened at any time, also after the process was killed. Once a second it is forced onto the disk, in a
thread of its own because a disk may take 100 ms, so that a power cut costs a second or two.
"""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.live.rails import RailsSeen
from sleepbrux.recording.edf_writer import Annotation, EdfSignal, header, tal

RECORD_S = (0.02, 0.025, 0.03125, 0.04, 0.05, 0.0625, 0.1, 0.125, 0.2, 0.25, 0.5, 1.0)
TEXT_BYTES = 120
TIME_BYTES = 24
STEP_UV = {16: 0.1, 24: 200_000 / 8_388_607}
LONGEST_LABEL = 16
KIND_AT, N_RECORDS_AT = 192, 236
SYNC_EVERY_S = 1.0


class KeptError(RecordingError):
    """The file cannot be written any further; what was written until then is kept."""


@dataclass(frozen=True)
class Slot:
    """Where a mark stands in the file, so that it can be reworded."""

    record: int
    mark: Annotation


class _Disk:
    """Has the system write a file onto the disk once a second, in a thread: a disk may take 100 ms."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="disk")
        self._pending: Future[None] | None = None
        self._forced_s = time.monotonic()

    def force(self, number: int) -> None:
        """Begin where a second has gone by and the last time is over; what failed then is raised."""
        if self._pending is not None and not self._pending.done():
            return
        self.wait()
        if time.monotonic() - self._forced_s >= SYNC_EVERY_S:
            self._forced_s = time.monotonic()
            self._pending = self._thread.submit(os.fsync, number)

    def wait(self) -> None:
        """Until what was begun is over."""
        if self._pending is not None:
            done, self._pending = self._pending, None
            done.result()

    def end(self) -> None:
        """Begin nothing more."""
        self._thread.shutdown()


def record_s(rate: Fraction) -> Fraction:
    """Shortest length of a record that holds whole samples.

    Raises
    ------
    RecordingError
        Where no length up to 1 s does.

    Examples
    --------
    >>> record_s(Fraction(2000)), record_s(Fraction(1111))
    (Fraction(1, 50), Fraction(1, 1))
    """
    for length in RECORD_S:
        exact = Fraction(str(length))
        if (rate * exact).denominator == 1:
            return exact
    raise RecordingError(
        f"the stream sends {float(rate):g} samples a second, and no whole number of them makes up a second; "
        "set the amplifier to a whole rate"
    )


class Keeper:
    """One file while it is written.

    Parameters
    ----------
    path
        A file that is not there yet.
    signals
        Labels of the channels, and whether a label's digital step is ``uv_per_step``.
    rate
        Samples a second.
    bits
        16: EDF+D; 24: BDF+D.
    start
        Local time of the first sample.
    step_uv
        µV of a digital step; None for the usual one of so many bits.
    find_ends
        Whether the ends of the converter are looked for in the values, because the stream does not say them; once
        found they are in the header, where any reader finds them.

    Attributes
    ----------
    clipped
        Values beyond what the file can hold, by channel; they are stored at its end.
    left_over
        Samples before gaps that filled no record and are not in the file.
    """

    def __init__(
        self,
        path: Path,
        labels: Sequence[str],
        rate: Fraction,
        *,
        bits: int = 24,
        start: datetime | None = None,
        step_uv: float | None = None,
        find_ends: bool = False,
    ) -> None:
        self.path, self.rate, self.bits = path, rate, bits
        self.step_uv = step_uv or STEP_UV[bits]
        self.record_s = record_s(rate)
        self.per_record = int(rate * self.record_s)
        self._signals = [
            EdfSignal(_label(text), rate, step=self.step_uv, bits=bits, transducer="") for text in labels
        ]
        self._bytes = bits // 8
        self.clipped = [0] * len(labels)
        self.left_over = 0
        self.n_records = 0
        self._held = np.zeros((0, len(labels)), dtype=np.int32)
        self._held_at = 0
        self._used: set[int] = set()
        self._waiting: list[tuple[Annotation, int]] = []
        self._slots: dict[int, Slot] = {}
        self._onsets: list[float] = []
        self._number = 0
        self._failed = ""
        self._start, self.find_ends = start, find_ends
        self._seen = RailsSeen(len(labels)) if find_ends else None
        self._disk = _Disk()
        first = self._header()
        try:
            self._file = path.open("xb+")
        except FileExistsError as error:
            raise RecordingError(
                f"{path.name} is there already; a recording replaces no other one"
            ) from error
        except OSError as error:
            raise RecordingError(f"{path} cannot be written: {error.strerror}") from error
        self._header_bytes = len(first)
        self._write(first)
        self.flush()

    def _header(self) -> bytes:
        return header(
            self._signals,
            TEXT_BYTES,
            n_records=self.n_records,
            kind="EDF+D" if self.bits == 16 else "BDF+D",
            start=self._start,
            record_s=self.record_s,
        )

    @property
    def ends_uv(self) -> tuple[float | None, ...]:
        """The end of each channel's range that is nearer to 0, µV, where it was found in the values."""
        return tuple(None if s.ends is None else min(map(abs, s.range)) for s in self._signals)

    @property
    def _record_bytes(self) -> int:
        return len(self._signals) * self.per_record * self._bytes + TEXT_BYTES

    @property
    def kept_s(self) -> float:
        """Second of the clock up to which samples are in the file."""
        return self._onsets[-1] + float(self.record_s) if self._onsets else 0.0

    def push(self, night: int, uv: NDArray[np.floating]) -> None:
        """Write samples, µV, shape (n, n_channels), of which the first is number ``night`` of the clock.

        Raises
        ------
        KeptError
            Disk full, or gone.
        """
        if len(self._held) and night != self._held_at + len(self._held):
            self.left_over += len(self._held)
            self._held = self._held[:0]
        if not len(self._held):
            self._held_at = night
        self._held = np.concatenate((self._held, self._digital(uv)))
        whole = len(self._held) // self.per_record
        if not whole:
            return
        parts = []
        for k in range(whole):
            rows = self._held[k * self.per_record : (k + 1) * self.per_record]
            onset = float((self._held_at + k * self.per_record) / self.rate)
            parts += [self._packed(rows), self._text(onset, None)]
            self._onsets.append(onset)
        self._write(b"".join(parts))
        self.n_records += whole
        self._held = self._held[whole * self.per_record :]
        self._held_at += whole * self.per_record
        self._place_waiting()

    def _digital(self, uv: NDArray[np.floating]) -> NDArray[np.int32]:
        low, high = replace(self._signals[0], ends=None).digital
        steps = np.rint(uv / self.step_uv)
        beyond = (steps < low) | (steps > high)
        if beyond.any():
            self.clipped = [a + int(b) for a, b in zip(self.clipped, beyond.sum(axis=0), strict=True)]
        held = np.asarray(np.clip(steps, low, high), dtype=np.int32)
        if self._seen is not None:
            self._seen.push(held)
        return held

    def _packed(self, rows: NDArray[np.int32]) -> bytes:
        columns = np.ascontiguousarray(rows.T)
        if self.bits == 16:
            return columns.astype("<i2").tobytes()
        return columns.astype("<i4").reshape(-1, 1).view(np.uint8)[:, :3].tobytes()

    def _text(self, onset: float, mark: Annotation | None) -> bytes:
        time = f"+{onset:.6f}".rstrip("0").rstrip(".").encode() + b"\x14\x14\0"
        return (time + (tal(_fitting(mark)) if mark else b"")).ljust(TEXT_BYTES, b"\0")

    def mark(self, mark: Annotation) -> int:
        """Put a mark into the file; gives a number by which it can be reworded."""
        self._number += 1
        self._waiting.append((mark, self._number))
        self._place_waiting()
        return self._number

    def _place_waiting(self) -> None:
        """Put marks into the last records that hold none, so that they lie near their time."""
        while not self._failed and self._waiting and len(self._used) < self.n_records:
            mark, number = self._waiting.pop(0)
            record = next(k for k in range(self.n_records - 1, -1, -1) if k not in self._used)
            self._used.add(record)
            self._slots[number] = Slot(record, mark)
            self._reword(record, mark)

    def reword(self, number: int, text: str) -> None:
        """Give a mark another text: a trial that is dropped stays in the file under another name."""
        for k, (mark, waiting) in enumerate(self._waiting):
            if waiting == number:
                self._waiting[k] = (Annotation(mark.start_s, mark.duration_s, text), number)
                return
        if self._failed:
            return
        slot = self._slots[number]
        mark = Annotation(slot.mark.start_s, slot.mark.duration_s, text)
        self._slots[number] = Slot(slot.record, mark)
        self._reword(slot.record, mark)

    def _reword(self, record: int, mark: Annotation) -> None:
        at = self._header_bytes + (record + 1) * self._record_bytes - TEXT_BYTES
        try:
            self._file.seek(at)
            self._file.write(self._text(self._onsets[record], mark))
            self._file.seek(0, 2)
        except OSError as error:
            raise self._broken(error) from error

    def _write(self, data: bytes) -> None:
        if self._failed:
            raise KeptError(self._failed)
        try:
            self._file.write(data)
        except OSError as error:
            raise self._broken(error) from error

    def flush(self) -> None:
        """Hand everything to the system, with a header that is right; once a second it goes onto the disk.

        Raises
        ------
        KeptError
            Disk full, or gone.
        """
        if self._failed:
            raise KeptError(self._failed)
        try:
            self._file.flush()
            self._renew_header()
            self._file.flush()
            self._disk.force(self._file.fileno())
        except OSError as error:
            raise self._broken(error) from error

    def _renew_header(self) -> None:
        ends = self._seen.found() if self._seen is not None else [s.ends for s in self._signals]
        if ends != [s.ends for s in self._signals]:
            self._signals = [replace(s, ends=e) for s, e in zip(self._signals, ends, strict=True)]
            self._file.seek(0)
            self._file.write(self._header())
        self._file.seek(N_RECORDS_AT)
        self._file.write(str(self.n_records).ljust(8).encode("ascii"))
        self._file.seek(0, 2)

    def _broken(self, error: OSError) -> KeptError:
        """What became of the file: cut to its whole records, closed, never written again."""
        why = (
            "the disk is full" if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT) else error.strerror
        )
        self._disk.end()
        size = self.path.stat().st_size if self.path.exists() else 0
        whole = max((size - self._header_bytes) // self._record_bytes, 0)
        self.n_records = min(whole, self.n_records) if whole else 0
        self._onsets = self._onsets[: self.n_records]
        self._failed = (
            f"{self.path.name}: {why}, so the recording ended at {self.kept_s:.0f} s; what was written until "
            "then is kept: make room, and go on in a new recording"
        )
        with contextlib.suppress(OSError):  # what could not be written is lost, and said to be
            self._file.close()
        # where this fails too, the reader takes the number of records from the file's size
        with contextlib.suppress(OSError), self.path.open("rb+") as file:
            file.truncate(self._header_bytes + self.n_records * self._record_bytes)
            file.seek(N_RECORDS_AT)
            file.write(str(self.n_records).ljust(8).encode("ascii"))
        return KeptError(self._failed)

    def close(self) -> None:
        """End the file; samples that fill no record are left out and counted."""
        if self._failed or self._file.closed:
            return
        self._place_waiting()
        self.left_over += len(self._held)
        self._held = self._held[:0]
        self.flush()
        step = float(self.record_s)
        if all(abs(onset - k * step) < step / 100 for k, onset in enumerate(self._onsets)):
            self._file.seek(KIND_AT)  # without a gap the file is a continuous one
            self._file.write(b"EDF+C" if self.bits == 16 else b"BDF+C")
        try:
            self._file.flush()
            self._disk.wait()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._broken(error) from error
        self._disk.end()
        self._file.close()

    def notes(self) -> list[Note]:
        """What a reader of the file must know of how it was kept."""
        found = []
        for signal, n in zip(self._signals, self.clipped, strict=True):
            if n:
                high = signal.range[1]
                found.append(
                    Note(
                        "beyond-file",
                        "warning",
                        f"{n} values of {signal.label} lie beyond ±{high:.0f} µV, the most that the file holds, "
                        "and stand at its end.",
                    )
                )
        if self.left_over:
            found.append(
                Note(
                    "left-over",
                    "note",
                    f"{self.left_over} samples before gaps and at the end filled no record of "
                    f"{1000 * float(self.record_s):g} ms and are not in the file.",
                )
            )
        return found


def _label(text: str) -> str:
    """A label as an EDF header can hold it."""
    return text.encode("ascii", "replace").decode("ascii")[:LONGEST_LABEL].strip() or "EMG"


def _fitting(mark: Annotation) -> Annotation:
    """The mark with as much of its text as fits into a record."""
    text = mark.text
    while len(tal(Annotation(mark.start_s, mark.duration_s, text))) > TEXT_BYTES - TIME_BYTES:
        text = text[:-1]
    return Annotation(mark.start_s, mark.duration_s, text)
