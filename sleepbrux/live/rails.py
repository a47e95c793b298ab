"""Where an amplifier clips that does not say it: extreme values that come again and again, at both ends.

Muscle has one highest and one lowest sample; a clipped one stays at its end for some samples, each time at the
very same value. A single end does not count, nor a range of few steps, which rest has through a coarse converter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LEAST_PAIRS = 6  # neighbours that both lie at an end; our choice
LEAST_STEPS = 100  # of the finest change between neighbours that was seen; our choice


class RailsSeen:
    """Highest and lowest value of each channel so far, and how often neighbours both lie there.

    Examples
    --------
    >>> wave = np.round(2000 * np.sin(np.arange(500) / 5)).astype(np.int32)[:, None]
    >>> seen = RailsSeen(2)
    >>> seen.push(np.concatenate((wave, np.clip(wave, -1500, 1400)), axis=1))
    >>> seen.found()
    [None, (-1500, 1400)]
    """

    def __init__(self, n_channels: int) -> None:
        self._ends = np.zeros((2, n_channels), dtype=np.int64)
        self._pairs = np.zeros((2, n_channels), dtype=np.int64)
        self._finest = np.zeros(n_channels, dtype=np.int64)
        self._begun = False

    def push(self, steps: NDArray[np.int32]) -> None:
        """Take in samples in steps of the file, shape (n, n_channels)."""
        if not len(steps):
            return
        if not self._begun:
            self._begun = True
            self._ends[:] = steps[0]
        self._look_at_steps(steps)
        for end, extreme, sign in ((0, steps.min(axis=0), -1), (1, steps.max(axis=0), 1)):
            beyond = sign * (extreme - self._ends[end])
            self._ends[end][beyond > 0] = extreme[beyond > 0]
            self._pairs[end][beyond > 0] = 0
            for k in np.flatnonzero(beyond >= 0):
                at = steps[:, k] == extreme[k]
                self._pairs[end, k] += int((at[1:] & at[:-1]).sum())

    def _look_at_steps(self, steps: NDArray[np.int32]) -> None:
        for k in np.flatnonzero(self._finest != 1):
            change = np.abs(np.diff(steps[:, k]))
            least = int(change[change > 0].min(initial=np.iinfo(np.int32).max))
            self._finest[k] = min(least, int(self._finest[k]) or least)

    def found(self) -> list[tuple[int, int] | None]:
        """Lowest and highest step of each channel where it clips at both, else None."""
        often = (self._pairs >= LEAST_PAIRS).all(axis=0)
        wide = self._ends[1] - self._ends[0] >= LEAST_STEPS * np.maximum(self._finest, 1)
        return [
            (int(low), int(high)) if clips else None
            for low, high, clips in zip(*self._ends.tolist(), (often & wide).tolist(), strict=True)
        ]
