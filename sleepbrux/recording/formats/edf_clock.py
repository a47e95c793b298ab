"""Where the records of a file lie on the night clock.

Records follow each other unless their own times say that time is missing between them::

    records    0  1  2        3  4            origin: time of record 0
    clock      [--------)     [-----)         a new run of records where time is missing
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.printed import lasting
from sleepbrux.core.texts import count_of
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_annotations import LONGEST_NIGHT_S, Annotations
from sleepbrux.recording.formats.edf_header import Header
from sleepbrux.recording.model import Piece

LEAST_GAP_S = 0.005
LEAST_GAP_SAMPLES = 1.5
# More than rounding to a millisecond explains.
_UNEVEN_S = 0.0006


@dataclass(frozen=True)
class Run:
    """``n`` records without a gap, from number ``first``, starting ``onset`` s into the night."""

    first: int
    n: int
    onset: Fraction


@dataclass(frozen=True)
class RecordClock:
    """Runs of records in time order, and the header-clock time of the first sample, in seconds."""

    runs: tuple[Run, ...]
    origin: Fraction
    record_duration: Fraction

    @property
    def n_records(self) -> int:
        """Records in all."""
        return self.runs[-1].first + self.runs[-1].n

    @property
    def duration(self) -> Fraction:
        """Seconds of the night clock, gaps counted."""
        return self.runs[-1].onset + self.runs[-1].n * self.record_duration

    def gaps(self) -> tuple[tuple[float, float], ...]:
        """(start, stop) of the missing stretches, in seconds of the night clock."""
        ends = [run.onset + run.n * self.record_duration for run in self.runs[:-1]]
        starts = [run.onset for run in self.runs[1:]]
        return tuple((float(a), float(b)) for a, b in zip(ends, starts, strict=True))

    def pieces(self, samples_per_record: int) -> tuple[Piece, ...]:
        """Pieces of a channel; a run begins at the sample nearest to its time, halves up."""
        rate = samples_per_record / self.record_duration
        return tuple(
            Piece(
                int((run.onset * rate + Fraction(1, 2)) // 1),
                run.first * samples_per_record,
                run.n * samples_per_record,
            )
            for run in self.runs
        )


def _tolerance_s(header: Header) -> float:
    """Least missing time that counts as a gap: of the fastest channel, so that all agree."""
    fastest = max(s.samples_per_record for s in header.signals if not s.is_annotations)
    return max(LEAST_GAP_SAMPLES * float(header.record_duration) / fastest, LEAST_GAP_S)


class Jump(NamedTuple):
    """Where a run ends, and what its record times were like.

    Attributes
    ----------
    stop
        Record behind the last of the run.
    early
        Records that came before their predecessor's end.
    jitter_s
        Largest deviation that was tolerated, in seconds.
    """

    stop: int
    early: int
    jitter_s: float


def _next_jump(
    onsets: NDArray[np.float64], run: int, start_s: float, step_s: float, tolerance_s: float
) -> Jump:
    """First record after number ``run`` that comes late."""
    early, jitter = 0, 0.0
    first, window = run + 1, 64
    while first < len(onsets):
        stop = min(first + window, len(onsets))
        late_by = onsets[first:stop] - (start_s + step_s * np.arange(first - run, stop - run))
        late = np.flatnonzero(late_by > tolerance_s)
        late_by = late_by[: late[0]] if len(late) else late_by
        tolerated = np.abs(late_by[np.abs(late_by) <= tolerance_s])
        early += int((late_by < -tolerance_s).sum())
        jitter = max(jitter, float(tolerated.max(initial=0.0)))
        if len(late):
            return Jump(first + int(late[0]), early, jitter)
        first, window = stop, window * 4
    return Jump(len(onsets), early, jitter)


def _believable(annotations: Annotations, origin: float, found: Findings) -> None:
    """Forget record times that lie outside any night, as a damaged file has them."""
    with np.errstate(invalid="ignore"):
        wild = np.abs(annotations.onsets - origin) > LONGEST_NIGHT_S
    if wild.any():
        annotations.onsets[wild] = np.nan
        found.warn(
            "record-times-wild",
            f"{int(wild.sum())} records have a time more than 31 days from the first; the times"
            " are not used.",
        )


def _origin(annotations: Annotations, found: Findings) -> Fraction:
    """Header-clock time of the first sample."""
    if not len(annotations.onsets) or np.isnan(annotations.onsets[0]):
        return Fraction(0)
    origin = annotations.onset(0)
    if abs(origin) > LONGEST_NIGHT_S:
        return Fraction(0)
    if not 0 <= origin < 1:
        found.note(
            "first-record-time",
            f"The first sample lies {float(origin):g} s after the start that the header states.",
        )
    return origin


def _refuse_contradiction(header: Header, annotations: Annotations, found: Findings) -> None:
    """Refuse a file whose records follow each other faster than they last."""
    steps = np.diff(annotations.onsets)
    steps = steps[~np.isnan(steps)]
    lasts = float(header.record_duration)
    if len(steps) < 4 or np.median(steps) > 0.9 * lasts:
        return
    raise found.refusal(
        f"the records' own times lie {np.median(steps):g} s apart, but the header says that a record "
        f"lasts {lasts:g} s; the two contradict each other, so the sampling rate is not known: correct "
        "the record duration in the header."
    )


def _note_times(header: Header, annotations: Annotations, found: Findings) -> None:
    missing = int(np.isnan(annotations.onsets).sum())
    if missing and any(s.is_annotations for s in header.signals) and header.plus:
        found.warn(
            "record-times-missing",
            f"{missing} of {header.n_records} records do not give their time; they are taken to"
            " follow the record before them.",
        )


def _note_gaps(header: Header, clock: RecordClock, jumps: list[Jump], found: Findings) -> None:
    early = sum(jump.early for jump in jumps)
    jitter_s = max(jump.jitter_s for jump in jumps)
    lost = sum(stop - start for start, stop in clock.gaps())
    if clock.gaps():
        found.warn(
            "gaps",
            f"{lasting(float(lost))} missing, in {count_of(len(clock.gaps()), 'gap')} of the record times"
            + ("." if header.plus == "D" else ", though the file is marked as continuous."),
        )
    elif header.plus == "D":
        found.note("no-gap", "The file is marked as discontinuous and has no gap.")
    if early:
        found.warn(
            "record-times-backward",
            f"{early} records have a time before the end of the record in front of them; they are"
            " kept in file order without overlap.",
        )
    if jitter_s > _UNEVEN_S:
        found.note(
            "record-times-uneven",
            f"Record times are up to {1000 * jitter_s:.1f} ms off an even sequence; taken as even.",
        )


def record_clock(header: Header, annotations: Annotations, found: Findings) -> RecordClock:
    """Lay the records on the night clock.

    A run ends where a record comes later than its predecessors lead to expect, by more than 5 ms
    and more than 1.5 samples of the fastest channel.

    Parameters
    ----------
    header
        Header with at least one signal that has samples.
    annotations
        Record times; `onsets` may lose unbelievable ones.
    """
    origin = _origin(annotations, found)
    _note_times(header, annotations, found)
    _believable(annotations, float(origin), found)
    _refuse_contradiction(header, annotations, found)
    tolerance, step = _tolerance_s(header), header.record_duration
    runs = []
    jumps = []
    first, onset = 0, Fraction(0)
    while first < header.n_records:
        start_s = float(onset + origin)
        jump = _next_jump(annotations.onsets, first, start_s, float(step), tolerance)
        runs.append(Run(first, jump.stop - first, onset))
        jumps.append(jump)
        first = jump.stop
        if first < header.n_records:
            onset = annotations.onset(first) - origin
    clock = RecordClock(tuple(runs), origin, step)
    _note_gaps(header, clock, jumps, found)
    return clock
