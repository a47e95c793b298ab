"""WAV files as recordings: PCM of 8 to 32 bit, float, RIFF, RF64 and BW64, read in blocks.

References: Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (RIFF);
EBU Tech 3306, "RF64: an extended file format for audio", 2009; EBU Tech 3285 (bext chunk).
Integers count as fractions of full scale: a stored value of full scale is 1.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from io import FileIO
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import printable, visible
from sleepbrux.recording.files import file_digest, opened
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf import widen
from sleepbrux.recording.formats.edf_start import known_start, stands_in
from sleepbrux.recording.labels import MOST_CHANNELS, recognise
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY
from sleepbrux.recording.memory import FASTEST_HZ, exact_rate
from sleepbrux.recording.model import Block, Channel, Mark, Piece, Recording
from sleepbrux.recording.presence import faulty, present_in
from sleepbrux.recording.scale import Scale, Unit, sized

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
MOST_CHUNKS = 10_000
MOST_MARK_BYTES = 1 << 22
_STEP_SAMPLES = 1 << 20
_UNKNOWN_SIZE = 0xFFFFFFFF
_SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_DTYPES = {
    (PCM, 1): "u1",
    (PCM, 2): "<i2",
    (PCM, 3): "i3",
    (PCM, 4): "<i4",
    (FLOAT, 4): "<f4",
    (FLOAT, 8): "<f8",
}


class Form(NamedTuple):
    """Format chunk: what a sample is."""

    coding: int
    n_channels: int
    rate: int
    sample_bytes: int
    valid_bits: int


@dataclass(frozen=True)
class WavSource:
    """Samples of one WAV file; every request opens it anew."""

    path: Path
    offset: int
    n_channels: int
    dtype: str

    @property
    def _sample_bytes(self) -> int:
        return 3 if self.dtype == "i3" else np.dtype(self.dtype).itemsize

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold samples ``[first, stop)`` of each channel, all in one read."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        frame = self._sample_bytes * self.n_channels
        with opened(self.path) as handle:
            handle.seek(self.offset + first * frame)
            before = 1 if self.dtype == "i3" else 0
            raw = np.empty(before + (stop - first) * frame, dtype=np.uint8)
            view, done = memoryview(raw)[before:], 0  # type: ignore[arg-type]
            while done < len(view):
                n = handle.readinto(view[done:])
                if not n:
                    raise RecordingError(
                        f"{self.path.name}: the file has become shorter since it was opened; open it again."
                    )
                done += n
        data = self._numbers(raw)
        return [Block(data, first, self.n_channels, 1, c.index) for c in channels]

    def _numbers(self, raw: NDArray[np.uint8]) -> NDArray[Any]:
        if self.dtype == "i3":
            return widen(raw)
        if self.dtype == "u1":
            return raw.astype(np.int16) - np.int16(128)
        values = raw.view(self.dtype)
        return values.astype(values.dtype.newbyteorder("="), copy=False)

    def digest(self) -> str:
        """SHA-256 of the file's bytes, 64 hexadecimal digits."""
        return file_digest(self.path)


class Chunk(NamedTuple):
    """A chunk: its four letters, where its content begins, and how long it says it is."""

    name: bytes
    start: int
    size: int


def _chunks(handle: FileIO, size: int) -> Iterator[Chunk]:
    at = 12
    long_data = 0
    for _ in range(MOST_CHUNKS):
        if at + 8 > size:
            return
        handle.seek(at)
        name, length = struct.unpack("<4sI", handle.read(8))
        if name == b"ds64" and length >= 24 and at + 32 <= size:
            long_data = struct.unpack("<QQQ", handle.read(24))[1]
        if name == b"data" and length == _UNKNOWN_SIZE and long_data:
            length = long_data
        yield Chunk(name, at + 8, length)
        at += 8 + length + length % 2


def _form(raw: bytes, found: Findings) -> Form:
    if len(raw) < 16:
        raise found.refusal("the format chunk is cut off; copy the file again from the recorder.")
    coding, n, rate, _, _, bits = struct.unpack("<HHIIHH", raw[:16])
    valid = bits
    if coding == EXTENSIBLE and len(raw) >= 40:
        valid, _, coding = struct.unpack("<HIH", raw[18:26])
        if raw[26:40] != _SUBFORMAT_TAIL:
            raise found.refusal("the samples are of a kind of its own maker's; export it as PCM.")
    if not 0 < n <= MOST_CHANNELS or not 0 < rate <= FASTEST_HZ:
        raise found.refusal(
            f"the format chunk states {n} channels and {rate} samples a second, where 1 to"
            f" {MOST_CHANNELS} and 1 to {FASTEST_HZ} are possible; the header is damaged."
        )
    width = -(-bits // 8)
    if (coding, width) not in _DTYPES:
        kinds = "PCM of 8, 16, 24 or 32 bit and float of 32 or 64 bit"
        raise found.refusal(
            f"the samples are coded as {coding:#x} with {bits} bit, where {kinds} are read; export it as PCM."
        )
    return Form(coding, n, rate, width, valid if 0 < valid <= bits else bits)


def _length(data: Chunk, size: int, frame: int, found: Findings) -> int:
    """Samples a channel: by the data chunk's size where that can be, else by the file's."""
    there = size - data.start
    stated = data.size
    if stated in (0, _UNKNOWN_SIZE) or stated > there:
        n = there // frame
        found.warn(
            "size-differs",
            f"The data chunk says {stated} bytes, {there} follow; {n} samples a channel follow from the"
            " file's size.",
        )
        return n
    if stated % frame:
        found.warn("record-cut", f"The last {stated % frame} bytes are no whole sample; left out.")
    return stated // frame


_CUE = struct.Struct("<II4sIII")


def _cues(raw: bytes) -> dict[int, int]:
    """Number of each cue point to its sample."""
    if len(raw) < 4:
        return {}
    n = min(struct.unpack("<I", raw[:4])[0], (len(raw) - 4) // _CUE.size)
    points = (_CUE.unpack_from(raw, 4 + k * _CUE.size) for k in range(n))
    return {number: sample for number, _, _, _, _, sample in points}


def _marks(extras: Mapping[bytes, bytes], rate: Fraction, found: Findings) -> list[Mark]:
    texts = _texts(extras.get(b"LIST", b""))
    cues = _cues(extras.get(b"cue ", b""))
    if len(cues) > MOST_MARKS:
        raise found.refusal(f"{TOO_MANY}.")
    return [
        Mark(float(sample / rate), 0.0, texts.get(number, f"cue {number}")) for number, sample in cues.items()
    ]


def _texts(raw: bytes) -> dict[int, str]:
    """Number of each cue point to its text, from an ``adtl`` list."""
    texts: dict[int, str] = {}
    at = 4
    while raw[:4] == b"adtl" and at + 12 <= len(raw):
        name, length, number = struct.unpack_from("<4sII", raw, at)
        if name in (b"labl", b"note") and length >= 4:
            body = raw[at + 12 : at + 8 + length].split(b"\0")[0]
            try:
                text = body.decode("utf-8")
            except UnicodeDecodeError:
                text = body.decode("latin-1")
            texts.setdefault(number, printable(text))
        at += 8 + length + length % 2
    return texts


def _began(raw: bytes) -> datetime | None:
    """Local date and time of a ``bext`` chunk."""
    text = raw[320:338].decode("latin-1")
    numbers = re.fullmatch(r"(\d{4})\D(\d\d)\D(\d\d)(\d\d)\D(\d\d)\D(\d\d)", text)
    try:
        if numbers is None:
            return None
        year, month, day, hour, minute, second = map(int, numbers.groups())
        began = datetime(year, month, day, hour, minute, second)
        return began if began.year >= 1990 or stands_in(began.date()) else None
    except ValueError:
        return None


def rate_of(path: Path) -> int | None:
    """Samples a second that the format chunk states; None where there is none."""
    with opened(path) as handle:
        for chunk in _chunks(handle, path.stat().st_size):
            if chunk.name == b"fmt " and chunk.size >= 16:
                handle.seek(chunk.start)
                raw = handle.read(16)
                return struct.unpack("<HHI", raw[:8])[2] if len(raw) == 16 else None
    return None


def open_wav(
    path: str | Path,
    *,
    rate: float | str | Fraction | None = None,
    unit: Unit = None,
    scale: Scale = None,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Open a WAV file; samples are read when asked for.

    Parameters
    ----------
    path
        RIFF, RF64 or BW64 with PCM or float samples, any number of channels.
    rate
        Samples a second where the header's is wrong.
    unit, scale
        Unit of a value of 1 (full scale), or µV that it stands for. Without either no value is in
        µV, and only criteria relative to background can be applied.
    progress
        Called with the share read, 0 to 1, where samples are floating-point numbers: these are read to
        find what is missing.

    Raises
    ------
    RecordingError
        Where the file cannot be read rightly.
    """
    path = Path(path)
    found = Findings(path)
    form, data, extras = None, None, {}
    with opened(path) as handle:
        size = handle.seek(0, 2)
        for chunk in _chunks(handle, size):
            length = min(chunk.size, size - chunk.start)
            if chunk.name == b"fmt " and form is None:
                handle.seek(chunk.start)
                form = _form(handle.read(min(length, 64)), found)
            elif chunk.name == b"data" and data is None:
                data = chunk
            elif chunk.name in (b"cue ", b"LIST", b"bext") and length <= MOST_MARK_BYTES:
                handle.seek(chunk.start)
                body = handle.read(length)
                if chunk.name != b"LIST" or body[:4] == b"adtl":
                    extras[chunk.name] = body
    if form is None or data is None:
        what = "format" if form is None else "data"
        raise found.refusal(f"the WAV file has no {what} chunk; copy the file again from the recorder.")
    n = _length(data, size, form.sample_bytes * form.n_channels, found)
    if n == 0:
        raise found.refusal("the file holds no sample; copy it again from the recorder.")
    exact = Fraction(form.rate) if rate is None else exact_rate(rate)
    start = known_start(_began(extras.get(b"bext", b"")), found)
    marks = _marks(extras, exact, found)
    source = WavSource(path, data.start, form.n_channels, _DTYPES[form.coding, form.sample_bytes])
    channels = _channels(form, n, exact, unit, scale, found)
    if form.coding == FLOAT:
        channels = _without_missing(source, channels, n, found, progress)
    return Recording(
        name=visible(path.stem),
        format="WAV",
        start=start.moment,
        start_time_known=start.clock is not None,
        duration_s=float(n / exact),
        channels=channels,
        marks=tuple(sorted(marks, key=lambda mark: mark.start_s)),
        gaps=(),
        notes=found.notes,
        source=source,
        start_clock=start.clock,
    )


def _without_missing(
    source: WavSource,
    channels: tuple[Channel, ...],
    n: int,
    found: Findings,
    progress: Callable[[float], None] | None,
) -> tuple[Channel, ...]:
    """Channels whose samples that are no numbers lie in gaps; reads the file once."""

    def parts() -> Iterator[NDArray[Any]]:
        for first in range(0, n, _STEP_SAMPLES):
            (block,) = source.blocks(channels[:1], first, min(first + _STEP_SAMPLES, n))
            yield block.data.reshape(-1, source.n_channels)
            if progress is not None:
                progress(min(first + _STEP_SAMPLES, n) / n)

    present = present_in(parts(), len(channels))
    missing = sum(n - each.n for each in present)
    if missing:
        found.warn("samples-missing", f"{missing} samples are no numbers and taken as missing.")
    return tuple(
        replace(channel, pieces=each.pieces(), fault=faulty(channel.label, each))
        for channel, each in zip(channels, present, strict=True)
    )


def _channels(
    form: Form, n: int, rate: Fraction, unit: Unit, scale: Scale, found: Findings
) -> tuple[Channel, ...]:
    labels = [f"ch{k + 1}" for k in range(form.n_channels)]
    sizes = sized({label: recognise(label)[0] for label in labels}, {}, unit=unit, scale=scale, found=found)
    full = 2 ** (8 * form.sample_bytes - 1)
    step = 2 ** (8 * form.sample_bytes - form.valid_bits)
    rails = (-full, full - step) if form.coding == PCM else (0, 0)
    known = [label for label in labels if sizes[label].unit == "uV"]
    if len(known) < len(labels):
        found.warn(
            "unit-blank",
            "A WAV file states no µV: without `scale` (µV at full scale) or `unit` only criteria relative"
            " to background can be applied.",
        )
    found.note(
        "labels-none",
        "A WAV file names no channels; say what they are with `roles` (ch1=...), or `channels`.",
    )
    return tuple(
        Channel(
            index=k,
            label=label,
            role="other",
            side="",
            muscle="",
            unit=sizes[label].unit,
            rate=rate,
            gain=sizes[label].gain / (full if form.coding == PCM else 1),
            offset=0.0,
            digital_min=rails[0],
            digital_max=rails[1],
            n_stored=n,
            pieces=(Piece(0, 0, n),),
        )
        for k, label in enumerate(labels)
    )
