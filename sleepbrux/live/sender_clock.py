"""Time stamps of the sending program carried over to this computer's clock.

The library measures from time to time what is to be added. Single measurements scatter by some ten millionths of a
second and come seconds apart, so a straight line through the last minute is followed, and reached without a step:
a step would look like a gap.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note

EVERY_S = 2.0
FITTED = 30  # measurements
LEAST_FITTED = 3
JUMP_S = 0.1
NAMED_S = 0.001
DRIFT_AFTER_S = 10.0
Stamps = NDArray[np.float64]


class SenderClock:
    """What is added to the stamps.

    Attributes
    ----------
    unknown
        Whether nothing could be measured; the stamps are then taken as they are.
    """

    def __init__(self) -> None:
        self.unknown = False
        self._measured: deque[tuple[float, float]] = deque(maxlen=FITTED)
        self._first: tuple[float, float] | None = None
        self._from, self._to = (0.0, 0.0), (1.0, 0.0)
        self._slope = 0.0

    def measured(self, now_s: float, offset_s: float) -> None:
        """Take in a measurement, made at ``now_s`` of this computer's clock."""
        at = now_s - offset_s  # on the sender's clock
        if not self._measured or abs(offset_s - self._at(at)) > JUMP_S:
            self._measured.clear()
            self._first = (at, offset_s)
            self._slope = 0.0
            self._from, self._to = (at, offset_s), (at + EVERY_S, offset_s)
            self._measured.append((at, offset_s))
            return
        self._measured.append((at, offset_s))
        begin = self._at(at)
        times, offsets = np.array(self._measured).T
        if len(times) >= LEAST_FITTED:
            self._slope = float(np.polyfit(times - at, offsets, 1)[0])
        level = float(np.mean(offsets - self._slope * (times - at)))
        self._from = (at, begin)
        self._to = (at + EVERY_S, level + self._slope * EVERY_S)

    @property
    def known(self) -> bool:
        """Whether anything was measured."""
        return bool(self._measured)

    def _at(self, stamp_s: float) -> float:
        return float(self.offsets(np.array([stamp_s]))[0])

    def offsets(self, stamps: Stamps) -> Stamps:
        """What is added to each stamp, s."""
        (a, low), (b, high) = self._from, self._to
        way = low + (high - low) * (stamps - a) / (b - a)
        found: Stamps = np.where(stamps <= b, way, high + self._slope * (stamps - b))
        return found

    def mapped(self, stamps: Stamps) -> Stamps:
        """The stamps on this computer's clock."""
        return stamps + self.offsets(stamps) if self._measured and len(stamps) else stamps

    def drift_ppm(self) -> float | None:
        """Millionths by which the sender's clock runs fast; None before 10 s."""
        if self._first is None or self._measured[-1][0] - self._first[0] < DRIFT_AFTER_S:
            return None
        return -1e6 * (self._measured[-1][1] - self._first[1]) / (self._measured[-1][0] - self._first[0])

    def notes(self) -> list[Note]:
        """What a reader of the times must know; nothing where both clocks are one."""
        if self.unknown:
            text = "The sender's clock could not be compared with this computer's; its stamps are taken as they are."
            return [Note("sender-clock", "warning", text)]
        if not self._measured or abs(self._measured[-1][1]) < NAMED_S:
            return []
        drift, offset = self.drift_ppm(), self._measured[-1][1]
        runs = (
            ""
            if drift is None or abs(drift) < 0.5
            else f" and runs {abs(drift):.0f} millionths {'fast' if drift > 0 else 'slow'}"
        )
        place = "behind" if offset > 0 else "ahead of"
        return [
            Note(
                "sender-clock",
                "note",
                f"The sender's clock is {abs(offset):.3f} s {place} this computer's{runs}; its time stamps were "
                "carried over to this computer's clock.",
            )
        ]
