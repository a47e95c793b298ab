"""Plain twins: mains hum: found, followed, and taken out of the sums."""

from __future__ import annotations

import math
from typing import Any


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
