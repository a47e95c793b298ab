"""Heart beats from an ECG or a pulse wave, which of their intervals can be trusted, and the heart rate.

Beats of an ECG come from sleepecg's detector (after Pan & Tompkins 1985), run over blocks of ten
minutes with a margin, so that a bad stretch spoils its own block only. On record 100 of the MIT-BIH
Arrhythmia Database it finds the 2,273 beats that experts marked (tests/signal/test_heart.py).

An interval is trusted where it can be a heart's: see `trust`. The limits there are common practice,
no source; they are wide enough for a sudden rise of the rate by half.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Channel, Recording
from sleepbrux.signal.streams import stream

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
HeartKind = Literal["ecg", "pulse wave"]

CORE_S, MARGIN_S = 600.0, 15.0
LEAST_ECG_HZ = 100
LEAST_WAVE_HZ = 20
LEAST_STRETCH_S = 5.0
PULSE_BAND_HZ = (0.5, 5.0)
SHORTEST_S, LONGEST_S = 0.3, 2.0
AROUND = 5  # intervals either way that say what is usual
EARLY, LATE, DOUBLE = 0.8, 1.15, 1.8
SUM_TOLERANCE = 0.2
LIKENESS = 0.6
SHAPE_S = 0.06
LATEST_END_S = 2.0


@dataclass(frozen=True, eq=False)
class Heart:
    """The beats of a night.

    Attributes
    ----------
    label, kind
        The channel that they come from, and what it is.
    beats_s
        float64, shape (n,): second of each beat on the night clock.
    trusted
        bool, shape (n,): whether the interval that ends at the beat says the heart rate.
    """

    label: str
    kind: HeartKind
    beats_s: Floats
    trusted: Bools

    def intervals(self) -> tuple[Floats, Floats]:
        """(start, stop) of the trusted intervals, seconds, each float64, shape (n_trusted,)."""
        index = np.flatnonzero(self.trusted)
        return self.beats_s[index - 1], self.beats_s[index]


def _detect(values: Floats, rate: float, kind: HeartKind) -> NDArray[np.int64]:
    """Beats of one stretch, sample numbers."""
    if len(values) < LEAST_STRETCH_S * rate or not np.ptp(values) > 0:
        return np.empty(0, dtype=np.int64)
    if kind == "ecg":
        from sleepecg.heartbeats import detect_heartbeats

        return np.asarray(detect_heartbeats(values - np.median(values), rate), dtype=np.int64)
    from scipy.signal import butter, find_peaks, sosfiltfilt

    sections = butter(2, PULSE_BAND_HZ, "bandpass", fs=rate, output="sos")
    slope = np.gradient(sosfiltfilt(sections, values))
    typical = float(np.percentile(slope, 98))
    peaks, _ = find_peaks(slope, height=0.4 * typical, distance=max(round(SHORTEST_S * rate), 1))
    return np.asarray(peaks, dtype=np.int64)


def _alike(values: Floats, beats: NDArray[np.int64], rate: float) -> Bools:
    """Whether each beat looks like the median beat of its stretch: correlation of `LIKENESS` or more."""
    reach = max(round(SHAPE_S * rate), 1)
    result = np.zeros(len(beats), dtype=np.bool_)
    whole = (beats >= reach) & (beats < len(values) - reach)
    if not whole.any():
        return result
    shapes = values[beats[whole, None] + np.arange(-reach, reach + 1)]
    shapes = shapes - shapes.mean(axis=1, keepdims=True)
    shapes /= np.maximum(np.linalg.norm(shapes, axis=1, keepdims=True), 1e-12)
    model = np.median(shapes, axis=0)
    model /= max(float(np.linalg.norm(model)), 1e-12)
    result[whole] = shapes @ model >= LIKENESS
    return result


def trust(beats_s: Floats, alike: Bools) -> Bools:
    """Which intervals say the heart rate, bool, shape (n_beats,): that which ends at each beat.

    Left out are intervals shorter than 0.3 s or longer than 2 s, beside a beat that looks unlike the
    others, a short one followed by a long one (an early beat and its pause), two that together make
    one usual interval (a beat too many), and one of 1.8 times the usual length or more (a beat
    missed). What is usual is the median of the eleven intervals around.
    """
    result = np.zeros(len(beats_s), dtype=np.bool_)
    if len(beats_s) < 2:
        return result
    interval = np.diff(beats_s)
    good = (interval >= SHORTEST_S) & (interval <= LONGEST_S) & alike[1:] & alike[:-1]
    possible = np.where((interval >= SHORTEST_S) & (interval <= LONGEST_S), interval, np.nan)
    padded = np.pad(possible, AROUND, constant_values=np.nan)
    surroundings = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    known = ~np.isnan(surroundings).all(axis=1)
    usual = np.full(len(interval), np.nan)
    usual[known] = np.nanmedian(surroundings[known], axis=1)
    good &= ~(interval >= DOUBLE * usual)
    early = (interval[:-1] < EARLY * usual[:-1]) & (interval[1:] > LATE * usual[1:])
    pair = interval[:-1] + interval[1:]
    extra = (np.abs(pair / usual[:-1] - 1) <= SUM_TOLERANCE) & (
        np.maximum(interval[:-1], interval[1:]) < EARLY * usual[:-1]
    )
    for wrong in (early, extra):
        good[:-1] &= ~wrong
        good[1:] &= ~wrong
    result[1:] = good
    return result


def find_beats(recording: Recording, channel: Channel) -> Heart:
    """Beats of an ECG or pulse-wave channel over the whole recording.

    Parameters
    ----------
    channel
        Of role ``"ecg"`` with 100 samples a second or more, or ``"pulse"`` with 20 or more.
    """
    rate = float(channel.rate)
    kind: HeartKind = "ecg" if channel.role == "ecg" else "pulse wave"
    found, alike, breaks = [], [], []
    for stretch in stream(recording, [channel], core_s=CORE_S, margin_s=MARGIN_S):
        values = stretch.values[0].astype(np.float64)
        beats = _detect(values, rate, kind)
        like = _alike(values, beats, rate) if kind == "ecg" else np.ones(len(beats), dtype=np.bool_)
        inside = (beats >= stretch.inside.start) & (beats < stretch.inside.stop)
        found.append((beats[inside] + stretch.first) / rate)
        alike.append(like[inside])
        breaks.append(stretch.core)
    beats_s = np.concatenate(found) if found else np.empty(0)
    like = np.concatenate(alike) if alike else np.empty(0, dtype=np.bool_)
    # two blocks may both claim, or both leave, a beat on their border by a sample: keep one
    keep = np.diff(beats_s, prepend=-np.inf) > SHORTEST_S / 2
    beats_s, like = beats_s[keep], like[keep]
    trusted = trust(beats_s, like)
    for (_, stop), (start, _) in pairwise(breaks):
        if start > stop:  # a gap in the recording: no interval crosses it
            after = int(np.searchsorted(beats_s, start / rate))
            trusted[after : after + 1] = False
    return Heart(channel.label, kind, beats_s, trusted)


def usable_heart(channels: tuple[Channel, ...]) -> Channel | None:
    """The channel to take beats from: an ECG first, else a pulse wave; None where there is none."""
    for role, least in (("ecg", LEAST_ECG_HZ), ("pulse", LEAST_WAVE_HZ)):
        for channel in channels:
            if channel.role == role and not channel.fault and channel.rate >= least:
                return channel
    return None


def _covered_s(heart: Heart) -> tuple[Floats, Floats]:
    """Knots of the time that trusted intervals cover up to each second, for interpolation."""
    start, stop = heart.intervals()
    at = np.stack((start, stop), axis=1).ravel()
    done = np.cumsum(stop - start)
    return at, np.stack((done - (stop - start), done), axis=1).ravel()


def covered_s(heart: Heart, low_s: Floats, high_s: Floats) -> Floats:
    """Seconds of each stretch that trusted intervals cover, float64, shape of ``low_s``."""
    at, done = _covered_s(heart)
    if not len(at):
        return np.zeros(np.shape(low_s))
    return np.asarray(np.interp(high_s, at, done) - np.interp(low_s, at, done), dtype=np.float64)


def rate_at(heart: Heart, seconds: Floats) -> Floats:
    """Heart rate at each second, beats a minute, NaN where no trusted interval holds it."""
    start, stop = heart.intervals()
    if not len(start):
        return np.full(np.shape(seconds), np.nan)
    index = np.searchsorted(start, seconds, side="right") - 1
    safe = np.maximum(index, 0)
    inside = (index >= 0) & (seconds < stop[safe])
    return np.where(inside, 60.0 / (stop[safe] - start[safe]), np.nan)


def night_mean_rate(heart: Heart, spans_s: tuple[tuple[float, float], ...]) -> float | None:
    """Beats a minute over the trusted intervals that end in these spans; None without one."""
    start, stop = heart.intervals()
    inside = np.zeros(len(stop), dtype=np.bool_)
    for a, b in spans_s:
        inside |= (stop >= a) & (stop < b)
    seconds = float((stop - start)[inside].sum())
    return 60.0 * int(inside.sum()) / seconds if seconds else None


def highest_before(heart: Heart, onsets_s: Floats, within_s: float) -> Floats:
    """Highest rate among the intervals that end in the ``within_s`` before each onset, beats a minute.

    Where none ends in so short a time, the last one that ended counts, if that was less than 2 s ago.
    NaN where one of these intervals cannot be trusted.
    """
    beats = heart.beats_s
    first = np.searchsorted(beats, onsets_s - within_s, side="left")
    after = np.searchsorted(beats, onsets_s, side="right")
    result = np.full(len(onsets_s), np.nan)
    for k in np.flatnonzero(after > 0).tolist():
        a, b = int(first[k]), int(after[k])
        if a == b and onsets_s[k] - beats[b - 1] < LATEST_END_S:
            a = b - 1
        if a < b and heart.trusted[a:b].all():
            result[k] = 60.0 / float((beats[a:b] - beats[np.arange(a, b) - 1]).min())
    return result


def usual_before(heart: Heart, onsets_s: Floats, length_s: float, gap_s: float) -> Floats:
    """Median rate over the ``length_s`` that end ``gap_s`` before each onset, beats a minute.

    NaN where trusted intervals cover less than half of that.
    """
    start, stop = heart.intervals()
    rate = 60.0 / (stop - start)
    high = onsets_s - gap_s
    low = high - length_s
    enough = covered_s(heart, low, high) >= length_s / 2
    first, after = (
        np.searchsorted(stop, low, side="left"),
        np.searchsorted(stop, high, side="right"),
    )
    result = np.full(len(onsets_s), np.nan)
    for k in np.flatnonzero(enough & (after > first)).tolist():
        result[k] = np.median(rate[first[k] : after[k]])
    return result


def judged_seconds(heart: Heart, n_seconds: int, within_s: float, length_s: float, gap_s: float) -> Bools:
    """Whole seconds in which any onset could be judged by its heart rate, bool, shape (n_seconds,).

    ``length_s`` of 0 asks for no usual rate before the onset.
    """
    second = np.arange(n_seconds, dtype=np.float64)
    reach = max(within_s, LATEST_END_S)
    first = np.searchsorted(heart.beats_s, second - reach, side="left")
    after = np.searchsorted(heart.beats_s, second + 1, side="right")
    bad = np.concatenate(([0], np.cumsum(~heart.trusted)))
    known = (after > first) & (bad[after] == bad[first])
    if length_s:
        for at in (second - gap_s, second + 1 - gap_s):
            known &= covered_s(heart, at - length_s, at) >= length_s / 2
    return np.asarray(known, dtype=np.bool_)


def sleepecg_stage_codes() -> dict[int, str]:
    """Stage that each code of sleepecg means, read from its own list."""
    from sleepecg.io.sleep_readers import SleepStage

    return {int(stage): stage.name.lower() for stage in SleepStage}
