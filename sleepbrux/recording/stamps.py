"""From the time stamps of a live stream's samples to runs without a gap, and the true rate.

Stamps arrive late by varying times and never early, so the lower envelope of what they lag behind an even
sequence is the device's clock. A gap is a step of that envelope that stays; it is never closed up. The
same clock reads a file of such stamps and a stream while it comes, so both find the same gaps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.core.printed import lasting
from sleepbrux.core.texts import count_of

LOOK_S = 0.5
STEP_S = 0.1
LEAST_GAP_S = 0.005
LEAST_GAP_SAMPLES = 1.5
BACK_S = 0.1
RATE_PCT = 0.5
RATE_AFTER_S = 2.0
CHANGED_PCT = 2.0
CHANGED_WINDOWS = 6
STEADY = 0.25
MOST_GAPS = 100_000
LEAST_AFTER_GAP = 0.5
Stamps = NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """``n`` samples without a gap: stored from ``stored``, on the even sequence from ``night``."""

    night: int
    stored: int
    n: int


def rate_by(stamps: Stamps) -> float:
    """Samples a second by the stamps of some seconds, gaps and late stamps apart; 0 where they stand still.

    Examples
    --------
    >>> round(rate_by(np.arange(4000) / 1000.0))
    1000
    """
    n = len(stamps)
    apart = max(n // 8, 1)
    steps = (stamps[apart:] - stamps[:-apart]) / apart
    step = float(np.median(steps)) if len(steps) else 0.0
    return 1 / step if step > 0 else 0.0


@dataclass
class StampClock:
    """Follows stamps; `push` takes them in order and gives the runs that are certain, `finish` the last ones.

    Parameters
    ----------
    rate
        Samples a second of the even sequence.

    Attributes
    ----------
    gaps
        (start, stop) of each gap in samples of the even sequence.
    steps_back_s
        Steps of the stamps to an earlier time; the samples were kept in their order.
    tolerance_s
        Gaps below it cannot be told from late stamps.
    first_s
        Stamp of the first sample.
    rate_seen
        Samples a second that the stamps of the last seconds show where that is no longer ``rate``; else 0.
    """

    rate: Fraction
    gaps: list[tuple[int, int]] = field(default_factory=list)
    steps_back_s: list[float] = field(default_factory=list)
    tolerance_s: float = 0.0
    first_s: float | None = None
    rate_seen: float = 0.0
    _base: Stamps = field(default_factory=lambda: np.zeros(0))
    _ahead: Stamps = field(default_factory=lambda: np.zeros(0))
    _taken: int = 0
    _shift: int = 0
    _corrected_s: float = 0.0
    _anchors: list[tuple[int, float]] = field(default_factory=list)
    _raw: list[tuple[int, float]] = field(default_factory=list)

    @property
    def _look(self) -> int:
        return max(round(LOOK_S * float(self.rate)), 8)

    def push(self, stamps: Stamps) -> list[Run]:
        """Take the stamps of the next samples, s; gives runs of earlier ones, up to half a second back."""
        if self.first_s is None and len(stamps):
            self.first_s = float(stamps[0])
        first = self._taken + len(self._ahead)
        even = np.arange(first, first + len(stamps)) / float(self.rate)
        lag = stamps - even - (self.first_s or 0.0) - self._corrected_s
        self._ahead = np.concatenate((self._ahead, lag))
        runs: list[Run] = []
        while len(self._ahead) >= self._look + max(round(STEP_S * float(self.rate)), 8):
            runs += self._advance(len(self._ahead) - self._look)
        return _joined(runs)

    @property
    def now(self) -> int:
        """Place on the even sequence of the sample that would come next, by what is known so far."""
        return self._taken + len(self._ahead) + self._shift

    def restart(self, stamp_s: float, gap_s: float) -> list[Run]:
        """Go on after a stream came back: its next sample has this stamp and comes so long after the last one."""
        runs = self.finish()
        n = max(round(gap_s * float(self.rate)), 0)
        if n:
            self.gaps.append((self.now, self.now + n))
        self._shift += n
        self.first_s, self._corrected_s = stamp_s, -self._taken / float(self.rate)
        self._base = self._base[:0]
        self._raw.clear()
        self._anchors.clear()
        return runs

    def finish(self) -> list[Run]:
        """The runs of the samples that are left."""
        runs: list[Run] = []
        while len(self._ahead):
            runs += self._advance(len(self._ahead))
        return _joined(runs)

    def _advance(self, most: int) -> list[Run]:
        """Decide on up to ``most`` samples; the run, and the gap that ends it, if any."""
        ahead, look = self._ahead, self._look
        self._judge(ahead)
        low = _least_ahead(ahead, look)[:most]
        high = -_least_ahead(-ahead, look)[:most]
        before = _least_before(self._base, ahead, look)[:most]
        tolerance = self.tolerance_s
        away = (low - before > tolerance) | (high - before < -max(BACK_S, tolerance))
        away[: 1 if not len(self._base) else 0] = False
        if tolerance > 1 / float(self.rate):  # too few samples follow to tell a gap from a late one
            few = max(len(ahead) - round(LEAST_AFTER_GAP * look), 0)
            away[few:] &= (low - before)[few:] > LOOK_S
        k = int(np.argmax(away)) if away.any() else -1
        if k < 0:
            return self._take(most)
        step = float(low[k] - before[k])
        if step > tolerance:
            near = (low - before)[k : k + look]
            k += int(np.argmax(near >= 0.75 * near.max()))
            step = float((low - before)[k])
        else:
            step = float(high[k] - before[k])
        runs = self._take(k) if k else []
        self._step(step, ahead[k:])
        return runs

    def _step(self, step: float, later: Stamps) -> None:
        """The stamps stay ``step`` later, or earlier, from here on."""
        if step > 0:
            n = max(round(step * float(self.rate)), 1)
            night = self._taken + self._shift
            self.gaps.append((night, night + n))
            if len(self.gaps) > MOST_GAPS:
                raise RecordingError(
                    f"the time stamps leave more than {MOST_GAPS} gaps; this is not one signal at an even rate"
                )
            self._shift += n
            step = n / float(self.rate)
        else:
            self.steps_back_s.append(step)
        self._corrected_s += step
        self._ahead = later - step

    def _take(self, n: int) -> list[Run]:
        """Keep ``n`` samples in a run."""
        taken, self._ahead = self._ahead[:n], self._ahead[n:]
        run = Run(self._taken + self._shift, self._taken, n)
        window = len(self._raw)
        self._taken += n
        self._base = np.concatenate((self._base, taken))[-self._look :]
        if len(self._base) == self._look and self._taken // self._look > window:
            self._window()
        return [run]

    def _window(self) -> None:
        """At the end of a window: an anchor for the drift, and whether the rate itself has changed."""
        least = float(self._base.min())
        self._anchors.append((self._taken, least))
        self._raw.append((self._taken, least + self._corrected_s))
        if len(self._raw) > CHANGED_WINDOWS:
            at, lag = np.array(self._raw[-CHANGED_WINDOWS - 1 :]).T
            share = np.diff(lag) / (np.diff(at) / float(self.rate))
            mean = float(share.mean())
            if abs(mean) > CHANGED_PCT / 100 and float(np.ptp(share)) < STEADY * abs(mean):
                self.rate_seen = float(self.rate) / (1 + mean)

    def _judge(self, ahead: Stamps) -> None:
        """How late stamps are by themselves, and so what gap can be seen."""
        if self.tolerance_s and len(self._base) == self._look:
            return
        step = 1 / float(self.rate)
        late = ahead - _least_before(np.zeros(0), ahead, self._look)
        stray = float(np.percentile(np.abs(np.diff(ahead)), 98)) if len(ahead) > 1 else 0.0
        if stray < 0.1 * step:
            self.tolerance_s = 0.75 * step
            return
        steps = np.diff(ahead)
        usual = float(np.percentile(late, 90)) if (steps < -0.1 * step).any() else 0.0
        self.tolerance_s = max(LEAST_GAP_SAMPLES * step, LEAST_GAP_S, 0.5 * min(usual, LOOK_S))

    def drift_ppm(self) -> float | None:
        """Millionths by which the device's second is longer than this computer's; None before 10 s."""
        if len(self._anchors) < 10 / LOOK_S:
            return None
        at, lag = np.array(self._anchors).T
        slope = float(np.polyfit(at / float(self.rate), lag, 1)[0])
        return 1e6 * slope

    def notes(self) -> list[Note]:
        """What a reader of the signal must know of its times."""
        rate, found = float(self.rate), []
        if self.gaps:
            missing = sum(b - a for a, b in self.gaps) / rate
            found.append(
                Note(
                    "gaps",
                    "warning",
                    f"{lasting(missing)} in {count_of(len(self.gaps), 'gap')} were not received and stay missing.",
                )
            )
        if self.steps_back_s:
            found.append(
                Note(
                    "stamps-back",
                    "warning",
                    f"The time stamps go back {len(self.steps_back_s)} times, by up to "
                    f"{-min(self.steps_back_s):.3f} s; the samples were kept in their order.",
                )
            )
        if self.tolerance_s > LEAST_GAP_SAMPLES / rate:
            found.append(
                Note(
                    "stamps-uneven",
                    "note",
                    f"The time stamps arrive unevenly; a gap of less than {1000 * self.tolerance_s:.3g} ms cannot "
                    "be seen.",
                )
            )
        drift = self.drift_ppm()
        if drift is not None:
            differs = f"by {drift:+.0f} millionths" if abs(drift) >= 1 else "by less than a millionth"
            found.append(
                Note(
                    "clock-drift",
                    "note",
                    f"The device's clock differs from this computer's {differs} "
                    f"({rate / (1 + drift / 1e6):.6g} samples a second instead of {rate:.6g}); times are the "
                    "device's.",
                )
            )
        return found


def _joined(runs: list[Run]) -> list[Run]:
    """Runs of which none goes on where the one before ends."""
    joined: list[Run] = []
    for run in runs:
        last = joined[-1] if joined else None
        if last and last.night + last.n == run.night and last.stored + last.n == run.stored:
            joined[-1] = Run(last.night, last.stored, last.n + run.n)
        elif run.n:
            joined.append(run)
    return joined


def _least_ahead(values: Stamps, n: int) -> Stamps:
    """Least of each value and the ``n - 1`` that follow it, fewer at the end."""
    from scipy.ndimage import minimum_filter1d

    least: Stamps = minimum_filter1d(values, n, mode="nearest", origin=-((n - 1) // 2) - (0 if n % 2 else 1))
    return least


def _least_before(base: Stamps, values: Stamps, n: int) -> Stamps:
    """Least of the ``n`` values before each, of fewer where there are no more; the first is its own."""
    whole = np.concatenate((base, values))
    least = _least_ahead(whole[::-1], n)[::-1]  # of each and the n - 1 before it
    shifted = np.concatenate((whole[:1], least[:-1]))
    return np.asarray(shifted[len(base) :], dtype=np.float64)
