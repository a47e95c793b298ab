"""Two devices, two clocks: offset and drift between them from events that both have recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark, Recording
from sleepbrux.recording.stages import LONGEST_S

# Crystals stray by some 100 ppm at most (common practice, no source); beyond this it is a slip.
MOST_DRIFT = 2e-3
LEAST_APART_S = 60.0


@dataclass(frozen=True)
class ClockFit:
    """Recorder's second = ``offset_s + (1 + drift) * other's second``.

    Attributes
    ----------
    n
        Pairs that it stands on; with one there is no drift, with two no residual to judge it by.
    residual_s
        Largest distance of a pair from the line, in seconds.

    Examples
    --------
    >>> fit = fit_clocks([(10.0, 12.0), (28810.0, 28811.0)])
    >>> round(fit(10.0), 6), round(fit(14410.0), 6), round(1e6 * fit.drift, 1)
    (12.0, 14411.5, -34.7)
    """

    offset_s: float
    drift: float
    n: int
    residual_s: float

    def __call__(self, second: float) -> float:
        """Second of the recorder's night clock for a second of the other device."""
        return self.offset_s + (1 + self.drift) * second

    @property
    def text(self) -> str:
        """One sentence for the user."""
        if self.n == 1:
            return (
                f"clocks joined by one event: offset {self.offset_s:z.3f} s; drift between the devices is"
                " not known and not corrected"
            )
        judged = (
            f"residual {1000 * self.residual_s:.0f} ms at most over {self.n} events"
            if self.n > 2
            else "two events give no residual"
        )
        return (
            f"clocks joined by {self.n} events: offset {self.offset_s:z.3f} s, drift"
            f" {3.6e6 * self.drift:+z.1f} ms an hour; {judged}"
        )


def fit_clocks(pairs: Sequence[tuple[float, float]]) -> ClockFit:
    """Least-squares line through (second of the other device, second of the recorder).

    Raises
    ------
    RecordingError
        No pair, a second that no recording has, pairs less than a minute apart, or a drift that no two
        clocks have.
    """
    if not pairs:
        raise RecordingError("no event that both devices have recorded; mark one with each (sync)")
    other, own = (np.array(column, dtype=np.float64) for column in zip(*pairs, strict=True))
    # comparisons with nan are false, so it is refused too
    odd = ~((np.abs(other) <= LONGEST_S) & (np.abs(own) <= LONGEST_S))
    if odd.any():
        raise RecordingError(
            f"the sync event {other[odd][0]:g}={own[odd][0]:g} is no pair of seconds of two recordings; give "
            f"numbers of at most {LONGEST_S:g} s"
        )
    if len(pairs) == 1:
        return ClockFit(float(own[0] - other[0]), 0.0, 1, 0.0)
    if np.ptp(other) < LEAST_APART_S:
        raise RecordingError(
            f"the sync events lie {np.ptp(other):.1f} s apart; {LEAST_APART_S:.0f} s or more are needed"
            " to tell drift from reaction time: mark one at the start and one at the end"
        )
    x, y = other - other.mean(), own - own.mean()
    slope = float((x @ y) / (x @ x))
    offset = float(own.mean() - slope * other.mean())
    if abs(slope - 1) > MOST_DRIFT:
        raise RecordingError(
            f"the sync events would make one clock {100 * (slope - 1):+.2f} % faster than the other, where"
            f" {100 * MOST_DRIFT:g} % is the most that is believed; check which events belong together"
        )
    residual = float(np.abs(own - (offset + slope * other)).max()) if len(pairs) > 2 else 0.0
    return ClockFit(offset, slope - 1, len(pairs), residual)


def fit_marks(own: Sequence[Mark], other: Sequence[Mark]) -> ClockFit | None:
    """Line through the sync marks of both devices, in order; None where one of them has none.

    Raises
    ------
    RecordingError
        The two have different numbers of sync marks, so that it is not known which belong together.
    """
    mine, theirs = ([m.start_s for m in marks if classify(m.text) == "sync"] for marks in (own, other))
    if not mine or not theirs:
        return None
    if len(mine) != len(theirs):
        raise RecordingError(
            f"the recording has {len(mine)} sync marks and the other file {len(theirs)}; give pairs of"
            " seconds, other=recording, as `sync`"
        )
    return fit_clocks(list(zip(sorted(theirs), sorted(mine), strict=True)))


def moved(marks: Sequence[Mark], fit: ClockFit) -> tuple[Mark, ...]:
    """Marks of the other device on the recorder's clock."""
    return tuple(replace(m, start_s=fit(m.start_s), duration_s=(1 + fit.drift) * m.duration_s) for m in marks)


def retimed(recording: Recording, fit: ClockFit) -> Recording:
    """Another device's recording at the rate that it has on the recorder's clock; it begins at ``fit(0)``."""
    slope = Fraction(1 + fit.drift).limit_denominator(10_000_000)
    return replace(
        recording,
        duration_s=float(recording.duration_s * slope),
        channels=tuple(replace(c, rate=c.rate / slope) for c in recording.channels),
        gaps=tuple((float(a * slope), float(b * slope)) for a, b in recording.gaps),
    )


def note_of(fit: ClockFit, what: str) -> Note:
    """What a reader must know of the clocks."""
    return Note("clocks-joined", "warning" if fit.n < 2 else "note", f"{what}: {fit.text}.")
