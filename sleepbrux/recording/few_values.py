"""Channels of few values that jump, as codes, letters and calendars do and signals do not.

A text in the samples of a channel that is no signal can be written in more ways than anybody can search
for: letters may be held, scaled, moved or turned. All of them have few values, and jump between them. So
not the text is sought but the channel is doubted::

    0 0 0 75 75 75 97 97 97 116 116   few values, jumps over other values: doubted
    9 9 9 8 8 8 8 7 7 7 7 6 6 6 6 6   few values, each change to a neighbour (a battery): believed
    0 0 0 0 1 1 0 0 0 0 1 0 0 0 0 0   two values: believed
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.labels import ELECTRICAL
from sleepbrux.recording.model import Role

MOST_FEW = 256  # values; our choice
MOST_POSITIONS = 8  # body positions that a device tells apart; our choice
STILL = 0.99  # share of one value from which an electrical channel is no signal; our choice
# Whole numbers by nature, which jump.
_COUNTED: tuple[Role, ...] = ("pulse", "oximetry")
_SIGNALS: frozenset[Role] = ELECTRICAL | {"respiration", "audio", "accelerometer"}
_AT_ONCE = 50_000  # samples


def whole_numbers(raw: bytes, width: int) -> NDArray[np.int32]:
    """Samples of two or three bytes each, low byte first.

    Examples
    --------
    >>> whole_numbers(bytes([1, 0, 255, 255]), 2).tolist(), whole_numbers(bytes([254, 255, 255]), 3).tolist()
    ([1, -1], [-2])
    """
    if width == 2:
        return np.frombuffer(raw, dtype="<i2").astype(np.int32)
    padded = np.zeros((len(raw) // width, 4), dtype=np.uint8)
    padded[:, 4 - width :] = np.frombuffer(raw, dtype=np.uint8).reshape(-1, width)
    return padded.view("<i4")[:, 0] >> (8 * (4 - width))


@dataclass
class FewValues:
    """The values of a channel, their counts and the changes between them, as long as they are few.

    Attributes
    ----------
    counts
        Samples by value.
    changes
        Pairs of values that follow each other.
    many
        There are more than `MOST_FEW`; nothing else is known then.
    """

    counts: dict[int, int] = field(default_factory=dict)
    changes: set[tuple[int, int]] = field(default_factory=set)
    many: bool = False
    _last: int | None = None

    def add(self, samples: NDArray[np.int32]) -> None:
        """Take in the samples that follow."""
        for at in range(0, len(samples), _AT_ONCE):
            if self.many:
                return
            self._take(samples[at : at + _AT_ONCE])

    def _take(self, samples: NDArray[np.int32]) -> None:
        values, index, counts = np.unique(samples, return_inverse=True, return_counts=True)
        for value, count in zip(values.tolist(), counts.tolist(), strict=True):
            self.counts[value] = self.counts.get(value, 0) + count
        self.many = len(self.counts) > MOST_FEW
        if self.many:
            return
        own = values.tolist()
        if self._last is not None:
            self.changes.add((self._last, own[index[0]]))
        pairs = np.flatnonzero(np.bincount(index[:-1] * len(own) + index[1:]))
        self.changes |= {(own[k // len(own)], own[k % len(own)]) for k in pairs.tolist()}
        self._last = own[index[-1]]

    @property
    def jumps(self) -> bool:
        """Whether some change is over another of the values."""
        rank = {value: k for k, value in enumerate(sorted(self.counts))}
        return any(abs(rank[a] - rank[b]) > 1 for a, b in self.changes)

    @property
    def still(self) -> bool:
        """Whether nearly all samples are one value."""
        return max(self.counts.values(), default=0) >= STILL * sum(self.counts.values())


def may_be_codes(values: FewValues, role: Role) -> bool:
    """Whether the samples of a channel may be codes, letters or a calendar.

    Examples
    --------
    >>> letters = FewValues()
    >>> letters.add(np.array([0, 0, 75, 75, 97, 116, 0], dtype=np.int32))
    >>> may_be_codes(letters, "other"), may_be_codes(letters, "position"), may_be_codes(letters, "jaw")
    (True, False, False)
    """
    if values.many or not values.jumps or role in _COUNTED:
        return False
    if role in _SIGNALS:
        return role in ELECTRICAL and values.still
    return role != "position" or len(values.counts) > MOST_POSITIONS


def numbers_of(values: FewValues, gain: float, offset: float) -> Iterable[str]:
    """The few values as numbers: as they are stored, and in the channel's unit."""
    for value in () if values.many else values.counts:
        yield str(value)
        yield f"{value * gain + offset:.7g}"
