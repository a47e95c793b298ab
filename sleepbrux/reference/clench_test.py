"""Clench test by appliance: how strong the maximal clench is with each, beside natural teeth.

One session at the chair: natural teeth first and last, the appliances between in an order that is
balanced over persons, three clenches each, 60 s of rest between conditions. What it shows is a chairside
level of this session, not an effect on the night.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, ReferenceLevelError
from sleepbrux.core.texts import count_of
from sleepbrux.recording.clenches import NATURAL, NOT_STATED
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark
from sleepbrux.reference.levels import Window
from sleepbrux.reference.marks import teeth_of
from sleepbrux.reference.trials import measure
from sleepbrux.signal.sweep import ChannelFrames

LEAST_REST_S = 60.0
REST_TOLERANCE_S = 1.0
LEVEL = 0.95
WINDOW: Window = "best_1s"
FEWEST = 2
SPREAD_PCT = 15.0

SENTENCE = (
    "A chairside level is not a night-time effect: how strongly somebody can clench with an appliance in "
    "does not say how often, how long or how strongly the muscles work at night with it."
)
ASSUMES = (
    "The intervals are of 95 %, by Student's t on the logarithms of the single clenches, and assume that "
    "the clenches of a session are independent, spread alike under every condition, and that fatigue "
    "changes the level by the same percentage from clench to clench. With so few clenches none of this can "
    "be checked. They speak of this session only: not of another day, of electrodes placed anew, or of "
    "another person."
)


@dataclass(frozen=True)
class Clench:
    """One trial of the test.

    Attributes
    ----------
    condition
        ``"natural teeth"`` or the appliance that was in.
    start_s, stop_s
        Seconds from the first sample of the first recording.
    levels_uv
        Best 1-s RMS by channel label; without channels in which the trial cannot be used.
    faults
        Why a channel's level was left out.
    """

    condition: str
    start_s: float
    stop_s: float
    levels_uv: dict[str, float]
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Share:
    """A level in % of natural teeth, with an interval of 95 % where the trials allow one."""

    pct: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class ConditionLevel:
    """One condition in one channel.

    Attributes
    ----------
    trials_uv
        In the order in which they were made.
    mean_uv
        Mean of the trials.
    best_uv
        Mean best of ``equal_trials`` trials over all choices of so many, so that a condition with more
        trials has no better chance.
    as_measured
        In % of natural teeth, tiredness contained; None for natural teeth themselves.
    without_tiredness
        The same with tiredness taken out; None where the order does not let it be told apart.
    """

    condition: str
    trials_uv: tuple[float, ...]
    mean_uv: float
    best_uv: float
    as_measured: Share | None
    without_tiredness: Share | None


@dataclass(frozen=True)
class ChannelTest:
    """One muscle and side.

    Attributes
    ----------
    equal_trials
        Trials of the condition that has fewest.
    tiredness_pct
        Change from clench to clench in %, negative where the muscle tires; None where not told apart.
    degrees
        Degrees of freedom of the intervals without tiredness; of those as measured where None.
    """

    label: str
    muscle: str
    side: str
    equal_trials: int
    conditions: tuple[ConditionLevel, ...]
    tiredness_pct: Share | None
    degrees: int


@dataclass(frozen=True)
class Asymmetry:
    """(left - right) / (left + right) of one muscle under one condition, in %, mean over trials."""

    muscle: str
    condition: str
    pct: float
    low: float | None
    high: float | None
    trials: int


@dataclass(frozen=True)
class ClenchTest:
    """A whole session.

    Attributes
    ----------
    order
        Conditions as they were made, one entry a block.
    tiredness
        Whether tiredness could be told from the conditions, in words.
    input_sha256
        Digests of the recordings.
    """

    name: str
    trials: tuple[Clench, ...]
    order: tuple[str, ...]
    channels: tuple[ChannelTest, ...]
    asymmetry: tuple[Asymmetry, ...]
    tiredness: str
    notes: tuple[Note, ...]
    input_sha256: tuple[str, ...] = ()


def balanced_order(appliances: Sequence[str], person: int) -> tuple[str, ...]:
    """Order of the test for the n-th person: natural teeth first and last, appliances by Latin square.

    Row ``person`` of the square that is rotated and, in its second half, also reversed: over as many
    persons as it has rows each appliance comes equally often at each place, before and after each other
    by turns.

    Examples
    --------
    >>> balanced_order(["A", "B"], 0)
    ('natural teeth', 'A', 'B', 'natural teeth')
    >>> balanced_order(["A", "B"], 1)
    ('natural teeth', 'B', 'A', 'natural teeth')
    """
    n = len(appliances)
    if n == 0:
        return (NATURAL,)
    turn = person % (2 * n) if n > 2 else person % n
    row = [appliances[(turn + k) % n] for k in range(n)]
    return (NATURAL, *(reversed(row) if turn >= n else row), NATURAL)


def condition_of(text: str, names: Sequence[str] = (), otherwise: str = NOT_STATED) -> str:
    """What a clench mark says was between the teeth.

    Parameters
    ----------
    names
        Conditions of a study: a mark that holds one of them, the longest first, names it.
    otherwise
        What a mark means that says nothing.

    Examples
    --------
    >>> condition_of("MVC front splint 2", ["splint", "front splint"]), condition_of("Clench natural")
    ('front splint', 'natural teeth')
    """
    plain = text.casefold()
    for name in sorted(names, key=len, reverse=True):
        if name.casefold() in plain:
            return name
    said = teeth_of(text)
    return otherwise if said == NOT_STATED else said


def clenches_of(
    channels: Sequence[ChannelFrames],
    marks: Sequence[Mark],
    *,
    names: Sequence[str] = (),
    otherwise: str = NOT_STATED,
    offset_s: float = 0.0,
) -> list[Clench]:
    """The marked clenches of a recording, measured, in order of time.

    Parameters
    ----------
    names, otherwise
        See `condition_of`.
    offset_s
        Start of this recording on the clock of the session.
    """
    cues = sorted(
        (m for m in marks if classify(m.text) == "clench" and m.duration_s > 0),
        key=lambda m: m.start_s,
    )
    stretches = [(m.start_s, m.start_s + m.duration_s) for m in cues]
    measured = [measure(frames, stretches) for frames in channels]
    trials = []
    for k, mark in enumerate(cues):
        levels, faults = {}, []
        for channel in measured:
            trial = channel.trials[k]
            wrong = [*trial.faults, *(["clipped"] if trial.clipped else [])]
            level = trial.levels_uv[WINDOW]
            if wrong or level is None:
                faults.append(f"{channel.label}: {'; '.join(wrong)}")
            else:
                levels[channel.label] = level
        start, stop = stretches[k]
        trials.append(
            Clench(
                condition_of(mark.text, names, otherwise),
                start + offset_s,
                stop + offset_s,
                levels,
                tuple(faults),
            )
        )
    return trials


def clench_test(name: str, channels: Sequence[ChannelFrames], trials: Sequence[Clench]) -> ClenchTest:
    """Compare the conditions of a session.

    Parameters
    ----------
    channels
        Muscles and sides; of several recordings those of the first.
    trials
        In order of time.

    Raises
    ------
    ReferenceLevelError
        Fewer than two conditions, no natural teeth among them, or clenches that do not say theirs.
    """
    conditions = list(dict.fromkeys(t.condition for t in trials))
    if not trials:
        raise ReferenceLevelError(
            f"{name}: no mark with a duration names a clench; mark each one, as the protocol sheet says"
        )
    if NOT_STATED in conditions:
        raise ReferenceLevelError(
            f"{name}: {sum(t.condition == NOT_STATED for t in trials)} clench marks do not say what was "
            "between the teeth; write 'Clench natural teeth' or 'Clench with APPLIANCE'"
        )
    if NATURAL not in conditions or len(conditions) < FEWEST:
        raise ReferenceLevelError(
            f"{name}: a clench test needs natural teeth and at least one appliance; there are "
            + ", ".join(conditions)
        )
    order = tuple(condition for condition, _ in groupby(t.condition for t in trials))
    repeated = [c for c in conditions if order.count(c) > 1]
    tests = tuple(
        _channel(frames, trials, conditions, separable=bool(repeated))
        for frames in channels
        if any(frames.channel.label in t.levels_uv for t in trials)
    )
    if repeated:
        told = f"Repeating {', '.join(repeated)} separates fatigue from the appliance."
    else:
        told = (
            "Fatigue cannot be separated from the appliance: no condition was made at more than one place in the "
            "order, so a later condition may be lower because the muscle was tired. Make natural teeth "
            "first and last."
        )
    return ClenchTest(
        name,
        tuple(trials),
        order,
        tests,
        _asymmetries(channels, trials, conditions),
        told,
        tuple(_notes(trials, order, tests)),
    )


def _equal(levels: Sequence[float], n: int) -> float:
    """Mean best of ``n`` over all choices of ``n`` trials."""
    ordered, total = sorted(levels), math.comb(len(levels), n)
    return sum(math.comb(k, n - 1) * v for k, v in enumerate(ordered)) / total


def _share(log_ratio: float, error: float, degrees: int) -> Share:
    from scipy.special import stdtrit

    if degrees < 1 or not math.isfinite(error):
        return Share(100 * math.exp(log_ratio), None, None)
    half = float(stdtrit(degrees, (1 + LEVEL) / 2)) * error
    return Share(*(100 * math.exp(v) for v in (log_ratio, log_ratio - half, log_ratio + half)))


def _fit(
    design: NDArray[np.float64], logs: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Least squares: coefficients, their covariance, degrees of freedom."""
    found: NDArray[np.float64] = (np.linalg.pinv(design) @ logs).astype(np.float64)
    degrees = len(logs) - int(design.shape[1])
    left = float(((logs - design @ found) ** 2).sum())
    variance = left / degrees if degrees > 0 else math.nan
    covariance = (np.linalg.inv(design.T @ design) * variance).astype(np.float64)
    return found, covariance, degrees


def _channel(
    frames: ChannelFrames, trials: Sequence[Clench], conditions: Sequence[str], *, separable: bool
) -> ChannelTest:
    label = frames.channel.label
    known = [(k, t) for k, t in enumerate(trials) if label in t.levels_uv]
    by = {c: [t.levels_uv[label] for _, t in known if t.condition == c] for c in conditions}
    here = [c for c in conditions if by[c]]
    logs = np.log([t.levels_uv[label] for _, t in known])
    dummies = np.array([[t.condition == c for c in here] for _, t in known], dtype=np.float64)
    place = np.array([k for k, _ in known], dtype=np.float64)
    raw, raw_cov, raw_df = _fit(dummies, logs)
    design = np.column_stack((dummies, place - place.mean()))
    apart = separable and np.linalg.matrix_rank(design) == design.shape[1] and _spread_out(known, here)
    fitted, cov, degrees = _fit(design, logs) if apart else (raw, raw_cov, raw_df)

    def against(c: str, found: NDArray[np.float64], covariance: NDArray[np.float64], df: int) -> Share | None:
        if c == NATURAL or NATURAL not in here:
            return None
        step = np.zeros(len(found))
        step[here.index(c)], step[here.index(NATURAL)] = 1.0, -1.0
        return _share(float(step @ found), math.sqrt(float(step @ covariance @ step)), df)

    fewest = min(len(by[c]) for c in here)
    levels = tuple(
        ConditionLevel(
            c,
            tuple(by[c]),
            float(np.mean(by[c])),
            _equal(by[c], fewest),
            against(c, raw, raw_cov, raw_df),
            against(c, fitted, cov, degrees) if apart else None,
        )
        for c in here
    )
    tired = None
    if apart:
        slope = _share(float(fitted[-1]), math.sqrt(float(cov[-1, -1])), degrees)
        tired = Share(slope.pct - 100, *(None if v is None else v - 100 for v in (slope.low, slope.high)))
    return ChannelTest(label, frames.channel.muscle, frames.channel.side, fewest, levels, tired, degrees)


def _spread_out(known: Sequence[tuple[int, Clench]], here: Sequence[str]) -> bool:
    """Whether some condition still lies at two places among the usable trials."""
    order = [c for c, _ in groupby(t.condition for _, t in known)]
    return any(order.count(c) > 1 for c in here)


def _asymmetries(
    channels: Sequence[ChannelFrames], trials: Sequence[Clench], conditions: Sequence[str]
) -> tuple[Asymmetry, ...]:
    from scipy.special import stdtrit

    rows = []
    for muscle in dict.fromkeys(f.channel.muscle for f in channels):
        sides = {
            side: [f.channel.label for f in channels if f.channel.muscle == muscle and f.channel.side == side]
            for side in ("left", "right")
        }
        if len(sides["left"]) != 1 or len(sides["right"]) != 1:
            continue
        left, right = sides["left"][0], sides["right"][0]
        for condition in conditions:
            pairs = [
                (t.levels_uv[left], t.levels_uv[right])
                for t in trials
                if t.condition == condition and {left, right} <= t.levels_uv.keys()
            ]
            values = [100 * (a - b) / (a + b) for a, b in pairs]
            if not values:
                continue
            mean, n = float(np.mean(values)), len(values)
            half = (
                float(stdtrit(n - 1, (1 + LEVEL) / 2) * np.std(values, ddof=1) / math.sqrt(n))
                if n >= FEWEST
                else None
            )
            rows.append(
                Asymmetry(
                    muscle,
                    condition,
                    mean,
                    None if half is None else mean - half,
                    None if half is None else mean + half,
                    n,
                )
            )
    return tuple(rows)


def _notes(trials: Sequence[Clench], order: Sequence[str], tests: Sequence[ChannelTest]) -> list[Note]:
    notes = []
    if order[0] != NATURAL or order[-1] != NATURAL:
        notes.append(
            Note(
                "natural-not-first-and-last",
                "warning",
                f"the order was {', '.join(order)}; natural teeth should come first and last, so that "
                "fatigue can be separated from the appliances",
            )
        )
    short = [
        b.start_s - a.stop_s
        for a, b in pairwise(trials)
        if a.condition != b.condition and b.start_s - a.stop_s < LEAST_REST_S - REST_TOLERANCE_S
    ]
    if short:
        notes.append(
            Note(
                "rest-short",
                "warning",
                f"before {count_of(len(short), 'condition')} the rest was shorter than "
                f"{LEAST_REST_S:.0f} s (shortest "
                f"{min(short):.0f} s), so that the muscle may have been tired",
            )
        )
    faults = list(dict.fromkeys(f for t in trials for f in t.faults))
    if faults:
        notes.append(Note("trials-left-out", "warning", "clenches left out: " + "; ".join(faults)))
    for test in tests:
        counts = {c.condition: len(c.trials_uv) for c in test.conditions}
        if test.equal_trials < FEWEST:
            few = [c for c, n in counts.items() if n < FEWEST]
            notes.append(
                Note(
                    "single-trial",
                    "warning",
                    f"{test.label}: one usable clench only with {', '.join(few)}; its interval borrows the "
                    "spread of the other conditions",
                )
            )
        for level in test.conditions:
            if len(level.trials_uv) < FEWEST:
                continue
            cv = float(100 * np.std(level.trials_uv, ddof=1) / np.mean(level.trials_uv))
            if cv > SPREAD_PCT:
                notes.append(
                    Note(
                        "clench-spread",
                        "warning",
                        f"{test.label}: the clenches with {level.condition} spread by {cv:.0f} % (CV)",
                    )
                )
    return notes
