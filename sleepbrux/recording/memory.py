"""Recordings from arrays in memory."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepbrux.core.arguments import NONE, NUMBER, TEXT, check, each, of, renamed
from sleepbrux.core.errors import Note, RecordingError, UsageError
from sleepbrux.core.printed import lasting
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.labels import recognise, unique_labels
from sleepbrux.recording.model import Block, Channel, Mark, Piece, Recording
from sleepbrux.recording.presence import is_sample

SLOWEST_HZ, FASTEST_HZ = Fraction(1, 1_000_000), 10_000_000


@dataclass(frozen=True, eq=False)
class ArraySource:
    """Samples in memory: for each channel a 1-d array of its stored samples, in µV."""

    stored: tuple[NDArray[np.float64], ...]
    sha256: str

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold stored samples ``[first, stop)`` of each channel."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        n = max(stop - first, 1)
        return [Block(self.stored[c.index][first:stop], first, n, n, 0) for c in channels]

    def digest(self) -> str:
        """SHA-256 of rate, shape and values, 64 hexadecimal digits."""
        return self.sha256


def exact_rate(rate: float | str | Fraction) -> Fraction:
    """Rate in samples a second as the exact fraction that was meant.

    Raises
    ------
    RecordingError
        Where it is no number, or one that no recorder has.

    Examples
    --------
    >>> exact_rate(999.39), exact_rate(1000)
    (Fraction(99939, 100), Fraction(1000, 1))
    """
    try:
        exact = Fraction(str(rate)) if isinstance(rate, (float, np.floating)) else Fraction(rate)
    except (ValueError, ZeroDivisionError, OverflowError):
        exact = Fraction(0)
    if not SLOWEST_HZ <= exact <= FASTEST_HZ:
        raise RecordingError(
            f"the rate is {rate}, where {float(SLOWEST_HZ):f} to {FASTEST_HZ:,} samples a second are allowed."
        )
    return exact


def _pieces(present: NDArray[np.bool_], grid: Grid) -> tuple[Piece, ...]:
    pieces = []
    stored = 0
    for start, stop in Spans.from_mask(grid, present).bounds.tolist():
        pieces.append(Piece(start, stored, stop - start))
        stored += stop - start
    return tuple(pieces)


def _digest(data: NDArray[np.float64], rate: Fraction) -> str:
    total = hashlib.sha256(f"{rate} {data.shape}".encode())
    for row in data:
        total.update(np.ascontiguousarray(row, dtype="<f8").data)
    return total.hexdigest()


def _channel(index: int, label: str, written: str, rate: Fraction, present: NDArray[np.bool_]) -> Channel:
    role, side, muscle = recognise(written)
    n = int(present.sum())
    pieces = _pieces(present, Grid(1 / rate, len(present)))
    return Channel(
        index=index,
        label=label,
        role=role,
        side=side,
        muscle=muscle,
        unit="uV",
        rate=rate,
        gain=1.0,
        offset=0.0,
        digital_min=0,
        digital_max=0,
        n_stored=n,
        pieces=pieces,
        fault="" if n else f"Channel {label!r} holds no finite sample.",
    )


@renamed(rate="rate_hz")
def from_array(
    data_uv: ArrayLike,
    rate_hz: float | str | Fraction,
    labels: Sequence[str],
    marks: Sequence[Mark] = (),
    start: datetime | None = None,
    *,
    name: str = "array",
) -> Recording:
    """Recording of samples in memory.

    Parameters
    ----------
    data_uv
        float64, shape (n_channels, n_samples), µV; copied. Runs of NaN or infinity are gaps of
        their channel.
    rate_hz
        Samples a second; a float is taken at its shortest decimal, so 999.39 is 99939/100.
    labels
        One a channel; ``"EMG Mass L"`` says which muscle it is.
    marks
        Texts at times, in seconds from the first sample.
    start
        Local time of the first sample.
    name
        Name of the recording.

    Returns
    -------
    Recording

    Raises
    ------
    RecordingError
        Where the shape does not fit the labels, or there is no sample.

    Examples
    --------
    >>> from_array([[0.5, -0.5, 1.0]], 1000, ["EMG Mass L"]).channels[0].muscle
    'masseter'
    """
    check(
        rate_hz=(rate_hz, NUMBER | TEXT),
        labels=(labels, each(TEXT, "a list of texts")),
        marks=(marks, each(of(Mark), "a list of Mark")),
        start=(start, NONE | of(datetime)),
        name=(name, TEXT),
    )
    try:
        data = np.array(data_uv, dtype=np.float64, ndmin=2)
    except (TypeError, ValueError):
        raise UsageError(
            f"`data_uv` is a {type(data_uv).__name__}; wanted is an array of numbers in µV, one row for each label"
        ) from None
    if data.ndim != 2 or data.shape[0] != len(labels) or data.size == 0:
        raise RecordingError(
            f"{name}: the data has shape {data.shape}, where (channels, samples) with one row for"
            f" each of the {len(labels)} labels is allowed."
        )
    exact = exact_rate(rate_hz)
    present = is_sample(data)
    grid = Grid(1 / exact, data.shape[1])
    names = unique_labels([label.strip() for label in labels])
    channels = tuple(_channel(i, label, labels[i], exact, present[i]) for i, label in enumerate(names))
    stored = tuple(row[kept] for row, kept in zip(data, present, strict=True))
    for row in stored:
        row.flags.writeable = False
    notes: list[Note] = []
    if np.isinf(data).any():
        notes.append(Note("infinite", "warning", "Infinite samples are taken as missing."))
    gaps = (~Spans.from_mask(grid, np.asarray(present.any(axis=0)))).seconds()
    if not present.all():
        missing = float((~present).sum(axis=1).max() / exact)
        notes.append(Note("gaps", "warning", f"Up to {lasting(missing)} of a channel are missing."))
    return Recording(
        name=name,
        format="array",
        start=start,
        start_time_known=start is not None,
        duration_s=float(data.shape[1] / exact),
        channels=channels,
        marks=tuple(sorted(marks, key=lambda mark: mark.start_s)),
        gaps=tuple(gaps),
        notes=tuple(notes),
        source=ArraySource(stored, _digest(data, exact)),
        start_clock=start.time() if start else None,
    )
