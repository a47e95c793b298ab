"""The kernels again, from their definitions: slow, obvious, independent of ``kernels.py``."""

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


def line_phasors(
    out: Any, lead: int, hop: int, taper: Any, start: Any, turn: Any, phasors: Any, power: Any
) -> None:
    """Each line of each step, frame by frame."""
    n = len(taper)
    step = n // hop
    for k in range(len(phasors)):
        square = 0.0
        weighted = out[k * n : (k + 1) * n] * taper
        for value, weight in zip(out[k * n : (k + 1) * n].tolist(), taper.tolist(), strict=True):
            square += value * value * weight
        for line in range(phasors.shape[1]):
            total = [0.0, 0.0]
            for frame in range(k * step, (k + 1) * step):
                at = (frame - k * step) * hop
                values = weighted[at : at + hop].tolist()
                c = s = 0.0
                for value, (cosine, sine) in zip(values, turn[:, line].tolist(), strict=True):
                    c, s = c + value * cosine, s + value * sine
                cosine, sine = start[frame, line].tolist()
                total = [total[0] + (c * cosine - s * sine), total[1] - (s * cosine + c * sine)]
            real, imaginary = (part * (2.0 / n) for part in total)
            phasors[k, line] = real, imaginary
            square -= (real * real + imaginary * imaginary) * (n / 2.0)
        power[k] = max(square / n, 0.0) if k * n >= lead else math.inf


def followed_lines(
    phasors: Any,
    power: Any,
    rotation: Any,
    to_noise: float,
    floor: float,
    wander: float,
    jump: float,
    lines: Any,
    variance: Any,
) -> None:
    """Forward, then backward, one line after the other, in lists."""
    del variance
    for line in range(phasors.shape[1]):
        turns = rotation[:, line].tolist()
        states = [(0.0, 0.0, 1e30, 1e30)]
        for (z_re, z_im), beside, (c, s) in zip(
            phasors[:, line].tolist(), power.tolist(), turns, strict=True
        ):
            re, im, spread, _ = states[-1]
            re, im = c * re - s * im, c * im + s * re
            noise = beside * to_noise + floor
            ahead = spread + wander * (re * re + im * im + floor)
            if noise >= 1e30:
                states.append((re, im, ahead, ahead))
                continue
            d_re, d_im = z_re - re, z_im - im
            step = d_re * d_re + d_im * d_im
            if step > jump * (ahead + noise):
                ahead += step
            share = ahead / (ahead + noise)
            states.append((re + share * d_re, im + share * d_im, share * noise, ahead))
        found = [states[-1][:2]]
        for (re, im, spread, _), (_, _, _, ahead), (c, s) in zip(
            states[-2:0:-1], states[:1:-1], turns[:0:-1], strict=True
        ):
            later = found[-1]
            d_re, d_im = later[0] - (c * re - s * im), later[1] - (c * im + s * re)
            share = spread / ahead
            found.append((re + share * (c * d_re + s * d_im), im + share * (c * d_im - s * d_re)))
        lines[:, line] = found[::-1]


def sums_without_lines(
    out: Any,
    hop: int,
    step: int,
    start: Any,
    turn: Any,
    lines: Any,
    margin_frames: int,
    frame: int,
    frames_per_block: int,
    filter_gain: float,
    gain: float,
    hum: Any,
    energy: Any,
    rectified: Any,
    slope_energy: Any,
    stats: Any,
) -> None:
    """Each frame with the lines' amplitudes in its middle."""
    del hum
    last, before = len(lines) - 1, 0.0
    for k in range(len(out) // hop):
        place = (k + 0.5) / step - 0.5
        low = max(min(int(place), last - 1), 0) if place > 0.0 else 0
        share = min(max(place - low, 0.0), 1.0)
        here = []
        for (a_re, a_im), (b_re, b_im), (c, s) in zip(
            lines[low].tolist(), lines[min(low + 1, last)].tolist(), start[k].tolist(), strict=True
        ):
            re, im = a_re * (1.0 - share) + b_re * share, a_im * (1.0 - share) + b_im * share
            here.append((re * c - im * s, re * s + im * c))
        square = size = change = 0.0
        for value, turned in zip(out[k * hop : (k + 1) * hop].tolist(), turn.tolist(), strict=True):
            hummed = 0.0
            for (re, im), (c, s) in zip(here, turned, strict=True):
                hummed += re * c - im * s
            left = value - hummed
            square, size = square + left * left, size + abs(left)
            change, before = change + (left - before) * (left - before), left
        if k >= margin_frames:
            at = frame + k - margin_frames
            energy[at] = square * ((filter_gain * gain) * (filter_gain * gain) / hop)
            rectified[at] = size * (filter_gain * gain / hop)
            slope_energy[at] = change * ((filter_gain * gain) * (filter_gain * gain) / hop)
            stats[at // frames_per_block, 9] += square * (filter_gain * filter_gain)
            stats[at // frames_per_block, 10] += change * (filter_gain * filter_gain)


def windowed(
    data: Any,
    record_length: int,
    per_record: int,
    channel_offset: int,
    first: int,
    window: Any,
    level: Any,
) -> None:
    """Sample by sample, each found anew."""
    values = [
        float(data[k // per_record * record_length + channel_offset + k % per_record])
        for k in range(first, first + len(window))
    ]
    level[:] = [(value - values[0]) * weight for value, weight in zip(values, window, strict=True)]


def mains_peaks(
    spectrum: Any,
    gain: Any,
    first: Any,
    stop: Any,
    reach: int,
    prominence: float,
    power: Any,
    place: Any,
    strength: Any,
) -> None:
    """One row of one spectrum after the other."""
    for k, parts in enumerate(spectrum.tolist()):
        power[k] = [(re * re + im * im) * g for re, im, g in zip(parts[::2], parts[1::2], gain, strict=True)]
        bins = power[k].tolist()
        for row in range(len(first)):
            best = max(range(first[row], stop[row]), key=lambda i: bins[i])
            beside = sorted(bins[best - 3 * reach : best - reach] + bins[best + reach : best + 3 * reach])
            floor = (beside[2 * reach - 1] + beside[2 * reach]) / 2
            stands_out = bins[best] > prominence * floor
            a, b, c = (math.log(max(bins[i], 1e-300)) for i in range(best - 1, best + 2))
            bend = a - 2 * b + c
            place[k, row] = best + (0.5 * (a - c) / bend if stands_out and bend < 0 else 0.0)
            strength[k, row] = sum(bins[best - 2 : best + 3]) - 5 * floor if stands_out else 0.0


def means_within(power: Any, per_block: int, means: Any) -> None:
    """One part of one block after the other."""
    part = per_block // len(means)
    for block in range(len(power) // per_block):
        for k in range(len(means)):
            begin = block * per_block + k * part
            means[k, block] = sum(float(p) for p in power[begin : begin + part]) / part


def moving_mean(power: Any, window: int, level: Any, total: Any, known: Any, root: bool) -> None:
    """Mean of the known frames within half a window, or its square root."""
    del total, known
    half = window // 2
    for i in range(len(power)):
        near = [float(p) for p in power[max(i - half, 0) : i + half + 1] if p == p]  # noqa: PLR0124
        level[i] = np.nan if np.isnan(power[i]) else sum(near) / len(near)
        level[i] = math.sqrt(level[i]) if root else level[i]


def crossings(
    level: Any,
    knots: Any,
    step: int,
    floor: float,
    off_ratio: float,
    strict: bool,
    starts: Any,
    stops: Any,
) -> int:
    """Runs by their definition: begin above, go on while at or above the lower threshold."""
    count, i, n = 0, 0, len(level)
    while i < n:
        on = limit_at(knots, step, floor, i)
        if level[i] > on or (level[i] == on and not strict):
            starts[count] = i
            i += 1
            while i < n and level[i] >= limit_at(knots, step, floor, i) * off_ratio:
                i += 1
            stops[count] = i
            count += 1
        else:
            i += 1
    return count


def limit_at(knots: Any, step: int, floor: float, frame: int) -> float:
    """The line between the knots on either side."""
    if step == 0:
        return max(float(knots[0]), floor)
    k = frame // step
    before = float(knots[k])
    after = float(knots[min(k + 1, len(knots) - 1)])
    share = (frame - k * step) / step if k + 1 < len(knots) else 0.0
    return max(before + (after - before) * share, floor)


def step_between(power: Any, low: int, high: int, before: float, after: float, log_ratio: float) -> int:
    """The step with the highest likelihood, the first of equals."""
    weight = 1.0 / before - 1.0 / after
    scores = [0.0]
    for k in range(low, high):
        scores.append(scores[-1] + (log_ratio - float(power[k]) * weight))
    return low + int(np.argmax(scores))


def mean_known(power: Any, low: int, high: int) -> tuple[float, int]:
    """Mean and count of the frames that are not NaN."""
    known = [float(p) for p in power[low:high] if not np.isnan(p)]
    return sum(known) / max(len(known), 1), len(known)


def correct_edges(
    energy: Any,
    starts: Any,
    stops: Any,
    earliest: Any,
    latest: Any,
    knots: Any,
    step: int,
    floor: float,
    to_power: float,
    half: int,
    flank: int,
    depth: int,
    least_step: float,
    tail: Any,
    new_starts: Any,
    new_stops: Any,
) -> None:
    """One run after the other, the onset first."""

    def power(frame: int) -> float:
        on = limit_at(knots, step, floor, frame)
        return on * on * to_power

    for i in range(len(starts)):
        a, b = int(starts[i]), int(stops[i])
        low, high = int(earliest[i]), int(latest[i])
        if i > 0:
            low = max(low, (int(stops[i - 1]) + a) // 2) if stops[i - 1] > low else low
        if i + 1 < len(starts) and starts[i + 1] < high:
            high = (int(starts[i + 1]) + b + 1) // 2
        middle = (a + b) // 2
        first, last = min(a + half, middle), max(b - half, middle + 1)
        if a > earliest[i]:
            rest, n_rest = mean_known(energy, max(low, a - half - flank), max(a - half, low + 1))
            burst, n_burst = mean_known(energy, first, min(first + depth, last))
            near, far = max(low, a - half - 1), min(a + half + 1, last - 1)
            new_starts[i] = a
            if n_rest and n_burst and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, rest, burst, math.log(burst / rest))
                above = [k for k in range(near, at) if not energy[k] > power(k)]
                new_starts[i] = max(above) + 1 if above else near
        if b < latest[i]:
            rest, n_rest = mean_known(energy, min(b + half, high - 1), min(high, b + half + flank))
            burst, n_burst = mean_known(energy, max(last - depth, first), last)
            near, far = max(b - half - 1, int(new_starts[i]) + 1), min(b + half + 1, high)
            new_stops[i] = b
            if n_rest and n_burst and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, burst, rest, math.log(rest / burst))
                ring = [burst * t for t in tail] + [0.0] * (far - at)
                over = [energy[k] > max(power(k), ring[k - at]) for k in range(at, far)]
                new_stops[i] = at + (over.index(False) if False in over else far - at)


def span_levels(level: Any, power: Any, starts: Any, stops: Any, peak: Any, mean: Any) -> None:
    """One span after the other."""
    for k, (a, b) in enumerate(zip(starts, stops, strict=True)):
        peak[k] = max(float(v) for v in level[a:b])
        mean[k] = mean_known(power, a, b)[0]


def join_dips(
    energy: Any,
    starts: Any,
    stops: Any,
    half: int,
    rest: float,
    least_step: float,
    least_share: float,
) -> int:
    """One pause after the other, from the first on."""
    runs: list[list[int]] = []
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        if runs and a - runs[-1][1] <= 2 * half:
            first, last = runs[-1]
            before, n_before = mean_known(energy, first, last)
            after, n_after = mean_known(energy, a, b)
            burst = (before * n_before + after * n_after) / max(n_before + n_after, 1)
            quiet = max(rest, burst * least_step)
            if n_before and n_after and 0.0 < quiet < burst:
                limit = math.log(burst / quiet) / (1.0 / quiet - 1.0 / burst)
                windows = [energy[max(c - half, 0) : c + half + 1] for c in range(last, a)]
                most = max((sum(not e > limit for e in w) for w in windows), default=0)
                if most < least_share * (2 * half + 1):
                    runs[-1][1] = b
                    continue
        runs.append([a, b])
    for k, (a, b) in enumerate(runs):
        starts[k], stops[k] = a, b
    return len(runs)


def sampled(values: Any, step: int, starts: Any, stops: Any, at: Any, found: Any) -> int:
    """Every frame asked whether it is one."""
    those = [
        i
        for a, b in zip(starts, stops, strict=True)
        for i in range(a, b)
        if i % step == 0 and not math.isnan(values[i])
    ]
    at[: len(those)] = those
    found[: len(those)] = [values[i] for i in those]
    return len(those)


def window_quantiles(values: Any, shares: Any, least: int, ordered: Any, found: Any) -> None:
    """One window after the other, by sorting."""
    n = len(ordered)
    for k in range(len(values) - n + 1):
        known = sorted(v for v in values[k : k + n] if not math.isnan(v))
        for s, share in enumerate(shares):
            at = min(int(len(known) * share), len(known) - 1)
            found[s, k] = known[at] if len(known) >= least else math.nan


def window_medians(
    rank: Any,
    ascending: Any,
    low: Any,
    high: Any,
    least: int,
    within: Any,
    coarse: Any,
    medians: Any,
) -> None:
    """One window after the other, by sorting."""
    del within, coarse
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        part = sorted(float(ascending[i]) for i in rank[a:b])
        n = len(part)
        medians[k] = (part[(n - 1) // 2] + part[n // 2]) / 2 if n >= max(least, 1) else math.nan


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


def short_peaks(values: Any, reach: int, ratio: float, found: Any) -> int:
    """Each position by its definition; two peaks are never within ``reach`` of each other."""
    peaks: list[int] = []
    for i in range(reach, len(values) - reach):
        before, after = list(values[i - reach + 1 : i]), list(values[i + 1 : i + reach])
        high = values[i] > 0 and all(values[i] >= ratio * values[k] for k in (i - reach, i + reach))
        if high and all(values[i] > v for v in before) and all(values[i] >= v for v in after):
            if peaks and i - peaks[-1] < reach:
                continue
            peaks.append(i)
    found[: len(peaks)] = peaks
    return len(peaks)
