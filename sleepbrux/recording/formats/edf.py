"""EDF, EDF+C, EDF+D, BDF and BDF+ files as recordings, read lazily and in blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from io import FileIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import visible
from sleepbrux.recording.files import file_digest, opened, unreadable
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_annotations import Annotations, night_marks, read_annotations
from sleepbrux.recording.formats.edf_channels import edf_channels
from sleepbrux.recording.formats.edf_clock import RecordClock, record_clock
from sleepbrux.recording.formats.edf_header import (
    LONGEST_RECORD_S,
    SHORTEST_RECORD_S,
    Header,
    read_header,
)
from sleepbrux.recording.formats.edf_start import read_start
from sleepbrux.recording.model import Block, Channel, Mark, Recording

# A record larger than this is read channel by channel, so that no request reads far too much.
_LARGE_RECORD_BYTES = 1 << 20


def widen(raw: NDArray[np.uint8]) -> NDArray[np.int32]:
    """24-bit little-endian integers as int32 of shape (n,), from uint8 of shape (1 + 3 n,).

    The first byte stands before them, whatever it is, so that each is the upper part of a word of 32 bits.
    """
    values = np.empty((len(raw) - 1) // 3, dtype=np.int32)
    values[:] = np.ndarray(values.shape, dtype="<i4", buffer=raw, strides=(3,))
    values >>= 8
    return values


@dataclass(frozen=True)
class EdfSource:
    """Samples of one EDF or BDF file.

    It keeps no open file: every request opens its own, so that threads and processes share
    nothing, and nothing stays locked.
    """

    path: Path
    size: int
    data_offset: int
    record_bytes: int
    sample_bytes: int
    layout: tuple[tuple[int, int], ...]
    """(first sample, samples) of each signal within a record."""

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold stored samples ``[first, stop)`` of each channel (all of one rate)."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        if not channels:
            return []
        with opened(self.path) as handle:
            if self.record_bytes > _LARGE_RECORD_BYTES:
                return [self._lone_block(handle, c, first, stop) for c in channels]
            return self._shared_blocks(handle, channels, first, stop)

    def digest(self) -> str:
        """SHA-256 of the file's bytes, 64 hexadecimal digits."""
        return file_digest(self.path)

    def _read(self, handle: FileIO, offset: int, n_bytes: int) -> NDArray[Any]:
        """Samples in ``n_bytes`` bytes of the file from ``offset``: int16 or int32."""
        before = 1 if self.sample_bytes == 3 else 0
        raw = np.empty(before + n_bytes, dtype=np.uint8)
        view = memoryview(raw)[before:]  # type: ignore[arg-type]
        done = 0
        try:
            handle.seek(offset)
            while done < n_bytes:
                n = handle.readinto(view[done:])
                if not n:
                    break
                done += n
        except OSError as error:
            raise unreadable(self.path, error) from error
        if done < n_bytes:
            raise RecordingError(
                f"{self.path.name}: the file has become shorter than its {self.size} bytes"
                " since it was opened; open it again."
            )
        if self.sample_bytes == 3:
            return widen(raw)
        return raw.view("<i2").astype(np.int16, copy=False)

    def _shared_blocks(
        self, handle: FileIO, channels: Sequence[Channel], first: int, stop: int
    ) -> list[Block]:
        per_record = self.layout[channels[0].index][1]
        if any(self.layout[c.index][1] != per_record for c in channels):
            raise ValueError("channels of one request must have one rate")
        record, last = first // per_record, -(-stop // per_record)
        n_bytes = max(last - record, 0) * self.record_bytes
        data = self._read(handle, self.data_offset + record * self.record_bytes, n_bytes)
        length = self.record_bytes // self.sample_bytes
        return [
            Block(data, record * per_record, length, per_record, self.layout[c.index][0]) for c in channels
        ]

    def _lone_block(self, handle: FileIO, channel: Channel, first: int, stop: int) -> Block:
        offset, per_record = self.layout[channel.index]
        parts = []
        at = first
        while at < stop:
            record, inside = divmod(at, per_record)
            n = min(stop - at, per_record - inside)
            start = self.data_offset + record * self.record_bytes
            start += (offset + inside) * self.sample_bytes
            parts.append(self._read(handle, start, n * self.sample_bytes))
            at += n
        data = np.concatenate(parts) if parts else np.empty(0, dtype=np.int16)
        return Block(data, first, max(len(data), 1), max(len(data), 1), 0)


def _exact(seconds: float | str | Fraction | None, found: Findings) -> Fraction | None:
    if seconds is None:
        return None
    try:
        exact = Fraction(str(seconds)) if isinstance(seconds, float) else Fraction(seconds)
    except (ValueError, ZeroDivisionError):
        exact = Fraction(0)
    if not SHORTEST_RECORD_S <= exact <= LONGEST_RECORD_S:
        raise found.refusal(
            f"`record_duration_s` is {seconds}, where {float(SHORTEST_RECORD_S):f} to {LONGEST_RECORD_S:,} s"
            " are allowed."
        )
    return exact


def _note_name(path: Path, header: Header, found: Findings) -> None:
    suffix = path.suffix.lower()
    if suffix in {".edf", ".bdf"} and suffix != f".{header.kind.lower()}":
        found.warn(
            "name-differs",
            f"The file is named {suffix} and holds {header.kind} data; read as {header.kind}.",
        )


def _without_garbage(header: Header, annotations: Annotations, found: Findings) -> Header:
    """Leave out records beyond the stated count that are no records, as their times show."""
    stated, n = header.n_records_stated, header.n_records
    timed = ~np.isnan(annotations.onsets)
    if stated is None or not 0 < stated < n or not timed[:stated].all() or timed[stated:].any():
        return header
    found.warn(
        "trailing-records",
        f"The {n - stated} records' length after the {stated} stated records hold no record time"
        " and are left out.",
    )
    annotations.onsets = annotations.onsets[:stated]
    return replace(header, n_records=stated)


def _source(path: Path, size: int, header: Header) -> EdfSource:
    layout = tuple((s.first_sample, s.samples_per_record) for s in header.signals)
    return EdfSource(path, size, header.data_offset, header.record_bytes, header.sample_bytes, layout)


def _without_signals(
    path: Path, size: int, header: Header, annotations: Annotations, found: Findings
) -> Recording:
    """Recording of a file that holds annotations only: marks, no channel, no length."""
    timed = header.n_records and not np.isnan(annotations.onsets[0])
    origin = annotations.onset(0) if timed else Fraction(0)
    marks = night_marks(annotations, origin, float("inf"), found)
    return _recording(
        _source(path, size, header),
        header,
        found,
        origin=origin,
        duration_s=0.0,
        channels=(),
        marks=marks,
        gaps=(),
    )


def _recording(
    source: EdfSource,
    header: Header,
    found: Findings,
    *,
    origin: Fraction,
    duration_s: float,
    channels: tuple[Channel, ...],
    marks: tuple[Mark, ...],
    gaps: tuple[tuple[float, float], ...],
) -> Recording:
    start = read_start(header.fields, origin, found)
    return Recording(
        name=visible(source.path.stem),
        format=header.format,
        start=start.moment,
        start_time_known=start.clock is not None,
        duration_s=duration_s,
        channels=channels,
        marks=marks,
        gaps=gaps,
        notes=found.notes,
        source=source,
        start_clock=start.clock,
    )


def open_edf(
    path: str | Path,
    *,
    unit: str | Mapping[str, str] | None = None,
    record_duration: float | str | Fraction | None = None,
    marks_only: bool = False,
) -> Recording:
    """Open an EDF, EDF+, BDF or BDF+ file; samples are read when asked for.

    Parameters
    ----------
    path
        The file; its content decides what it is, not its name.
    unit
        Unit of the values where the header's is wrong or missing: ``"uV"``, ``"mV"``, ``"nV"`` or
        ``"V"``, for every electrical channel or by label.
    record_duration
        Seconds of a data record where the header's is wrong or 0.
    marks_only
        Accept a file that holds annotations and no signal, such as a file of sleep stages.

    Raises
    ------
    RecordingError
        Where the file cannot be read rightly; the message says what to do.

    Notes
    -----
    Time runs on the night clock, from the first sample. Runs of records are laid on it as
    `edf_clock` says. The sub-second start of EDF+ goes into ``start``.
    """
    path = Path(path)
    found = Findings(path)
    try:
        with path.open("rb", buffering=0) as handle:
            size = handle.seek(0, 2)
            header = read_header(
                handle,
                size,
                record_duration=_exact(record_duration, found),
                found=found,
            )
            annotations = read_annotations(handle, header, found)
    except OSError as error:
        raise unreadable(path, error) from error
    _note_name(path, header, found)
    if all(s.is_annotations or not s.samples_per_record for s in header.signals):
        if not marks_only:
            raise found.refusal(
                "the file holds annotations and no signal; is this the scoring file?"
                " Give the recording itself."
            )
        return _without_signals(path, size, header, annotations, found)
    header = _without_garbage(header, annotations, found)
    if header.plus and not any(s.is_annotations for s in header.signals):
        found.note("no-annotations", f"The file is marked {header.format} and has no annotations.")
    clock: RecordClock = record_clock(header, annotations, found)
    channels = edf_channels(header, clock, unit=unit, found=found)
    duration_s = float(clock.duration)
    marks = night_marks(annotations, clock.origin, duration_s, found)
    return _recording(
        _source(path, size, header),
        header,
        found,
        origin=clock.origin,
        duration_s=duration_s,
        channels=channels,
        marks=marks,
        gaps=clock.gaps(),
    )
