"""From the time stamps of a table's rows to runs without a gap and the true rate.

Stamps are followed block by block, so that a night of any length needs little memory. A run ends
where the stamps stay later than the rows before lead to expect.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.printed import lasting
from sleepbrux.core.texts import count_of
from sleepbrux.recording.findings import Findings

LEAST_GAP_S = 0.005
LEAST_GAP_ROWS = 1.5
LONGEST_NIGHT_S = 31 * 86_400
MOST_GAPS = 100_000
# Backward steps up to this are late stamps that catch up, not a clock that was set.
_CATCHES_UP_S = 5.0
_UNEVEN_S = 0.1
_BLOCKS_AT_ONCE = 16
_HOUR_S = 3600.0
_STEP_ROWS = 9
_LEAST_CHANGES = 4
# Stamps this far apart are those of a clock, nearer ones those of packets that may arrive unevenly.
_CLOCK_S = 0.5
_UNEVEN_SHARE = 0.01
_WITHIN_STAMP = 1.5
_LEAST_BEATS = 3


class Run(NamedTuple):
    """``n`` rows without a gap, from row ``first``, starting ``onset_s`` into the night."""

    first: int
    n: int
    onset_s: float


class Stamps(NamedTuple):
    """What the first rows say of the stamps.

    Attributes
    ----------
    step_s, resolution_s
        Seconds from row to row, and the decimal step that all stamps are multiples of.
    packet_s
        Seconds from stamp to stamp where rows share them, else 0.
    exact
        Whether each row has its own time, so that a single lost row shows.
    jitter_s
        Where rows share stamps: how far the rows at which the stamp changes stray from even times.
    """

    step_s: float
    resolution_s: float
    packet_s: float
    exact: bool
    jitter_s: float = 0.0


def _resolution(times: NDArray[np.float64]) -> float:
    """Decimal step that all stamps are multiples of, at most 1 s and at least 1 ns."""
    for digits in range(9):
        scaled = (times - times[0]) * 10.0**digits
        if np.abs(scaled - np.rint(scaled)).max() < 1e-3:
            return float(10.0**-digits)
    return 1e-9


def _beats_of_two_rates(steps: NDArray[np.float64], step: float) -> bool:
    """Whether longer steps come as evenly as where stamps of one rate are rounded to another's."""
    at = np.flatnonzero(steps > 1.5 * step)
    apart = np.diff(at)
    return len(apart) >= _LEAST_BEATS and bool(np.ptp(apart) <= 1 + 0.1 * float(np.median(apart)))


def examine(times: NDArray[np.float64], found: Findings, *, written_s: float = 0.0) -> Stamps:
    """Look at the stamps of the first rows, in seconds, at least two.

    Parameters
    ----------
    written_s
        Last decimal place in which every stamp is written, s; 0 where that is not known. Stamps that are all
        multiples of their step can be exact ones, in which a step of two rows is a lost row, or rounded ones of
        a slightly slower clock, in which it comes again and again, evenly.

    Raises
    ------
    RecordingError
        Where they do not advance or rows are unevenly spaced.
    """
    if len(times) < 2:
        raise found.refusal("the table holds fewer than two rows of samples; export it again.")
    rows_a_stamp = len(times) / (1 + np.count_nonzero(np.diff(times)))
    apart = min(max(1000, int(20 * rows_a_stamp)), max(len(times) // 4, 1))
    step = float(np.median((times[apart:] - times[:-apart]) / apart))
    if not 0 < step < LONGEST_NIGHT_S:
        raise found.refusal(
            "the time column does not advance from row to row, so the sampling rate is not known; check"
            " the column, or give `rate_hz`."
        )
    resolution = _resolution(times[:5000])
    steps = np.diff(times)
    if 0 < written_s < resolution and not _beats_of_two_rates(steps, step):
        resolution = written_s
    shared = float((np.abs(steps) < 1e-12).mean())
    packet = float(np.percentile(steps[steps > 1e-12], 95)) if shared > 0.1 else 0.0
    if packet and np.count_nonzero(steps) >= _LEAST_CHANGES:
        step, jitter = _by_changes(times)
        if not 0 < step < LONGEST_NIGHT_S:
            raise found.refusal(
                "the time stamps that rows share go back as often as forward, so the sampling rate is not"
                " known; check the column, or give `rate_hz`."
            )
        return Stamps(step, resolution, packet, exact=False, jitter_s=jitter)
    off = float(np.percentile(np.abs(steps - step), 95))
    if not packet and off > 0.5 * step + resolution:
        raise found.refusal(
            f"the rows are unevenly spaced in time: most are {1000 * step:.3g} ms apart, one in twenty is"
            f" off by more than {1000 * off:.3g} ms, and EMG cannot be filtered so; export it at an even"
            " rate."
        )
    least = max(1.5 * packet, 1.5 * step, 1.1 * (step + resolution) if resolution > 0.1 * step else 0)
    near = steps[(steps >= 0) & (steps <= least)]
    mean = float(near.mean()) if near.any() else step
    rounded = resolution > 0.1 * step and abs(mean / resolution - round(mean / resolution)) > 1e-5
    return Stamps(mean, resolution, packet, not packet and off <= 0.1 * step and not rounded)


def _by_changes(times: NDArray[np.float64]) -> tuple[float, float]:
    """Seconds a row, and jitter, by the rows at which a shared stamp changes."""
    rows = np.flatnonzero(np.diff(times)) + 1
    seconds, counts = np.diff(times[rows]), np.diff(rows)
    step = float(np.median(seconds / counts))
    for _ in range(2):
        strays = np.abs(seconds - counts * step)
        kept = strays <= max(2 * step, 3 * float(np.median(strays)))
        step = float(seconds[kept].sum() / counts[kept].sum())
    return step, float(np.percentile(np.abs(seconds - counts * step), 90))


@dataclass
class ClockTracker:
    """Follows the stamps; `push` takes them in order, `finish` gives the runs and the rate.

    Parameters
    ----------
    stamps
        From `examine`.
    midnight_s
        Seconds from midnight at time 0 where the stamps are local clock times, else None: only
        then can a step of one hour be the change of the clocks.
    """

    stamps: Stamps
    found: Findings
    midnight_s: float | None = None
    _runs: list[tuple[int, float, float]] = field(default_factory=list)
    _anchors: list[tuple[int, int, float]] = field(default_factory=list)
    _ref: float = 0.0
    _shift: float = 0.0
    _credit: float = 0.0
    _rows: int = 0
    _strays: int = 0
    _backward: list[float] = field(default_factory=list)
    _clock_changes: list[float] = field(default_factory=list)
    _last: float | None = None
    _last_change: int = 0
    _unplaced: list[tuple[int, int]] = field(default_factory=list)

    @property
    def _tolerance(self) -> float:
        s = self.stamps
        if s.exact:
            return 0.75 * s.step_s
        least = max(LEAST_GAP_ROWS * s.step_s, LEAST_GAP_S)
        return max(least, 2 * s.jitter_s if s.packet_s else 1.1 * s.resolution_s)

    @property
    def _block(self) -> int:
        """Stamps of about a second; where rows share them, changes of at least five."""
        if self.stamps.packet_s:
            return max(5, round(2 / self.stamps.packet_s))
        return max(16, round(1 / self.stamps.step_s))

    @property
    def _settled(self) -> int:
        """Stamps after a step from which its size is taken."""
        return max(3, round(1 / self.stamps.packet_s)) if self.stamps.packet_s else _STEP_ROWS

    def push(self, times: NDArray[np.float64]) -> None:
        """Take the stamps of the next rows, seconds; NaN where a row has none."""
        rows = self._rows + np.arange(len(times))
        kept = np.isfinite(times)
        off = (times - rows * self.stamps.step_s)[kept]
        rows = rows[kept]
        self._rows += len(times)
        if not len(off):
            return
        if not self._runs:
            self._runs.append((0, float(off[0]), 0.0))
            self._ref = float(off[0])
        if self.stamps.packet_s:
            rows, off = self._changes(rows, off)
        at = 0
        while at < len(off):
            at = self._advance(rows, off, at)

    def _changes(
        self, rows: NDArray[np.int64], off: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Of rows that share stamps those at which the stamp changes: there the time is known to a row."""
        stamps = off + rows * self.stamps.step_s
        before = stamps[0] if self._last is None else self._last
        changed = np.abs(np.diff(stamps, prepend=before)) > 1e-9
        self._last = float(stamps[-1])
        rows, off = rows[changed], off[changed]
        if len(off) and len(self._runs) == 1 and not self._last_change:
            self._ref = float(np.median(off[: self._block]))
            self._runs[0] = (0, self._ref, 0.0)
            self._last_change = int(rows[0])
        return rows, off

    def _advance(self, rows: NDArray[np.int64], off: NDArray[np.float64], at: int) -> int:
        """Follow some blocks from place ``at`` to the next step or their end; the place reached."""
        shared = bool(self.stamps.packet_s)
        part = off[at : at + (1 if shared else _BLOCKS_AT_ONCE) * self._block]
        away = np.abs(part - self._ref) > self._tolerance
        first = int(np.argmax(away)) if away.any() else len(part)
        if first:
            even = part[:first]
            self._ref = float(np.median(even[-self._block :]))
            self._anchor(rows[at : at + first], even)
        if first == len(part):
            return at + first
        later = float(np.median(off[at + first : at + first + self._settled]))
        if not shared and abs(part[first] - later) <= self.stamps.step_s:
            later = float(part[first])
        step, row = later - self._ref, int(rows[at + first])
        if abs(step) <= self._tolerance:
            self._strays += not shared
            return at + first + 1
        if shared and step > 0:
            self._doubt(rows, off, at + first, later)
        self._step(row, step)
        return at + first

    def _doubt(self, rows: NDArray[np.int64], off: NDArray[np.float64], at: int, later: float) -> None:
        """Rows beside a gap that fell within a shared stamp: which of them came before it is unknown."""
        row, before = int(rows[at]), int(rows[at - 1]) if at else self._last_change
        jump = off[at] + (row - before) * self.stamps.step_s - self._ref
        if jump > _WITHIN_STAMP * self.stamps.packet_s:
            return
        settled = np.flatnonzero(np.abs(off[at : at + 3] - later) <= self._tolerance)
        after = at + int(settled[0]) if len(settled) else at
        self._unplaced.append((before, int(rows[after])))

    def _anchor(self, rows: NDArray[np.int64], off: NDArray[np.float64]) -> None:
        """Keep places to measure the rate by."""
        run = len(self._runs) - 1
        if self.stamps.packet_s:
            self._anchors.append((run, int(rows[0]), float(off[0])))
            self._anchors.append((run, int(rows[-1]), float(off[-1])))
            self._last_change = int(rows[-1])
            return
        self._anchors.append((run, int(rows[-1]), self._ref))

    def _step(self, row: int, step: float) -> None:
        """The stamps from ``row`` on stay ``step`` seconds later, or earlier, than before."""
        self._ref += step
        clock = row * self.stamps.step_s + self._ref
        if self._changes_clock(clock, step):
            self._clock_changes.append(step)
            self._shift += step
        elif step < 0:
            self._backward.append(step)
            self._credit -= step if step >= -_CATCHES_UP_S else 0.0
            self._credit += self.stamps.packet_s
            self._shift += step
        else:
            caught_up = min(self._credit, step)
            self._credit -= caught_up
            self._shift += caught_up
        self._runs.append((row, self._ref, self._shift))
        if len(self._runs) > MOST_GAPS:
            raise self.found.refusal(
                f"the time stamps leave more than {MOST_GAPS} gaps; the rows are not one recording at an"
                " even rate: export it again."
            )

    def _changes_clock(self, clock: float, step: float) -> bool:
        """Whether a step is the change to or from daylight-saving time: one hour, on the hour, at night."""
        if self.midnight_s is None or abs(abs(step) - _HOUR_S) > 1:
            return False
        before = (self.midnight_s + clock - step) % 86_400
        near = abs(before - _HOUR_S * round(before / _HOUR_S))
        return near <= 1 and before < 4.5 * _HOUR_S

    def finish(self, rate: Fraction | None) -> tuple[tuple[Run, ...], Fraction]:
        """Runs and rate: the given one, else the one that the stamps of all runs show."""
        step, n = self._true_step(), self._rows
        exact = rate or (self._named_rate(step) if step > 0 else Fraction(0))
        if exact <= 0:
            raise self.found.refusal(
                "the time stamps do not advance over the rows, so the sampling rate is not known; check the"
                " column, or give `rate_hz`."
            )
        starts = self._runs or [(0, 0.0, 0.0)]
        runs: list[Run] = []
        end, least = 0.0, LEAST_GAP_ROWS / float(exact)
        least = 0.5 / float(exact) if self.stamps.exact else max(least, LEAST_GAP_S)
        for (first, ref, shift), stop in zip(starts, [*(r[0] for r in starts[1:]), n], strict=True):
            onset = max(round(first * self.stamps.step_s + ref - shift - starts[0][1], 6), end)
            if runs and onset - end < least:
                last = runs.pop()
                runs.append(Run(last.first, stop - last.first, last.onset_s))
            else:
                runs.append(Run(first, stop - first, onset))
            end = runs[-1].onset_s + runs[-1].n / float(exact)
        if end > LONGEST_NIGHT_S:
            raise self.found.refusal(
                f"the time stamps span {end / 86_400:.0f} days, where up to 31 are read; check the time"
                " column."
            )
        self._tell(runs, exact, step, given=rate is not None)
        return tuple(_without(runs, self._unplaced, float(exact))), exact

    def _true_step(self) -> float:
        """Seconds a row over all runs, by the references at the ends of each."""
        drift, rows = 0.0, 0
        first: dict[int, tuple[int, float]] = {}
        last: dict[int, tuple[int, float]] = {}
        for run, row, ref in self._anchors:
            first.setdefault(run, (row, ref))
            last[run] = (row, ref)
        for run, (row, ref) in last.items():
            row_0, ref_0 = first[run] if self.stamps.packet_s else self._runs[run][:2]
            drift += ref - ref_0
            rows += row - row_0
        return self.stamps.step_s + (drift / rows if rows > 0 else 0.0)

    def _named_rate(self, step: float) -> Fraction:
        """The whole number, or tenth, that the stamps cannot be told from; else what they show."""
        rate = 1 / step
        coarse = 4 * step if self.stamps.packet_s else 2 * self.stamps.resolution_s
        fine = max(min(coarse, 4 * step), 1e-9 * self._rows * step)
        for digits, tolerance in ((0, max(fine, 0.25 * step)), (1, fine), (2, fine), (3, fine)):
            named = round(rate, digits)
            if named > 0 and abs(1 / named - step) * self._rows <= tolerance:
                return Fraction(str(named))
        return Fraction(round(rate * 1_000_000), 1_000_000)

    def _tell(self, runs: list[Run], rate: Fraction, step: float, *, given: bool) -> None:
        found, s = self.found, self.stamps
        exact = float(rate)
        if given and abs(1 - exact * step) > 0.001 * exact * abs(step):
            shown = f"show {1 / step:.6g}" if step > 0 else "do not advance"
            found.warn(
                "rate-differs",
                f"The rate of {exact:g} a second is given, the time stamps {shown}.",
            )
        lost = sum(b.onset_s - a.onset_s - a.n / exact for a, b in pairwise(runs))
        if len(runs) > 1:
            found.warn(
                "gaps",
                f"{lasting(float(lost))} missing, in {count_of(len(runs) - 1, 'gap')} of the time stamps.",
            )
        if self._backward:
            found.warn(
                "times-backward",
                f"The time stamps go back {len(self._backward)} time"
                f"{'s' if len(self._backward) > 1 else ''}, by {-min(self._backward):.3f} s at most; the"
                " rows are kept in file order without overlap.",
            )
        for change in self._clock_changes:
            found.warn(
                "clock-change",
                f"The clock is set {'forward' if change > 0 else 'back'} by one hour in the night, as at"
                " the change of daylight-saving time; taken as no gap.",
            )
        if self._strays:
            found.note("times-stray", f"{self._strays} time stamps stand out alone and are not used.")
        if s.packet_s:
            found.note(
                "times-shared",
                f"Rows share time stamps, which come in steps of {s.packet_s:.3g} s; rows are taken as"
                f" evenly spaced, and a gap of less than {1000 * self._tolerance:.3g} ms cannot be seen.",
            )
        if s.packet_s >= _CLOCK_S and s.jitter_s > max(3 * s.step_s, _UNEVEN_SHARE * s.packet_s):
            found.warn(
                "rows-uneven",
                f"The number of rows to a time stamp of {s.packet_s:.3g} s varies by"
                f" {s.jitter_s / s.step_s:.0f} or more in one of ten: rows are missing all along, so neither"
                f" the rate of {exact:.6g} a second nor the time within a stamp is certain; export the table"
                " with finer stamps.",
            )
        if self._unplaced:
            found.warn(
                "rows-unplaced",
                f"Rows are missing within {len(self._unplaced)} of the time stamps that rows share; which"
                " of the others came before and which after the gap is not known, so"
                f" {sum(b - a for a, b in self._unplaced) / exact:.3f} s of rows are left out.",
            )
        self._tell_residual(1 / exact)

    def _tell_residual(self, step: float) -> None:
        """Warn where stamps of a run stray from an even sequence by more than 0.1 s."""
        worst = 0.0
        by_run: dict[int, list[float]] = {}
        for run, row, ref in self._anchors:
            by_run.setdefault(run, []).append(ref + row * (self.stamps.step_s - step))
        for values in by_run.values():
            worst = max(worst, max(values) - min(values))
        if worst > _UNEVEN_S + 0.5 * self.stamps.packet_s:
            self.found.warn(
                "times-uneven",
                f"Within a run the time stamps drift by up to {worst:.3f} s from an even sequence of"
                f" {1 / step:.6g} rows a second.",
            )


def _without(runs: list[Run], left_out: list[tuple[int, int]], rate: float) -> list[Run]:
    """Runs less the given rows."""
    kept: list[Run] = []
    k = 0
    for run in runs:
        first, stop = run.first, run.first + run.n
        while k < len(left_out) and left_out[k][0] < stop:
            a, b = left_out[k]
            if a > first:
                kept.append(Run(first, a - first, round(run.onset_s + (first - run.first) / rate, 6)))
            first = max(first, min(b, stop))
            if b >= stop:
                break
            k += 1
        if first < stop:
            kept.append(Run(first, stop - first, round(run.onset_s + (first - run.first) / rate, 6)))
    return kept or runs
