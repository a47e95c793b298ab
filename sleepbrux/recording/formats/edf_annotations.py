"""Annotation lists (TALs) inside the records of EDF+ and BDF+: record times and marks.

A list is ``+onset[\\x15duration]\\x14text\\x14text\\x14\\x00``; the first list of a record has an
empty first text and gives the record's own time (EDF+ 2.2.2 and 2.2.4).
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from fractions import Fraction
from io import FileIO

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.texts import printable
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_header import Header, Signal
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY
from sleepbrux.recording.model import Mark

LONGEST_NIGHT_S = 31 * 86_400
# One line a record: its time where it holds nothing else, else nothing.
_TIME_KEEPING = re.compile(rb"^(?:([+-]\d{1,15}(?:\.\d{0,15})?)\x14\x14\0*|.*)$", re.MULTILINE)
_TAL = re.compile(
    rb"([+-]\d{1,15}(?:\.\d{0,15})?)(?:\x15(\d{1,15}(?:\.\d{0,15})?))?\x14((?:[^\x14]*\x14)*)",
    re.DOTALL,
)
# Records above this size are not read whole for their few annotation bytes.
_SPARSE_BYTES = 4096
_BATCH_BYTES = 1 << 21
# Characters of a whole second that a float holds exactly.
_LONGEST_WHOLE = 15


@dataclass(frozen=True)
class RawMark:
    """A text with onset and duration in seconds, exact, counted from the header's start time."""

    onset: Fraction
    duration: Fraction
    text: str


@dataclass
class Annotations:
    """What the annotation channels of a file hold.

    Attributes
    ----------
    onsets
        float64, shape (n_records,): time of each record in seconds, NaN where it gives none.
    exact_onsets
        Text of a time, by record, for exact arithmetic; of plain whole seconds there is none.
    marks
        In file order.
    bad, latin
        How many lists could not be read, and how many were not UTF-8.
    """

    onsets: NDArray[np.float64]
    exact_onsets: dict[int, bytes] = field(default_factory=dict)
    marks: list[RawMark] = field(default_factory=list)
    bad: int = 0
    latin: int = 0

    def onset(self, record: int) -> Fraction:
        """Exact time of a record that gives one."""
        text = self.exact_onsets.get(record)
        return Fraction(text.decode("ascii") if text else float(self.onsets[record]))


def _spans(channels: list[Signal], sample_bytes: int) -> list[tuple[int, int]]:
    """Byte ranges of the channels within a record, neighbours joined."""
    spans: list[tuple[int, int]] = []
    for channel in channels:
        start = channel.first_sample * sample_bytes
        stop = start + channel.samples_per_record * sample_bytes
        if spans and spans[-1][1] == start:
            start = spans.pop()[0]
        spans.append((start, stop))
    return spans


def _sparse(handle: FileIO, header: Header, span: tuple[int, int]) -> list[bytes]:
    start, width, step = header.data_offset + span[0], span[1] - span[0], header.record_bytes
    end = start + header.n_records * step
    if hasattr(os, "pread"):  # one call to the system where seek and read are two
        read, number = os.pread, handle.fileno()
        return [read(number, width, at) for at in range(start, end, step)]
    raws = []
    for at in range(start, end, step):
        handle.seek(at)
        raws.append(handle.read(width))
    return raws


def _dense(handle: FileIO, header: Header, span: tuple[int, int]) -> list[bytes]:
    size, (start, stop) = header.record_bytes, span
    raws = []
    batch = max(1, _BATCH_BYTES // size)
    for first in range(0, header.n_records, batch):
        n = min(batch, header.n_records - first)
        handle.seek(header.data_offset + first * size)
        block = handle.read(n * size)
        raws += [block[at + start : at + stop] for at in range(0, n * size, size)]
    return raws


def _record_bytes(handle: FileIO, header: Header, span: tuple[int, int]) -> list[bytes]:
    """Annotation bytes of each record, by whichever way touches less."""
    few = header.record_bytes - (span[1] - span[0]) >= _SPARSE_BYTES
    return (_sparse if few else _dense)(handle, header, span)


def _text(raw: bytes, result: Annotations) -> str:
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        result.latin += 1
        text = raw.decode("latin-1")
    return printable(text)


def _read_list(tal: bytes, record: int, result: Annotations) -> None:
    """Read one list; ``record`` is -1 where it cannot be the first of a record."""
    parts = _TAL.fullmatch(tal)
    if parts is None:
        result.bad += 1
        return
    texts = parts[3].split(b"\x14")[:-1]
    if record >= 0 and texts and not texts[0]:
        result.exact_onsets[record] = parts[1]
    marks = [_text(text, result) for text in texts if text]
    if marks:
        onset, duration = Fraction(parts[1].decode()), Fraction((parts[2] or b"0").decode())
        result.marks += [RawMark(onset, duration, text) for text in marks]


def _whole_seconds(raws: list[bytes], width: int) -> NDArray[np.float64]:
    """Times of the records that hold nothing but a whole second, as most do; NaN for the others."""
    seconds = np.full(len(raws), np.nan)
    joined = b"".join(raws)
    if len(joined) != len(raws) * width:
        return seconds
    table = np.frombuffer(joined, dtype=np.uint8).reshape(len(raws), width)
    n_signs = (table == ord("\x14")).argmax(axis=1)
    for n in np.flatnonzero(np.bincount(n_signs)).tolist():
        if not 2 <= n <= _LONGEST_WHOLE:  # a sign and digits
            continue
        rows = np.flatnonzero(n_signs == n)
        some = table[rows]
        digits = some[:, 1:n] - np.uint8(ord("0"))
        plain = (some[:, 0] == ord("+")) & (digits < 10).all(axis=1)
        plain &= (some[:, n + 1 : n + 2] == ord("\x14")).any(axis=1) & ~some[:, n + 2 :].any(axis=1)
        seconds[rows] = np.where(plain, digits.astype(float) @ 10.0 ** np.arange(n - 2, -1, -1), np.nan)
    return seconds


def _read_span(
    handle: FileIO,
    header: Header,
    span: tuple[int, int],
    result: Annotations,
    found: Findings,
    *,
    times: bool,
) -> None:
    raws = _record_bytes(handle, header, span)
    left = list(range(len(raws)))
    if times:
        result.onsets = _whole_seconds(raws, span[1] - span[0])
        left = np.flatnonzero(np.isnan(result.onsets)).tolist()
        # all at once where no text can hold what parts them
        stamps = _TIME_KEEPING.findall(b"\n".join([raws[record] for record in left]))
        if len(stamps) == len(left):
            result.exact_onsets = {k: text for k, text in zip(left, stamps, strict=True) if text}
            left = [record for record in left if record not in result.exact_onsets]
    for record in left:
        first = times
        for tal in raws[record].split(b"\0"):
            if tal:
                if len(result.marks) > MOST_MARKS:
                    raise found.refusal(f"{TOO_MANY}.")
                _read_list(tal, record if first else -1, result)
                first = False


def read_annotations(handle: FileIO, header: Header, found: Findings) -> Annotations:
    """Read every annotation list of a file, touching few of its other bytes.

    Parameters
    ----------
    handle
        The file, open for reading bytes, best unbuffered.
    header
        Its header.

    Raises
    ------
    RecordingError
        There are more than `MOST_MARKS` marks.
    """
    result = Annotations(np.full(header.n_records, np.nan))
    channels = [s for s in header.signals if s.is_annotations and s.samples_per_record]
    for rank, span in enumerate(_spans(channels, header.sample_bytes)):
        _read_span(handle, header, span, result, found, times=rank == 0)
    if len(result.marks) > MOST_MARKS:
        raise found.refusal(f"{TOO_MANY}.")
    for record, text in result.exact_onsets.items():
        result.onsets[record] = float(text)
    return result


def night_marks(
    annotations: Annotations, origin: Fraction, duration_s: float, found: Findings
) -> tuple[Mark, ...]:
    """Marks on the night clock, sorted by time, with notes on what was odd about them.

    Parameters
    ----------
    annotations
        As read.
    origin
        Time of the first sample, in seconds from the header's time.
    duration_s
        Length of the night clock.
    """
    marks = []
    for raw in annotations.marks:
        text, _, channel = raw.text.partition("@@")
        marks.append(Mark(float(raw.onset - origin), float(raw.duration), text.strip(), channel.strip()))
    outside = sum(not 0 <= mark.start_s <= duration_s for mark in marks)
    if outside:
        found.note("marks-outside", f"{outside} marks lie before the first or after the last sample.")
    if annotations.bad:
        found.warn("marks-unreadable", f"{annotations.bad} annotation lists could not be read.")
    if annotations.latin:
        found.warn(
            "marks-not-utf8",
            f"{annotations.latin} annotation texts are not UTF-8; read as Latin-1.",
        )
    return tuple(sorted(marks, key=lambda mark: mark.start_s))
