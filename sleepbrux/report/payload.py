"""What the strip of a page draws: envelopes and close-ups as logarithmic bytes, events as lists.

A byte holds an amplitude: 0 none, 1 to 255 from ``low`` to ``high`` in steps of equal ratio
(0.5 to 5000 µV: 3.7 % a step). Exact values are for tables; these are for the eye.
"""

from __future__ import annotations

import base64
import json
import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark
from sleepbrux.report.lanes import heart, stages, wake_probability
from sleepbrux.report.numbers import seconds_of_day
from sleepbrux.report.wording import BRIEF_REASONS, reason_words
from sleepbrux.scoring import bursts as burst_kinds
from sleepbrux.scoring import episodes as episode_kinds
from sleepbrux.scoring.closeups import surroundings, trace_of
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.sweep import ChannelFrames

LOW_UV, HIGH_UV = 0.5, 5000.0
DECADES = 4
STEPS_S = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
ENVELOPE_BYTES = 180_000
# frames joined, steps of the scale joined, and what a sample then takes in bytes (measured, deflated)
DETAILS = ((1, 1, 0.80), (1, 2, 0.67), (1, 4, 0.55), (2, 4, 0.50), (4, 4, 0.45), (8, 4, 0.42))
CLOSE_UP_BYTES = 230_000
TRACE_BYTES = 170_000
TRACE_STEPS = 127

Bytes = NDArray[np.uint8]
MARK_WORDS = {
    "lights_off": "lights off",
    "lights_on": "lights on",
    "clench": "clench",
    "rest": "rest",
    "sync": "sync",
    "stage": "stage",
    "": "other mark",
}


@dataclass(frozen=True, eq=False)
class Strip:
    """One channel as the strip draws it.

    Attributes
    ----------
    codes
        uint8, shape (n,): amplitude of each step.
    step_s
        Length of a step in seconds.
    low, high
        Amplitudes of the codes 1 and 255, in the channel's unit.
    """

    codes: Bytes
    step_s: float
    low: float
    high: float

    def values(self) -> NDArray[np.float64]:
        """Amplitudes, float64, shape (n,), NaN where there is none."""
        ratio = (self.codes.astype(np.float64) - 1) / 254
        values: NDArray[np.float64] = self.low * (self.high / self.low) ** ratio
        values[self.codes == 0] = np.nan
        return values


def to_codes(values: NDArray[np.floating[Any]], low: float, high: float, joined: int = 1) -> Bytes:
    """Amplitudes as bytes on a logarithmic scale; ``joined`` steps share one code."""
    known = np.isfinite(values)
    safe = np.where(known, np.maximum(values, low), low).astype(np.float64)
    place = np.log(safe / low) * (254 / math.log(high / low) / joined)
    codes: Bytes = np.minimum(np.floor(place + 0.5) * joined, 254).astype(np.uint8) + np.uint8(1)
    codes[~known] = 0
    return codes


def level_of(frames: ChannelFrames, amplitude: Amplitude, size: int) -> NDArray[np.float64]:
    """Amplitude over whole runs of ``size`` frames, NaN where none of them is recorded."""
    return _joined(frames.energy if amplitude == "rms" else frames.rectified, amplitude, size)


def _joined(part: NDArray[np.float32], amplitude: Amplitude, size: int) -> NDArray[np.float64]:
    n = -(-len(part) // size)
    if n * size != len(part):
        part = np.append(part, np.full(n * size - len(part), np.nan, dtype=np.float32))
    table = part.reshape(n, size)
    known = ~np.isnan(table)
    count = known.sum(axis=1)
    total = np.where(known, table, np.float32(0)).sum(axis=1, dtype=np.float64)
    mean: NDArray[np.float64] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return np.sqrt(mean) if amplitude == "rms" else mean


def _range(frames: ChannelFrames, values: NDArray[np.float64]) -> tuple[float, float]:
    """Ends of the scale: fixed for µV, four decades around the data for an unknown unit."""
    if frames.channel.unit == "uV":
        return LOW_UV, HIGH_UV
    known = values[np.isfinite(values) & (values > 0)]
    top = float(known.max()) if len(known) else 1.0
    high = 10.0 ** math.ceil(math.log10(top * 1.5))
    return high / 10**DECADES, high


def strips(night: Night) -> tuple[Strip, ...]:
    """Envelope of each scored channel, at a step that keeps the page small."""
    all_frames = night.swept.frames
    seconds = sum(f.grid.duration_s for f in all_frames)
    step_s = next((s for s in STEPS_S if seconds / s <= ENVELOPE_BYTES), STEPS_S[-1])
    out = []
    for frames in all_frames:
        size = max(round(step_s / float(frames.grid.slot_s)), 1)
        values = level_of(frames, night.amplitude, size)
        low, high = _range(frames, values)
        out.append(Strip(to_codes(values, low, high), size * float(frames.grid.slot_s), low, high))
    return tuple(out)


def _packed(parts: list[Bytes]) -> str:
    """Deflated and in base64."""
    joined = np.concatenate(parts) if parts else np.empty(0, dtype=np.uint8)
    return base64.b64encode(zlib.compress(joined.tobytes(), 9)).decode("ascii")


def _judged(night: Night, k: int) -> NDArray[np.float32]:
    """The envelope that the threshold is a threshold of, as mean squares for RMS; frame by frame in lost time."""
    frames = night.swept.frames[k]
    own = frames.energy if night.amplitude == "rms" else frames.rectified
    level = night.swept.envelope(k, night.amplitude, night.criterion.envelope.window_s).level
    return np.where(np.isnan(level), own, level**2 if night.amplitude == "rms" else level)


def close_ups(night: Night, scale: tuple[Strip, ...]) -> dict[str, Any]:
    """Envelope around each episode, five seconds either way, as bytes."""
    episodes, all_frames = night.episodes, night.swept.frames
    slot = float(episodes.grid.slot_s)
    spans = [
        surroundings(a * slot, b * slot)
        for a, b in zip(episodes.starts.tolist(), episodes.stops.tolist(), strict=True)
    ]
    per_s = sum(float(1 / f.grid.slot_s) for f in all_frames)
    samples = per_s * sum(b - a for a, b in spans)
    size, joined, _ = next((d for d in DETAILS if samples / d[0] * d[2] <= CLOSE_UP_BYTES), DETAILS[-1])
    parts: list[Bytes] = []
    firsts, counts = [], []
    envelopes = [_judged(night, k) for k in range(len(all_frames))] if spans else []
    for a, b in spans:
        row_first, row_n = [], []
        for frames, source, strip in zip(all_frames, envelopes, scale, strict=True):
            first, stop = frames.grid.slot_at(a), frames.grid.slot_at(b) + 1
            values = _joined(source[first:stop], night.amplitude, size)
            parts.append(to_codes(values, strip.low, strip.high, joined))
            row_first.append(round(frames.grid.seconds(first), 4))
            row_n.append(len(values))
        firsts.append(row_first)
        counts.append(row_n)
    return {
        "frames": size,
        "joined": joined,
        "window_s": night.criterion.envelope.window_s,
        "step_s": [size * float(f.grid.slot_s) for f in all_frames],
        "first_s": firsts,
        "n": counts,
        "data": _packed(parts),
    }


def traces(night: Night) -> dict[str, Any] | None:
    """Filtered signal around each episode in steps of a 127th of its own largest value; None without.

    ``of`` names the stretch that each episode shows, -1 for none. Bins are joined in pairs until all
    of them fit into the page.
    """
    kept, of = night.traces, trace_of(night)
    shown = sorted({k for k in of if k >= 0})
    if kept is None or not shown:
        return None
    joined, n = 1, sum(int(kept.offsets[k + 1] - kept.offsets[k]) for k in shown)
    while 2 * n / joined > TRACE_BYTES / 0.75:
        joined *= 2
    parts: list[Bytes] = []
    rows = []
    for k in shown:
        a, b = int(kept.offsets[k]), int(kept.offsets[k + 1])
        low = _extreme(kept.low[a:b], joined, np.fmin)
        high = _extreme(kept.high[a:b], joined, np.fmax)
        known = ~np.isnan(low)
        top = float(np.abs(np.concatenate((low[known], high[known]))).max()) if known.any() else 1.0
        scale = max(top, 1e-9) / TRACE_STEPS
        for values in (low, high):
            steps = np.round(np.where(known, values, 0) / scale) + 128
            parts.append(np.where(known, steps, 0).astype(np.uint8))
        rows.append(
            [
                int(kept.channel[k]),
                round(float(kept.first_s[k]), 4),
                float(kept.step_s[k]) * joined,
                len(low),
                float(f"{scale:.6g}"),
            ]
        )
    return {
        "of": [shown.index(k) if k >= 0 else -1 for k in of],
        "rows": rows,
        "data": _packed(parts),
    }


def _extreme(values: NDArray[np.float32], joined: int, pick: np.ufunc) -> NDArray[np.float64]:
    """Lowest or highest of ``joined`` bins; NaN where none of them is known."""
    n = -(-len(values) // joined)
    padded = np.append(values, np.full(n * joined - len(values), np.nan, dtype=np.float32))
    joint: NDArray[np.float64] = pick.reduce(padded.reshape(n, joined).astype(np.float64), axis=1)
    return joint


def mark_label(mark: Mark, *, texts: bool) -> str:
    """What a page says of a mark: its text as written, or only what kind of mark it is."""
    return mark.text if texts else MARK_WORDS[classify(mark.text)]


def excluded(quality: tuple[Quality, ...]) -> list[tuple[int, str, float, float]]:
    """(channel, reason, start, stop) of all that cannot be scored, seconds of the night clock."""
    return [
        (k, reason, a, b)
        for k, q in enumerate(quality)
        for reason, spans in q.faults.items()
        for a, b in spans.seconds()
    ]


def _events(night: Night) -> dict[str, Any]:
    episodes, merged = night.episodes, night.merged
    slot = float(merged.grid.slot_s)
    numbers = episode_numbers(night)
    counted_bursts = np.zeros(len(merged), dtype=np.bool_)
    counted_bursts[night.selection.bursts] = True

    def seconds(slots: NDArray[np.int64]) -> list[float]:
        return [round(v * slot, 3) for v in slots.tolist()]

    return {
        "kinds": list(episode_kinds.KINDS),
        "lanes": [0, 1, 2] if night.criterion.burst.types else [3],
        "burst_kinds": list(burst_kinds.KINDS),
        "episodes": [
            list(row)
            for row in zip(
                seconds(episodes.starts),
                seconds(episodes.stops),
                episodes.kind.tolist(),
                [numbers.get(k, 0) for k in range(len(episodes))],
                strict=True,
            )
        ],
        "bursts": [
            list(row)
            for row in zip(
                seconds(merged.starts),
                seconds(merged.stops),
                merged.kind.tolist(),
                episodes.of_burst.tolist(),
                counted_bursts.astype(int).tolist(),
                strict=True,
            )
        ],
    }


def payload(
    night: Night, scale: tuple[Strip, ...], summaries: list[str], *, mark_texts: bool = False
) -> dict[str, Any]:
    """All that the strip and the close-up need, ready for JSON.

    Parameters
    ----------
    scale
        From `strips`.
    summaries
        One sentence for each episode, as the page reads it out.
    mark_texts
        Whether marks carry their texts as written, which may name a person.
    """
    swept = night.swept
    times = night.criterion.threshold.times_background is not None
    spans = excluded(night.quality)
    reasons = sorted({reason for _, reason, _, _ in spans})
    channels = []
    for frames, strip in zip(swept.frames, scale, strict=True):
        label = frames.channel.label
        channels.append(
            {
                "label": label,
                "unit": "µV" if frames.channel.unit == "uV" else frames.channel.unit,
                "low": strip.low,
                "high": strip.high,
                "step_s": strip.step_s,
                "n": len(strip.codes),
                "threshold": night.threshold_uv.get(label),
                "threshold_word": "median threshold" if times else "threshold",
                "mvc": night.mvc_uv(label),
            }
        )
    return {
        "duration_s": swept.duration_s,
        "clock_s": seconds_of_day(swept.start_clock),
        "channels": channels,
        "envelope": _packed([strip.codes for strip in scale]),
        "close_ups": close_ups(night, scale),
        "traces": traces(night),
        "stages": stages(night),
        "heart": heart(night),
        "wake_probability": wake_probability(night),
        "window": [[round(a, 3), round(b, 3)] for a, b in night.window.spans_s],
        "reasons": [[reason_words(r), BRIEF_REASONS.get(r, r)] for r in reasons],
        "excluded": [[k, reasons.index(r), round(a, 3), round(b, 3)] for k, r, a, b in spans],
        "hum": [
            [k, round(a, 1), round(b, 1)]
            for k, frames in enumerate(swept.frames)
            for a, b in Spans.of(frames.grid, [(n.first, n.stop) for n in frames.notched]).seconds()
        ],
        "marks": [
            [round(m.start_s, 3), round(m.duration_s, 3), mark_label(m, texts=mark_texts)]
            for m in swept.marks
        ],
        "summaries": summaries,
        **_events(night),
    }


def to_json(data: dict[str, Any]) -> str:
    """JSON that may stand inside a script element of any page.

    Examples
    --------
    >>> print(to_json({"label": "</script>"}))
    {"label":"\\u003c/script\\u003e"}
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
