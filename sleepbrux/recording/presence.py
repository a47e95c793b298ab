"""Which samples of a channel are numbers: what is missing becomes a gap, never a value."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Piece

MOST_RUNS = 100_000
LARGEST = 1e10  # stored value; above it squares of a frame run over, and no amplifier gives it in any unit


def is_sample(values: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Which values can be samples: numbers that are not beyond what any unit of any amplifier gives.

    >>> is_sample(np.array([1.0, np.nan, -np.inf, 1e30])).tolist()
    [True, False, False, False]
    """
    with np.errstate(invalid="ignore"):
        found: NDArray[np.bool_] = np.abs(values) <= LARGEST
    return found


class Present:
    """Runs of samples that are numbers, gathered part by part.

    Attributes
    ----------
    runs
        [start, stop) of each run, in stored samples.
    n
        Samples that are numbers.
    """

    def __init__(self) -> None:
        self.runs: list[list[int]] = []
        self.n = 0

    @property
    def shattered(self) -> bool:
        """Whether there are more runs than any recording has."""
        return len(self.runs) > MOST_RUNS

    def push(self, present: NDArray[np.bool_], first: int) -> None:
        """Take the next samples, bool of shape (n,), from stored sample ``first`` on."""
        self.n += int(present.sum())
        edges = np.flatnonzero(np.diff(np.concatenate(([False], present, [False])).view(np.int8)))
        for a, b in (edges.reshape(-1, 2) + first).tolist():
            if self.runs and self.runs[-1][1] == a:
                self.runs[-1][1] = b
            elif not self.shattered:
                self.runs.append([a, b])

    def pieces(self) -> tuple[Piece, ...]:
        """Pieces of a channel whose stored samples follow each other on the clock."""
        return tuple(Piece(a, a, b - a) for a, b in self.runs)


def present_in(parts: Iterable[NDArray[np.floating]], columns: int) -> list[Present]:
    """What is present in each column of consecutive parts, float of shape (n, columns)."""
    found = [Present() for _ in range(columns)]
    first = 0
    for part in parts:
        finite = is_sample(part)
        for k, present in enumerate(found):
            present.push(finite[:, k], first)
        first += len(part)
    return found


def faulty(label: str, present: Present) -> str:
    """Why a channel of such samples cannot be scored; empty where it can."""
    if not present.n:
        return f"Channel {label!r} holds no finite sample."
    return f"Channel {label!r} is in more than {MOST_RUNS} pieces." if present.shattered else ""
