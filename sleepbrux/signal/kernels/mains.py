"""Compiled: mains hum: found, followed, and taken out of the sums."""

import math

import numpy as np

from sleepbrux.signal.kernels.compiling import compiled


@compiled
def line_phasors(out, lead, hop, taper, start, turn, phasors, power):
    """Amplitude and phase of each line in each step, and the power beside the lines.

    A step has the length of ``taper``, whole frames; its samples count by it (1 on average), so that no
    line leaks into another or into the power. ``start`` (frames, lines, 2) and ``turn`` (hop, lines, 2)
    hold cosine and sine of each line at the first sample of a frame and from there on. A line is ``re *
    cos - im * sin`` with ``phasors`` (steps, lines, 2). Steps that touch the first ``lead`` samples are
    unknown: their power is infinite.
    """
    n = taper.shape[0]
    step = n // hop
    for k in range(phasors.shape[0]):
        square = 0.0
        for i in range(n):
            square += out[k * n + i] * out[k * n + i] * taper[i]
        for line in range(phasors.shape[1]):
            real, imaginary = 0.0, 0.0
            for frame in range(k * step, (k + 1) * step):
                c, s = 0.0, 0.0
                for j in range(hop):
                    value = out[frame * hop + j] * taper[(frame - k * step) * hop + j]
                    c += value * turn[j, line, 0]
                    s += value * turn[j, line, 1]
                real += c * start[frame, line, 0] - s * start[frame, line, 1]
                imaginary -= s * start[frame, line, 0] + c * start[frame, line, 1]
            real, imaginary = real * (2.0 / n), imaginary * (2.0 / n)
            phasors[k, line, 0], phasors[k, line, 1] = real, imaginary
            square -= (real * real + imaginary * imaginary) * (n / 2.0)
        power[k] = max(square / n, 0.0) if k * n >= lead else np.inf


@compiled
def followed_lines(phasors, power, rotation, to_noise, floor, wander, jump, lines, variance):
    """Amplitude and phase of lines that change slowly, from those of each step (Kalman, then backward).

    A step counts by the inverse of its power beside the lines, ``to_noise`` of which is the variance of a
    phasor, at least ``floor``: in a contraction it hardly counts, and the line runs on from what lies on
    either side. Into each step a line turns by ``rotation`` (steps, lines, 2) and wanders by the share
    ``wander`` of its power. A change of more than ``jump`` variances at once is taken for what it is.
    Rauch, Tung and Striebel 1965. ``lines`` has the shape of ``phasors``. Work space: ``variance`` (steps,
    2).
    """
    n = phasors.shape[0]
    for line in range(phasors.shape[1]):
        re, im, spread = 0.0, 0.0, 1e30
        for k in range(n):
            turn_re, turn_im = rotation[k, line, 0], rotation[k, line, 1]
            before_re = turn_re * re - turn_im * im
            before_im = turn_re * im + turn_im * re
            noise = power[k] * to_noise + floor
            ahead = spread + wander * (before_re * before_re + before_im * before_im + floor)
            d_re, d_im = phasors[k, line, 0] - before_re, phasors[k, line, 1] - before_im
            if noise < 1e30:
                step = d_re * d_re + d_im * d_im
                if step > jump * (ahead + noise):
                    ahead += step
                share = ahead / (ahead + noise)
                re, im = before_re + share * d_re, before_im + share * d_im
                spread = share * noise
            else:
                re, im, spread = before_re, before_im, ahead
            lines[k, line, 0], lines[k, line, 1] = re, im
            variance[k, 0], variance[k, 1] = spread, ahead
        for k in range(n - 2, -1, -1):
            re, im = lines[k, line, 0], lines[k, line, 1]
            turn_re, turn_im = rotation[k + 1, line, 0], rotation[k + 1, line, 1]
            d_re = lines[k + 1, line, 0] - (turn_re * re - turn_im * im)
            d_im = lines[k + 1, line, 1] - (turn_re * im + turn_im * re)
            share = variance[k, 0] / variance[k + 1, 1]
            lines[k, line, 0] = re + share * (turn_re * d_re + turn_im * d_im)
            lines[k, line, 1] = im + share * (turn_re * d_im - turn_im * d_re)


@compiled
def sums_without_lines(
    out,
    hop,
    step,
    start,
    turn,
    lines,
    margin_frames,
    frame,
    frames_per_block,
    filter_gain,
    gain,
    hum,
    energy,
    rectified,
    slope_energy,
    stats,
):
    """What `sweep_lanes` keeps of the filtered signal, after the lines were subtracted from ``out``.

    Between the middles of two steps a line's amplitude and phase go straight. Work space: ``hum`` (hop,).
    """
    to_rectified = filter_gain * gain / hop
    to_energy = (filter_gain * gain) * (filter_gain * gain) / hop
    last = lines.shape[0] - 1
    before = 0.0
    for k in range(out.shape[0] // hop):
        place = (k + 0.5) / step - 0.5
        low = max(min(int(place), last - 1), 0) if place > 0.0 else 0
        share = min(max(place - low, 0.0), 1.0)
        high = min(low + 1, last)
        for j in range(hop):
            hum[j] = 0.0
        for line in range(lines.shape[1]):
            re = lines[low, line, 0] * (1.0 - share) + lines[high, line, 0] * share
            im = lines[low, line, 1] * (1.0 - share) + lines[high, line, 1] * share
            c, s = start[k, line, 0], start[k, line, 1]
            here_re, here_im = re * c - im * s, re * s + im * c
            for j in range(hop):
                hum[j] += here_re * turn[j, line, 0] - here_im * turn[j, line, 1]
        square, size, change = 0.0, 0.0, 0.0
        for j in range(hop):
            value = out[k * hop + j] - hum[j]
            slope = value - before
            square += value * value
            size += abs(value)
            change += slope * slope
            before = value
        if k >= margin_frames:
            at = frame + k - margin_frames
            energy[at] = square * to_energy
            rectified[at] = size * to_rectified
            slope_energy[at] = change * to_energy
            stats[at // frames_per_block, 9] += square * (filter_gain * filter_gain)
            stats[at // frames_per_block, 10] += change * (filter_gain * filter_gain)


@compiled
def windowed(data, record_length, per_record, channel_offset, first, window, level):
    """Stored samples from ``first`` on, less the first of them, times ``window``; to ``level``."""
    n = window.shape[0]
    base = 0.0
    done = 0
    while done < n:
        within = (first + done) % per_record
        at = (first + done) // per_record * record_length + channel_offset + within
        part = data[at : at + min(n - done, per_record - within)]
        base = np.float64(part[0]) if done == 0 else base
        weights, out = window[done:], level[done:]
        for i in range(part.shape[0]):
            out[i] = (part[i] - base) * weights[i]
        done += part.shape[0]


@compiled
def mains_peaks(spectrum, gain, first, stop, reach, prominence, power, place, strength):
    """Power of several spectra, and the highest bin of each in several rows of bins.

    ``spectrum`` holds real and imaginary parts side by side, shape (n, 2 bins); ``power``, shape (n, bins),
    is their square times ``gain``. Of bins ``first[row]`` to ``stop[row]`` the first of the highest counts.
    Where it exceeds ``prominence`` times the median of what lies ``reach`` to ``3 reach`` bins to either
    side, ``strength``, shape (n, rows), is what five bins around it hold beyond that, else 0; ``place`` is
    where it lies between the bins, by the parabola through three logarithms, else its bin.
    """
    beside = np.empty(4 * reach)
    for k in range(power.shape[0]):
        parts, bins = spectrum[k], power[k]
        for i in range(bins.shape[0]):
            real, imaginary = parts[2 * i], parts[2 * i + 1]
            bins[i] = (real * real + imaginary * imaginary) * gain[i]
        for row in range(first.shape[0]):
            best = first[row]
            for i in range(first[row], stop[row]):
                if bins[i] > bins[best]:
                    best = i
            place[k, row] = best
            strength[k, row] = 0.0
            before, after = bins[best - 3 * reach : best - reach], bins[best + reach :]
            lower = 0
            for i in range(2 * reach):
                lower += 1 if prominence * before[i] < bins[best] else 0
                lower += 1 if prominence * after[i] < bins[best] else 0
            if lower < 2 * reach:  # the median is not among them
                continue
            for i in range(4 * reach):
                value = before[i] if i < 2 * reach else after[i - 2 * reach]
                to = i
                while to > 0 and beside[to - 1] > value:
                    beside[to] = beside[to - 1]
                    to -= 1
                beside[to] = value
            floor = (beside[2 * reach - 1] + beside[2 * reach]) / 2
            if bins[best] > prominence * floor:
                total = 0.0
                for i in range(best - 2, best + 3):
                    total += bins[i]
                strength[k, row] = total - 5 * floor
                left = math.log(max(bins[best - 1], 1e-300))
                top = math.log(max(bins[best], 1e-300))
                right = math.log(max(bins[best + 1], 1e-300))
                bend = left - 2 * top + right
                if bend < 0:
                    place[k, row] = best + 0.5 * (left - right) / bend
