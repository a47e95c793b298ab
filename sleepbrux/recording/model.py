"""What a recording is, whatever file it came from.

The night clock counts seconds from the first sample of the file, gaps counted. Each channel has its
own sample grid on that clock. Stored samples are numbered without the gaps; a `Piece` says where a
run of them lies on the clock::

    stored    0 1 2 3 4 5 6 7 8 9
    pieces    |---------|         Piece(night=0, stored=0, n=5)
              gap of 3 samples    Piece(night=8, stored=5, n=5)
    night     0 1 2 3 4 . . . 8 9 10 11 12
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from fractions import Fraction
from html import escape
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.arguments import NUMBER, TEXT, check
from sleepbrux.core.errors import Note, UsageError

Role = Literal[
    "jaw",
    "chin",
    "leg",
    "arm",
    "neck",
    "emg",
    "ecg",
    "pulse",
    "respiration",
    "audio",
    "accelerometer",
    "position",
    "oximetry",
    "eeg",
    "eog",
    "other",
]
Side = Literal["left", "right", "both", ""]


@dataclass(frozen=True)
class Piece:
    """A run of ``n`` samples without a gap: stored from ``stored``, on the clock from ``night``."""

    night: int
    stored: int
    n: int


@dataclass(frozen=True)
class Channel:
    """One signal of a recording.

    Attributes
    ----------
    index
        Number by which the source reads it.
    label
        As written in the file, control characters removed, made unique (``EMG#2``).
    role, side, muscle
        What it is, from its label: ``muscle`` is ``"masseter"``, ``"temporalis"`` or ``""``.
    unit
        ``"uV"`` where the scale to µV is known, else the unit as written, ``"a.u."`` where none is.
    rate
        Samples a second, exact.
    gain, offset
        Physical value in ``unit`` = ``gain * digital + offset``.
    digital_min, digital_max
        Rails of the converter in digital steps; equal where unknown.
    n_stored
        Samples in the file.
    pieces
        Where they lie on the night clock; stored samples in no piece are missing values.
    prefilter
        Prefilter text as written, control characters removed.
    fault
        One sentence if the channel cannot be scored (no calibration, no samples), else ``""``.
    """

    index: int
    label: str
    role: Role
    side: Side
    muscle: str
    unit: str
    rate: Fraction
    gain: float
    offset: float
    digital_min: int
    digital_max: int
    n_stored: int
    pieces: tuple[Piece, ...]
    prefilter: str = ""
    fault: str = ""

    @property
    def n_night(self) -> int:
        """Samples on the night clock, gaps counted."""
        return self.pieces[-1].night + self.pieces[-1].n if self.pieces else 0


@dataclass(frozen=True)
class Mark:
    """A text at a time: ``start_s`` and ``duration_s`` in seconds of the night clock.

    Examples
    --------
    >>> from sleepbrux import Mark
    >>> Mark(99.0, 0.0, "Lights off").text
    'Lights off'
    """

    start_s: float
    duration_s: float
    text: str
    channel: str = ""

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            start_s=(self.start_s, NUMBER),
            duration_s=(self.duration_s, NUMBER),
            text=(self.text, TEXT),
            channel=(self.channel, TEXT),
        )


@dataclass(frozen=True)
class Block:
    """Stored samples as they lie in memory, channels interleaved by record.

    Sample ``first + i`` of a channel is
    ``data[(i // per_record) * record_length + channel_offset + i % per_record]``.

    Attributes
    ----------
    data
        1-d, int16, int32, float32 or float64, in digital steps.
    first
        Stored number of the first sample that the block holds.
    record_length, per_record, channel_offset
        In elements of ``data``.
    """

    data: NDArray[Any]
    first: int
    record_length: int
    per_record: int
    channel_offset: int


class Source(Protocol):
    """Where samples come from; safe to call from several threads at once."""

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold stored samples ``[first, stop)`` of each channel (all of one rate)."""
        ...

    def digest(self) -> str:
        """SHA-256 of the input's bytes, 64 hexadecimal digits."""
        ...


@dataclass(frozen=True)
class Recording:
    """A recording, opened but not read.

    Attributes
    ----------
    name
        File name without folder and extension; never the header's text.
    format
        ``"EDF"``, ``"EDF+C"``, ``"EDF+D"``, ``"BDF"``, ``"BDF+C"``, ``"BDF+D"`` or the name of
        another format.
    start
        Local time of the first sample as written, sub-second part included; None where unknown or
        anonymised.
    start_time_known
        False where only the date, or neither, is known.
    duration_s
        Seconds of the night clock from first to last sample, gaps counted.
    gaps
        (start, stop) in seconds of the night clock.
    start_clock
        Local time of day of the first sample, also where the date is unknown or anonymised; None
        where it is unknown itself.
    excluded
        Stretches that somebody has marked as bad, of one channel or (with an empty ``channel``) of all:
        they are not scored.

    Examples
    --------
    >>> import numpy as np
    >>> import sleepbrux as sb
    >>> sb.from_array(np.zeros((1, 60_000)), 1000, ["EMG Masseter L"])
    <Recording array: 1 jaw channel of 1, 0 h 01 min at 1000 Hz, start unknown>
    """

    name: str
    format: str
    start: datetime | None
    start_time_known: bool
    duration_s: float
    channels: tuple[Channel, ...]
    marks: tuple[Mark, ...]
    gaps: tuple[tuple[float, float], ...]
    notes: tuple[Note, ...]
    source: Source = field(repr=False, compare=False)
    start_clock: time | None = None
    excluded: tuple[Mark, ...] = ()

    def __repr__(self) -> str:
        """One line: how many channels, how long, since when."""
        jaw = [c for c in self.channels if c.role == "jaw"]
        rates = sorted({float(c.rate) for c in jaw or self.channels})
        at = f" at {' and '.join(f'{r:g}' for r in rates)} Hz" if rates else ""
        clock = f"starts {self.start_clock:%H:%M}" if self.start_clock else "start unknown"
        minutes = round(self.duration_s / 60)
        plural = "" if len(jaw) == 1 else "s"
        return (
            f"<Recording {self.name}: {len(jaw)} jaw channel{plural} of {len(self.channels)}, "
            f"{minutes // 60} h {minutes % 60:02d} min{at}, {clock}>"
        )

    def _repr_html_(self) -> str:
        """Channels as a table, for notebooks."""
        rows = "".join(
            f"<tr><td>{escape(c.label)}</td><td>{c.role}</td><td>{float(c.rate):g} Hz</td>"
            f"<td>{escape(c.fault or c.unit)}</td></tr>"
            for c in self.channels
        )
        return f"<p>{escape(repr(self)[1:-1])}</p><table>{rows}</table>"

    def get_data(
        self, label: str, start_s: float = 0.0, stop_s: float | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Samples of one channel in physical units.

        Parameters
        ----------
        label
            Label of the channel.
        start_s, stop_s
            Seconds of the night clock; default: the whole channel.

        Returns
        -------
        times_s, uv
            float64, shape (n_samples,) each: second of each sample, and its value in µV (in the channel's
            own ``unit`` where that is not µV); NaN where nothing was recorded.

        Raises
        ------
        UsageError
            A label that is not there, or times that are not in order.

        Examples
        --------
        >>> import sleepbrux as sb
        >>> recording = sb.from_array([[1.0, 2.0, 3.0, 4.0]], 2, ["EMG Masseter L"])
        >>> recording.get_data("EMG Masseter L", 0.5, 1.5)
        (array([0.5, 1. ]), array([2., 3.]))
        """
        try:
            channel = self.channel(label)
        except KeyError:
            names = ", ".join(repr(c.label) for c in self.channels)
            raise UsageError(f"label {label!r} is no channel of {self.name}; there are {names}") from None
        last_s = float(channel.n_night / channel.rate)
        stop_s = last_s if stop_s is None else stop_s
        if not 0 <= start_s <= stop_s:
            raise UsageError(
                f"start_s {start_s:g} and stop_s {stop_s:g} are not two times in order, from 0 on"
            )
        first, stop = (
            min(round(Fraction(t) * channel.rate), channel.n_night) for t in (start_s, min(stop_s, last_s))
        )
        values = np.full(max(stop - first, 0), np.nan)
        for piece in channel.pieces:
            a, b = max(first, piece.night), min(stop, piece.night + piece.n)
            if a < b:
                stored = piece.stored + a - piece.night
                values[a - first : b - first] = samples(self, channel, stored, stored + b - a)
        times_s: NDArray[np.float64] = np.arange(first, first + len(values)) / float(channel.rate)
        return times_s, values * channel.gain + channel.offset

    def channel(self, label: str) -> Channel:
        """The channel with this label (exact, else ignoring case); raises `KeyError` otherwise."""
        for channel in self.channels:
            if channel.label == label:
                return channel
        same = [c for c in self.channels if c.label.casefold() == label.casefold()]
        if len(same) == 1:
            return same[0]
        raise KeyError(label)


def samples(recording: Recording, channel: Channel, first: int, stop: int) -> NDArray[Any]:
    """Stored samples ``[first, stop)`` of one channel in digital steps, 1-d, contiguous."""
    (block,) = recording.source.blocks([channel], first, stop)
    if block.record_length == block.per_record:
        start = block.channel_offset + first - block.first
        return block.data[start : start + stop - first]
    # whole records as rows where they all lie in the block, which is many times faster than an index
    from_record = (first - block.first) // block.per_record
    to_record = -(-(stop - block.first) // block.per_record)
    if to_record * block.record_length <= len(block.data):
        rows = block.data[from_record * block.record_length : to_record * block.record_length]
        table = rows.reshape(-1, block.record_length)
        own = table[:, block.channel_offset : block.channel_offset + block.per_record].ravel()
        skip = first - block.first - from_record * block.per_record
        return own[skip : skip + stop - first]
    i = np.arange(first - block.first, stop - block.first)
    inside = block.channel_offset + i % block.per_record
    data: NDArray[Any] = block.data[(i // block.per_record) * block.record_length + inside]
    return data
