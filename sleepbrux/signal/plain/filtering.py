"""Plain twins: the one pass over raw samples: filter, sums of frames and of seconds."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

ZEROS = [[1.0, 0.0, -1.0], [1.0, 0.0, -1.0], [1.0, -2.0, 1.0]]


def raw_sums(
    data: Any,
    record_length: int,
    per_record: int,
    channel_offset: int,
    first: int,
    before: int,
    n_frames: int,
    frame: int,
    hop: int,
    frames_per_block: int,
    rail_low: float,
    rail_high: float,
    stats: Any,
) -> None:
    """Every sample as it is stored, frame by frame."""

    def stored(k: int) -> float:
        return float(data[k // per_record * record_length + channel_offset + k % per_record])

    last = stored(before)
    for k in range(n_frames):
        values = [stored(first + k * hop + i) for i in range(hop)]
        railed = [v <= rail_low or v >= rail_high for v in values]
        row = stats[(frame + k) // frames_per_block]
        row[0] += hop
        row[1] = min(row[1], *values)
        row[2] = max(row[2], *values)
        row[3] += sum(railed)
        row[4] += sum(a == b for a, b in zip([last, *values], values, strict=False))
        row[13] += all(railed)
        last = values[-1]


def sweep_lanes(
    data: Any,
    record_length: int,
    per_record: int,
    channel_offset: int,
    lane_first: Any,
    lane_lead: Any,
    lane_count: Any,
    lane_frames: Any,
    lane_frame: Any,
    poles: Any,
    filter_gain: float,
    hop: int,
    margin_frames: int,
    frames_per_block: int,
    hum: Any,
    gain: float,
    rail_low: float,
    rail_high: float,
    energy: Any,
    rectified: Any,
    slope_energy: Any,
    mean: Any,
    stats: Any,
) -> None:
    """Each lane's stretch filtered as a whole, then its frames counted, frame by frame."""
    sections = np.hstack((ZEROS, poles))
    stretches = []
    for lane in range(len(lane_first)):
        n, first = int(lane_count[lane]), int(lane_first[lane])
        value = [0.0] * ((margin_frames + int(lane_frames[lane])) * hop)
        base = 0.0
        for i in range(n):
            k = first + i
            now = float(data[k // per_record * record_length + channel_offset + k % per_record])
            base = now if i == 0 else base
            value[int(lane_lead[lane]) + i] = now - base
        begin = first - int(lane_lead[lane]) + margin_frames * hop
        raw_sums(
            data,
            record_length,
            per_record,
            channel_offset,
            begin,
            max(begin - 1, first),
            int(lane_frames[lane]),
            int(lane_frame[lane]),
            hop,
            frames_per_block,
            rail_low,
            rail_high,
            stats,
        )
        stretches.append((value, _cascade(value, sections), base))
    pending = [_nothing() for _ in stretches]
    for frame in range(max(int(n) for n in lane_frames)):
        for lane, (value, out, base) in enumerate(stretches):
            if frame >= lane_frames[lane]:
                continue
            begin = (margin_frames + frame) * hop
            at = int(lane_frame[lane]) + frame
            row = pending[lane]
            square = size = change = level = 0.0
            for i in range(begin, begin + hop):
                square += out[i] * out[i]
                size += abs(out[i])
                slope = out[i] - (out[i - 1] if i else 0.0)
                change += slope * slope
                for k in range(4):
                    row[k] += out[i] * float(hum[i - margin_frames * hop, k])
                level += value[i]
            energy[at] = square * ((filter_gain * gain) * (filter_gain * gain) / hop)
            rectified[at] = size * (filter_gain * gain / hop)
            slope_energy[at] = change * ((filter_gain * gain) * (filter_gain * gain) / hop)
            row[4] += square
            row[5] += change
            middle = level / hop + base
            mean[at] = middle * gain
            row[6] = min(row[6], middle)
            row[7] = max(row[7], middle)
            if (at + 1) % frames_per_block == 0 or frame + 1 == lane_frames[lane]:
                block = stats[at // frames_per_block]
                block[5:9] += row[:4] * filter_gain
                block[9:11] += row[4:6] * (filter_gain * filter_gain)
                block[11] = min(block[11], row[6])
                block[12] = max(block[12], row[7])
                pending[lane] = _nothing()


def _nothing() -> Any:
    """Sums of a block of which no frame has been counted."""
    return np.array([0.0] * 6 + [math.inf, -math.inf])


def summed(
    out: float,
    before: float,
    cosine_0: float,
    sine_0: float,
    cosine_1: float,
    sine_1: float,
    square: float,
    size: float,
    change: float,
    real_0: float,
    imaginary_0: float,
    real_1: float,
    imaginary_1: float,
) -> tuple[float, ...]:
    """Seven sums, each with what one sample adds."""
    slope = out - before
    adds = [
        out * out,
        abs(out),
        slope * slope,
        out * cosine_0,
        out * sine_0,
        out * cosine_1,
        out * sine_1,
    ]
    sums = [square, size, change, real_0, imaginary_0, real_1, imaginary_1]
    return tuple(total + more for total, more in zip(sums, adds, strict=True))


def band_passed(
    value: float,
    p: float,
    q: float,
    r: float,
    s: float,
    t: float,
    u: float,
    a1: float,
    a2: float,
    b1: float,
    b2: float,
    c1: float,
    c2: float,
) -> tuple[float, ...]:
    """Three sections in transposed direct form II; of their state, all but the last has its sign turned."""
    first, *one = _section(value, [1.0, 0.0, -1.0, a1, a2], -p, -q)
    second, *two = _section(first, [1.0, 0.0, -1.0, b1, b2], -r, -s)
    third, *three = _section(second, [1.0, -2.0, 1.0, c1, c2], -t, u)
    return third, -one[0], -one[1], -two[0], -two[1], -three[0], three[1]


def _section(value: float, section: list[float], z1: float, z2: float) -> tuple[float, float, float]:
    """One sample through a section: its output, and the state it leaves."""
    b0, b1, b2, a1, a2 = section
    result = b0 * value + z1
    return result, b1 * value - a1 * result + z2, b2 * value - a2 * result


def _cascade(value: list[float], sections: Any) -> list[float]:
    """Second-order sections one after the other, each in transposed direct form II."""
    out = list(value)
    for section in sections.tolist():
        z1 = z2 = 0.0
        for i, now in enumerate(out):
            out[i], z1, z2 = _section(now, section, z1, z2)
    return out


def filtered(
    data: Any,
    record_length: int,
    per_record: int,
    channel_offset: int,
    first: int,
    lead: int,
    count: int,
    poles: Any,
    out: Any,
) -> None:
    """Every sample found anew, then the whole stretch filtered."""
    values = [
        float(data[k // per_record * record_length + channel_offset + k % per_record])
        for k in range(first, first + count)
    ]
    moved = [value - values[0] for value in values]
    out[:lead] = 0.0
    out[lead : lead + count] = _cascade(moved, np.hstack((ZEROS, poles)))


def filtered_extremes(
    data: Any, sections: Any, lead: int, size: int, gain: float, low: Any, high: Any, z: Any
) -> None:
    """The stretch filtered as a whole, then cut into bins."""
    del z
    n = lead + size * len(low)
    out = _cascade([float(v) - float(data[0]) for v in data[:n]], sections)
    for k in range(len(low)):
        part = [v * gain for v in out[lead + k * size : lead + (k + 1) * size]]
        low[k], high[k] = min(part), max(part)
