"""Every compiled loop. Each has a plain twin of the same name in ``plain.py``.

No project import, constants as arguments, the caller allocates, sums run in sample order, no
fastmath: the twins agree bit for bit. The two constants are the number of lanes, which the compiler
must know to use its vector registers, and the frames gathered at a time.
"""

import math

import numpy as np
from numba import njit

LANES = 32
GROUP = 100
UNCACHED: list[str] = []


def compiled(function):
    """Compile without the interpreter lock, cached on disk where a place for it can be written."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:
        UNCACHED.append(function.__name__)
        return njit(nogil=True)(function)


@compiled
def raw_sums(
    data,
    record_length,
    per_record,
    channel_offset,
    first,
    before,
    n_frames,
    frame,
    hop,
    frames_per_block,
    rail_low,
    rail_high,
    stats,
):
    """Sums a block over the samples as they are stored: of frames ``frame`` on, from sample ``first``.

    Adds to the columns of ``stats``: 0 samples, 1 lowest, 2 highest, 3 at a rail, 4 equal to the one
    before, 13 frames wholly at a rail. ``before`` is the sample that the first is compared with.
    """
    at = before // per_record * record_length + channel_offset + before % per_record
    last = data[at]
    done = 0
    while done < n_frames:
        block = (frame + done) // frames_per_block
        frames = min((block + 1) * frames_per_block - frame - done, n_frames - done)
        begin = first + done * hop
        lowest, highest = data[at], data[at]
        same = 0
        sample = begin
        stop = begin + frames * hop
        while sample < stop:
            within = sample % per_record
            at = sample // per_record * record_length + channel_offset + within
            # no longer than a count of 16 bits reaches, of which one instruction adds most
            part = data[at : at + min(stop - sample, per_record - within, 32767)]
            if sample == begin:
                lowest, highest = part[0], part[0]
            lowest, highest = min(lowest, part[0]), max(highest, part[0])
            here, there = part[:-1], part[1:]
            equal = np.int16(part[0] == last)
            for i in range(here.shape[0]):
                value = there[i]
                lowest = min(lowest, value)
                highest = max(highest, value)
                equal = np.int16(equal + (here[i] == value))
            same += int(equal)
            last = part[part.shape[0] - 1]
            sample += part.shape[0]
        stats[block, 0] += frames * hop
        stats[block, 1] = min(stats[block, 1], float(lowest))
        stats[block, 2] = max(stats[block, 2], float(highest))
        stats[block, 4] += same
        if lowest <= rail_low or highest >= rail_high:
            for k in range(frames):
                railed = 0
                for sample in range(begin + k * hop, begin + (k + 1) * hop):
                    value = data[sample // per_record * record_length + channel_offset + sample % per_record]
                    railed += value <= rail_low or value >= rail_high
                stats[block, 3] += railed
                stats[block, 13] += railed == hop
        done += frames


@compiled
def band_passed(value, p, q, r, s, t, u, a1, a2, b1, b2, c1, c2):
    """One sample through the EMG filter without its gain; its output and the new state.

    Poles are ``a1, a2``, ``b1, b2`` and ``c1, c2``. The six zeros, four at 0 Hz and two at half the rate,
    are shared out so that two sections need no products for theirs: 1 - z^-2 twice, then (1 - z^-1)^2.
    The state is transposed direct form II with its sign turned where that saves a step.
    """
    first = value - p
    second = first - r
    third = second - t
    return (
        third,
        q + a1 * first,
        value + a2 * first,
        s + b1 * second,
        first + b2 * second,
        (second + second) + c1 * third - u,
        second - c2 * third,
    )


@compiled
def summed(
    out,
    before,
    cosine_0,
    sine_0,
    cosine_1,
    sine_1,
    square,
    size,
    change,
    real_0,
    imaginary_0,
    real_1,
    imaginary_1,
):
    """Sums of squares, sizes and squared changes, and two phasors, with one sample more."""
    slope = out - before
    return (
        square + out * out,
        size + abs(out),
        change + slope * slope,
        real_0 + out * cosine_0,
        imaginary_0 + out * sine_0,
        real_1 + out * cosine_1,
        imaginary_1 + out * sine_1,
    )


@compiled
def sweep_lanes(
    data,
    record_length,
    per_record,
    channel_offset,
    lane_first,
    lane_lead,
    lane_count,
    lane_frames,
    lane_frame,
    poles,
    filter_gain,
    hop,
    margin_frames,
    frames_per_block,
    hum,
    gain,
    rail_low,
    rail_high,
    energy,
    rectified,
    slope_energy,
    mean,
    stats,
):
    """Filter up to 32 stretches side by side; leave energy a frame and sums a block.

    Lane ``k`` takes ``lane_count[k]`` stored samples from ``lane_first[k]``, after ``lane_lead[k]``
    steps of zero, so that its first whole frame begins after ``margin_frames``; the first sample is
    subtracted from all. Its ``lane_frames[k]`` frames go to ``lane_frame[k]`` on. The filter is that of
    `band_passed` with ``poles`` (3, 2), times ``filter_gain``.

    Columns of ``stats``, one row a block: those of `raw_sums`, taken while the samples are at hand, 5-8
    hum phasors at two frequencies (real, imaginary), 9 energy, 10 energy of the first difference
    (filtered), 11 and 12 lowest and highest mean of a frame (unfiltered). In digital steps; what is kept
    of each frame (``energy``, ``rectified``, mean square of the first difference, unfiltered mean) is
    scaled by ``gain``.

    The inner loops run over the lanes, so that one instruction serves several, and take four samples at
    a time, written out, so that the state stays in registers; the work arrays are made here and not by the
    caller, so that the compiler knows their shape and that none overlaps.
    Samples are gathered as they are stored, `GROUP` frames at a time, and converted in the filter, because
    a loop that does no more than convert is unrolled before it can be made to serve several lanes.
    """
    stored = np.zeros((GROUP * hop, LANES), dtype=data.dtype)
    x = np.zeros((hop + 1, LANES))  # the last sample of the frame before, then the frame
    z = np.zeros((3, 2, LANES))
    means = np.zeros((4, GROUP, LANES), dtype=np.float32)
    sums = np.zeros((9, LANES))
    lowest, highest = np.full(LANES, np.inf), np.full(LANES, -np.inf)
    still = np.zeros(LANES, dtype=data.dtype)
    base, level = np.zeros(LANES), np.zeros(LANES)
    position, within = np.zeros(LANES, dtype=np.int64), np.zeros(LANES, dtype=np.int64)
    block, left = np.zeros(LANES, dtype=np.int64), np.zeros(LANES, dtype=np.int64)
    a1, a2, b1, b2, c1, c2 = (poles[0, 0], poles[0, 1], poles[1, 0], poles[1, 1], poles[2, 0], poles[2, 1])
    p, q, r, s, t, u = z[0, 0], z[0, 1], z[1, 0], z[1, 1], z[2, 0], z[2, 1]
    real_0, imaginary_0, real_1, imaginary_1 = sums[0], sums[1], sums[2], sums[3]
    total_square, total_change = sums[4], sums[5]
    square, size, change = sums[6], sums[7], sums[8]
    to_rectified = filter_gain * gain / hop
    to_energy = (filter_gain * gain) * (filter_gain * gain) / hop
    fours = hop // 4 * 4
    gathered = GROUP * hop
    longest = lanes = 0
    for lane in range(LANES):
        longest = max(longest, lane_frames[lane])
        lanes = lane // 8 * 8 + 8 if lane_frames[lane] > 0 else lanes
        first = lane_first[lane]
        within[lane] = first % per_record
        position[lane] = first // per_record * record_length + channel_offset + within[lane]
        if lane_count[lane] > 0:
            still[lane] = data[position[lane]]
            base[lane] = float(still[lane])
        block[lane] = lane_frame[lane] // frames_per_block
        left[lane] = (block[lane] + 1) * frames_per_block - lane_frame[lane]
    for group in range(-margin_frames, longest, GROUP):
        for four in range(0, lanes, 4):
            whole = True
            for lane in range(four, four + 4):
                step = (group + margin_frames) * hop - lane_lead[lane]
                whole = whole and step >= 0 and step + gathered <= lane_count[lane]
            begin = 0 if whole else gathered
            while begin < gathered:  # one lane at a time, the compiler scatters by vectors, slowly
                run = gathered - begin
                for lane in range(four, four + 4):
                    run = min(run, per_record - within[lane])
                at_0, at_1, at_2, at_3 = (
                    position[four],
                    position[four + 1],
                    position[four + 2],
                    position[four + 3],
                )
                part_0, part_1 = data[at_0 : at_0 + run], data[at_1 : at_1 + run]
                part_2, part_3 = data[at_2 : at_2 + run], data[at_3 : at_3 + run]
                rows = stored[begin : begin + run]
                for j in range(run):
                    row = rows[j]
                    row[four], row[four + 1] = part_0[j], part_1[j]
                    row[four + 2], row[four + 3] = part_2[j], part_3[j]
                for lane in range(four, four + 4):
                    position[lane] += run
                    within[lane] += run
                    if within[lane] == per_record:
                        within[lane] = 0
                        position[lane] += record_length - per_record
                begin += run
            for lane in range(four, four + 4):
                frame = max(group, 0)
                frames = min(group + GROUP, lane_frames[lane]) - frame
                begin = lane_first[lane] - lane_lead[lane] + (margin_frames + frame) * hop
                if frames > 0:
                    raw_sums(
                        data,
                        record_length,
                        per_record,
                        channel_offset,
                        begin,
                        max(begin - 1, lane_first[lane]),
                        frames,
                        lane_frame[lane] + frame,
                        hop,
                        frames_per_block,
                        rail_low,
                        rail_high,
                        stats,
                    )
            if whole:
                continue
            for lane in range(four, four + 4):
                step = (group + margin_frames) * hop - lane_lead[lane]
                begin = min(max(-step, 0), gathered)
                end = max(min(lane_count[lane] - step, gathered), begin)
                for j in range(gathered):
                    stored[j, lane] = still[lane]
                while begin < end:
                    run = min(end - begin, per_record - within[lane])
                    for j in range(run):
                        stored[begin + j, lane] = data[position[lane] + j]
                    begin += run
                    position[lane] += run
                    within[lane] += run
                    if within[lane] == per_record:
                        within[lane] = 0
                        position[lane] += record_length - per_record
        for frame in range(group, min(group + GROUP, longest)):
            column = (frame - group) * hop
            level[:] = 0.0
            for j in range(0, fours, 4):
                in_0, in_1 = stored[column + j], stored[column + j + 1]
                in_2, in_3 = stored[column + j + 2], stored[column + j + 3]
                out_0, out_1, out_2, out_3 = x[j + 1], x[j + 2], x[j + 3], x[j + 4]
                for lane in range(lanes):
                    low, total = base[lane], level[lane]
                    d, e, f, g, h, k = p[lane], q[lane], r[lane], s[lane], t[lane], u[lane]
                    value = float(in_0[lane]) - low
                    total += value
                    out_0[lane], d, e, f, g, h, k = band_passed(
                        value, d, e, f, g, h, k, a1, a2, b1, b2, c1, c2
                    )
                    value = float(in_1[lane]) - low
                    total += value
                    out_1[lane], d, e, f, g, h, k = band_passed(
                        value, d, e, f, g, h, k, a1, a2, b1, b2, c1, c2
                    )
                    value = float(in_2[lane]) - low
                    total += value
                    out_2[lane], d, e, f, g, h, k = band_passed(
                        value, d, e, f, g, h, k, a1, a2, b1, b2, c1, c2
                    )
                    value = float(in_3[lane]) - low
                    total += value
                    out_3[lane], d, e, f, g, h, k = band_passed(
                        value, d, e, f, g, h, k, a1, a2, b1, b2, c1, c2
                    )
                    p[lane], q[lane], r[lane], s[lane], t[lane], u[lane] = d, e, f, g, h, k
                    level[lane] = total
            for j in range(fours, hop):
                came, row = stored[column + j], x[j + 1]
                for lane in range(lanes):
                    value = float(came[lane]) - base[lane]
                    level[lane] += value
                    row[lane], p[lane], q[lane], r[lane], s[lane], t[lane], u[lane] = band_passed(
                        value,
                        p[lane],
                        q[lane],
                        r[lane],
                        s[lane],
                        t[lane],
                        u[lane],
                        a1,
                        a2,
                        b1,
                        b2,
                        c1,
                        c2,
                    )
            if frame >= 0:
                sums[6:] = 0.0
                waves = hum[frame * hop : (frame + 1) * hop]
                for j in range(0, fours, 4):
                    before, row_0, row_1 = x[j], x[j + 1], x[j + 2]
                    row_2, row_3 = x[j + 3], x[j + 4]
                    wave_0, wave_1 = waves[j], waves[j + 1]
                    wave_2, wave_3 = waves[j + 2], waves[j + 3]
                    ca_0, sa_0, cb_0, sb_0 = wave_0[0], wave_0[1], wave_0[2], wave_0[3]
                    ca_1, sa_1, cb_1, sb_1 = wave_1[0], wave_1[1], wave_1[2], wave_1[3]
                    ca_2, sa_2, cb_2, sb_2 = wave_2[0], wave_2[1], wave_2[2], wave_2[3]
                    ca_3, sa_3, cb_3, sb_3 = wave_3[0], wave_3[1], wave_3[2], wave_3[3]
                    for lane in range(lanes):
                        sq, sz, ch = square[lane], size[lane], change[lane]
                        re_a, im_a, re_b, im_b = (
                            real_0[lane],
                            imaginary_0[lane],
                            real_1[lane],
                            imaginary_1[lane],
                        )
                        sq, sz, ch, re_a, im_a, re_b, im_b = summed(
                            row_0[lane],
                            before[lane],
                            ca_0,
                            sa_0,
                            cb_0,
                            sb_0,
                            sq,
                            sz,
                            ch,
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                        sq, sz, ch, re_a, im_a, re_b, im_b = summed(
                            row_1[lane],
                            row_0[lane],
                            ca_1,
                            sa_1,
                            cb_1,
                            sb_1,
                            sq,
                            sz,
                            ch,
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                        sq, sz, ch, re_a, im_a, re_b, im_b = summed(
                            row_2[lane],
                            row_1[lane],
                            ca_2,
                            sa_2,
                            cb_2,
                            sb_2,
                            sq,
                            sz,
                            ch,
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                        sq, sz, ch, re_a, im_a, re_b, im_b = summed(
                            row_3[lane],
                            row_2[lane],
                            ca_3,
                            sa_3,
                            cb_3,
                            sb_3,
                            sq,
                            sz,
                            ch,
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                        square[lane], size[lane], change[lane] = sq, sz, ch
                        real_0[lane], imaginary_0[lane], real_1[lane], imaginary_1[lane] = (
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                for j in range(fours, hop):
                    before, row, wave = x[j], x[j + 1], waves[j]
                    ca_0, sa_0, cb_0, sb_0 = wave[0], wave[1], wave[2], wave[3]
                    for lane in range(lanes):
                        sq, sz, ch, re_a, im_a, re_b, im_b = summed(
                            row[lane],
                            before[lane],
                            ca_0,
                            sa_0,
                            cb_0,
                            sb_0,
                            square[lane],
                            size[lane],
                            change[lane],
                            real_0[lane],
                            imaginary_0[lane],
                            real_1[lane],
                            imaginary_1[lane],
                        )
                        square[lane], size[lane], change[lane] = sq, sz, ch
                        real_0[lane], imaginary_0[lane], real_1[lane], imaginary_1[lane] = (
                            re_a,
                            im_a,
                            re_b,
                            im_b,
                        )
                mean_square, mean_size = means[0, frame - group], means[1, frame - group]
                mean_change, mean_level = means[2, frame - group], means[3, frame - group]
                ends = 0
                for lane in range(lanes):
                    total_square[lane] += square[lane]
                    total_change[lane] += change[lane]
                    middle = level[lane] / hop + base[lane]
                    lowest[lane] = min(lowest[lane], middle)
                    highest[lane] = max(highest[lane], middle)
                    mean_square[lane] = square[lane] * to_energy
                    mean_size[lane] = size[lane] * to_rectified
                    mean_change[lane] = change[lane] * to_energy
                    mean_level[lane] = middle * gain
                    left[lane] -= 1
                    ends += 1 if left[lane] == 0 or frame + 1 == lane_frames[lane] else 0
                for lane in range(lanes if ends else 0):
                    if frame >= lane_frames[lane]:
                        continue
                    if left[lane] == 0 or frame + 1 == lane_frames[lane]:
                        row = stats[block[lane]]
                        for k in range(6):
                            scale = filter_gain if k < 4 else filter_gain * filter_gain
                            row[5 + k] += sums[k, lane] * scale
                            sums[k, lane] = 0.0
                        row[11] = min(row[11], lowest[lane])
                        row[12] = max(row[12], highest[lane])
                        lowest[lane], highest[lane] = np.inf, -np.inf
                        block[lane] += 1
                        left[lane] = frames_per_block
            for lane in range(lanes):  # not by slice: that compiles text for its errors, in seconds
                x[0, lane] = x[hop, lane]
        for lane in range(lanes):
            for k in range(max(-group, 0), min(lane_frames[lane] - group, GROUP)):
                energy[lane_frame[lane] + group + k] = means[0, k, lane]
                rectified[lane_frame[lane] + group + k] = means[1, k, lane]
                slope_energy[lane_frame[lane] + group + k] = means[2, k, lane]
                mean[lane_frame[lane] + group + k] = means[3, k, lane]


@compiled
def filtered(data, record_length, per_record, channel_offset, first, lead, count, poles, out):
    """One stretch of stored samples through the filter of `band_passed`, without its gain, to ``out``.

    As in `sweep_lanes`: ``lead`` steps of zero, then ``count`` samples from ``first`` on, less the first.
    """
    a1, a2, b1, b2, c1, c2 = (poles[0, 0], poles[0, 1], poles[1, 0], poles[1, 1], poles[2, 0], poles[2, 1])
    p, q, r, s, t, u = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    base = 0.0
    for i in range(lead):
        out[i] = 0.0
    done = 0
    while done < count:
        within = (first + done) % per_record
        at = (first + done) // per_record * record_length + channel_offset + within
        part = data[at : at + min(count - done, per_record - within)]
        base = np.float64(part[0]) if done == 0 else base
        row = out[lead + done :]
        for i in range(part.shape[0]):
            row[i], p, q, r, s, t, u = band_passed(
                np.float64(part[i]) - base, p, q, r, s, t, u, a1, a2, b1, b2, c1, c2
            )
        done += part.shape[0]


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


@compiled
def means_within(power, per_block, means):
    """Mean of equal parts of each whole block, in ``means`` (parts, n_blocks); a rest counts nowhere."""
    part = per_block // means.shape[0]
    for block in range(power.shape[0] // per_block):
        for k in range(means.shape[0]):
            begin = block * per_block + k * part
            total = 0.0
            for i in range(begin, begin + part):
                total += float(power[i])
            means[k, block] = total / part


@compiled
def moving_mean(power, window, level, total, known, root):
    """Centred mean over ``window`` frames (odd), of those that are known; NaN where the frame is not.

    With ``root``, the square root of that.

    Sums grow by one shifted copy after the other, in the order of the frames, a block of frames at a
    time: the same additions as frame by frame, many of them at once. ``total`` and ``known``, float64
    of one block's length, are work space. Where every frame is known, nothing is counted.
    """
    n = power.shape[0]
    half = window // 2
    size = total.shape[0]
    for begin in range(0, n, size):
        end = min(begin + size, n)
        if begin >= half and end + half <= n:
            gaps = 0
            surroundings = power[begin - half : end + half]
            for i in range(surroundings.shape[0]):
                gaps += 1 if surroundings[i] != surroundings[i] else 0
            if gaps == 0:
                part = power[begin - half : end - half]
                for i in range(part.shape[0]):
                    total[i] = part[i]
                for shift in range(1 - half, half + 1, 2):  # two in one pass, in their order
                    part, after = power[begin + shift : end + shift], power[begin + shift + 1 :]
                    for i in range(part.shape[0]):
                        total[i] = total[i] + part[i] + after[i]
                means = level[begin:end]
                for i in range(means.shape[0]):
                    means[i] = total[i] / window
                for i in range(means.shape[0] if root else 0):
                    means[i] = math.sqrt(means[i])
                continue
        total[:] = 0.0
        known[:] = 0.0
        for shift in range(-half, half + 1):
            low, high = max(begin, -shift), min(end, n - shift)
            if low >= high:
                continue
            part = power[low + shift : high + shift]
            sums = total[low - begin : high - begin]
            counts = known[low - begin : high - begin]
            for i in range(part.shape[0]):
                value = float(part[i])
                is_known = value == value
                sums[i] += value if is_known else 0.0
                counts[i] += 1.0 if is_known else 0.0
        for i in range(begin, end):
            if power[i] == power[i]:
                level[i] = total[i - begin] / known[i - begin]
                if root:
                    level[i] = math.sqrt(level[i])
            else:
                level[i] = power[i]


@compiled
def crossings(level, knots, step, floor, off_ratio, strict, starts, stops):
    """Runs that begin above the threshold and last until the level falls below ``off_ratio`` of it.

    The threshold is as `limit_at` says. An unknown frame ends a run. Returns the count of runs, written
    to ``starts`` and ``stops``. Where none of 64 frames reaches the lowest threshold among them, they are
    passed over.
    """
    n = level.shape[0]
    width = step if step > 0 else max(n, 1)
    count = 0
    inside = False
    for k in range(-(-n // width)):
        end = min((k + 1) * width, n)
        first = knots[k]
        rise = knots[k + 1] - first if step > 0 and k + 1 < knots.shape[0] else 0.0
        lowest = max(first + min(rise, 0.0), floor)
        for begin in range(k * width, end, 64):
            part = level[begin : min(begin + 64, end)]
            if not inside:
                reached = 0
                for i in range(part.shape[0]):
                    reached += 1 if part[i] >= lowest else 0
                if reached == 0:
                    continue
            for i in range(part.shape[0]):
                on = first
                if rise != 0.0:
                    on = first + rise * ((begin - k * width + i) / width)
                on = max(on, floor)
                value = part[i]
                if inside:
                    if not value >= on * off_ratio:
                        stops[count] = begin + i
                        count += 1
                        inside = False
                elif value > on or (value == on and not strict):
                    starts[count] = begin + i
                    inside = True
    if inside:
        stops[count] = n
        count += 1
    return count


@compiled
def limit_at(knots, step, floor, frame):
    """Threshold of a frame: a straight line between knots ``step`` apart, nowhere below ``floor``.

    The last knot holds to the end; ``step`` 0: the first holds everywhere. NaN beside an unknown knot.
    """
    if step == 0:
        value = knots[0]
    else:
        k = frame // step
        value = knots[k]
        if k + 1 < knots.shape[0]:
            value += (knots[k + 1] - value) * ((frame - k * step) / step)
    return max(value, floor)


@compiled
def step_between(power, low, high, before, after, log_ratio):
    """Frame in ``[low, high]`` at which power most likely steps from ``before`` to ``after``.

    Each frame's power is taken as scaled chi-square; the likelihood of a step at ``k`` is the sum
    of the frames before ``k`` under the one level and from ``k`` on under the other.
    ``log_ratio`` is ``log(after / before)``.
    """
    best, at, total = 0.0, low, 0.0
    weight = 1.0 / before - 1.0 / after
    for k in range(low, high):
        total += log_ratio - float(power[k]) * weight
        if total > best:
            best = total
            at = k + 1
    return at


@compiled
def mean_known(power, low, high):
    """Mean of the known frames of ``[low, high)``, and how many they are."""
    total, count = 0.0, 0
    for k in range(low, high):
        if power[k] == power[k]:
            total += float(power[k])
            count += 1
    return total / max(count, 1), count


@compiled
def correct_edges(
    energy,
    starts,
    stops,
    earliest,
    latest,
    knots,
    step,
    floor,
    to_power,
    half,
    flank,
    depth,
    least_step,
    tail,
    new_starts,
    new_stops,
):
    """Re-estimate the edges of runs; ``bursts._corrected`` says how.

    ``earliest`` and ``latest`` are the ends of known time around each run, ``half`` is half the smoothing
    window. The threshold is as `limit_at` says; its square times ``to_power`` is a power.
    """
    n = starts.shape[0]
    for i in range(n):
        a, b = starts[i], stops[i]
        low, high = earliest[i], latest[i]
        if i > 0 and stops[i - 1] > low:
            low = (stops[i - 1] + a) // 2
        if i + 1 < n and starts[i + 1] < high:
            high = (starts[i + 1] + b + 1) // 2
        middle = (a + b) // 2
        first, last = min(a + half, middle), max(b - half, middle + 1)
        if a > earliest[i]:
            rest, n_rest = mean_known(energy, max(low, a - half - flank), max(a - half, low + 1))
            burst, n_burst = mean_known(energy, first, min(first + depth, last))
            near, far = max(low, a - half - 1), min(a + half + 1, last - 1)
            at = a
            if n_rest > 0 and n_burst > 0 and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, rest, burst, math.log(burst / rest))
                while at > near:
                    on = limit_at(knots, step, floor, at - 1)
                    if not energy[at - 1] > on * on * to_power:
                        break
                    at -= 1
            new_starts[i] = at
        if b < latest[i]:
            rest, n_rest = mean_known(energy, min(b + half, high - 1), min(high, b + half + flank))
            burst, n_burst = mean_known(energy, max(last - depth, first), last)
            near, far = max(b - half - 1, new_starts[i] + 1), min(b + half + 1, high)
            at = b
            if n_rest > 0 and n_burst > 0 and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, burst, rest, math.log(rest / burst))
                after = 0
                while at < far:
                    on = limit_at(knots, step, floor, at)
                    if not energy[at] > on * on * to_power:
                        break
                    if after < tail.shape[0] and energy[at] <= burst * tail[after]:
                        break
                    at += 1
                    after += 1
            new_stops[i] = at


@compiled
def span_levels(level, power, starts, stops, peak, mean):
    """Highest ``level`` and mean ``power`` of each span, over the known frames."""
    for k in range(starts.shape[0]):
        highest, total, count = level[starts[k]], 0.0, 0
        for i in range(starts[k], stops[k]):
            highest = max(highest, level[i])
            if power[i] == power[i]:
                total += float(power[i])
                count += 1
        peak[k] = highest
        mean[k] = total / max(count, 1)


@compiled
def join_dips(energy, starts, stops, half, rest, least_step, least_share):
    """Join runs whose pause does not look like rest; returns how many runs are left.

    A frame looks like rest where its power is likelier at ``rest`` than at the level of the runs on
    either side. A pause of at most ``2 half`` frames stays where, around some frame of it,
    at least ``least_share`` of ``2 half + 1`` frames look like rest. Works in place.
    """
    n = starts.shape[0]
    if n == 0:
        return 0
    count = 0
    for k in range(1, n):
        begin, end = stops[count], starts[k]
        joined = False
        if end - begin <= 2 * half:
            before, n_before = mean_known(energy, starts[count], begin)
            after, n_after = mean_known(energy, end, stops[k])
            if n_before > 0 and n_after > 0:
                burst = (before * n_before + after * n_after) / (n_before + n_after)
                quiet = max(rest, burst * least_step)
                if 0.0 < quiet < burst:
                    limit = math.log(burst / quiet) / (1.0 / quiet - 1.0 / burst)
                    most = 0
                    for centre in range(begin, end):
                        alike = 0
                        for i in range(max(centre - half, 0), min(centre + half + 1, energy.shape[0])):
                            # an unknown frame is a pause by itself
                            if not energy[i] > limit:
                                alike += 1
                        most = max(most, alike)
                    joined = most < least_share * (2 * half + 1)
        if joined:
            stops[count] = stops[k]
        else:
            count += 1
            starts[count] = starts[k]
            stops[count] = stops[k]
    return count + 1


@compiled
def sampled(values, step, starts, stops, at, found):
    """Multiples of ``step`` inside the spans at which the value is known; their count.

    They are written to ``at`` and their values to ``found``.
    """
    count = 0
    for k in range(starts.shape[0]):
        for i in range(-(-starts[k] // step) * step, stops[k], step):
            if values[i] == values[i]:
                at[count] = i
                found[count] = values[i]
                count += 1
    return count


@compiled
def window_quantiles(values, shares, least, ordered, found):
    """Quantiles of each window of neighbours, of its known values; NaN where fewer than ``least``.

    Of ``m`` known values the quantile is number ``int(m * share)`` in order, from 0, at most the last.
    ``found`` has shape (shares, windows). ``ordered``, float64 of the length of a window, holds its known
    values in order: of two windows after each other one value leaves and one comes.
    """
    n = ordered.shape[0]
    known = 0
    for k in range(values.shape[0]):
        if k >= n and values[k - n] == values[k - n]:
            at = 0
            while ordered[at] != values[k - n]:
                at += 1
            known -= 1
            for i in range(at, known):
                ordered[i] = ordered[i + 1]
        value = values[k]
        if value == value:
            at = known
            while at > 0 and ordered[at - 1] > value:
                ordered[at] = ordered[at - 1]
                at -= 1
            ordered[at] = value
            known += 1
        if k >= n - 1:
            for s in range(shares.shape[0]):
                at = min(int(known * shares[s]), known - 1)
                found[s, k - n + 1] = ordered[at] if known >= least else np.nan


@compiled
def window_medians(rank, ascending, low, high, least, within, coarse, medians):
    """Median of the values ``low[k]`` to ``high[k]``; NaN where there are fewer than ``least``.

    ``rank`` is the place of each value among all, ``ascending`` are the values in that order. ``low``
    and ``high`` never fall from one window to the next: each value enters once and leaves once, and the
    middle is found by counting ranks, first by hundreds. ``within`` (bool, one a value) and ``coarse``
    (int64, one a hundred begun) are work space.
    """
    within[:] = False
    coarse[:] = 0
    begin, end = 0, 0
    for k in range(low.shape[0]):
        while end < high[k]:
            within[rank[end]] = True
            coarse[rank[end] // 100] += 1
            end += 1
        while begin < low[k]:
            within[rank[begin]] = False
            coarse[rank[begin] // 100] -= 1
            begin += 1
        n = end - begin
        if n < max(least, 1):
            medians[k] = np.nan
            continue
        before, bin_ = 0, 0
        while before + coarse[bin_] <= (n - 1) // 2:
            before += coarse[bin_]
            bin_ += 1
        at = bin_ * 100 - 1
        while before <= (n - 1) // 2:
            at += 1
            before += 1 if within[at] else 0
        lower = np.float64(ascending[at])
        while before <= n // 2:
            at += 1
            before += 1 if within[at] else 0
        medians[k] = (lower + np.float64(ascending[at])) / 2


@compiled
def filtered_extremes(data, sections, lead, size, gain, low, high, z):
    """Filter one stretch from rest; lowest and highest value of each bin of ``size`` samples.

    The first sample is subtracted from all, the first ``lead`` samples only settle the filter. Values
    are scaled by ``gain``. Work space: ``z`` (sections, 2).
    """
    z[:] = 0.0
    base = float(data[0])
    for i in range(lead + size * low.shape[0]):
        value = float(data[i]) - base
        for section in range(sections.shape[0]):
            out = sections[section, 0] * value + z[section, 0]
            z[section, 0] = sections[section, 1] * value - sections[section, 3] * out + z[section, 1]
            z[section, 1] = sections[section, 2] * value - sections[section, 4] * out
            value = out
        if i >= lead:
            k, within = (i - lead) // size, (i - lead) % size
            value *= gain
            if within == 0:
                low[k] = value
                high[k] = value
            else:
                low[k] = min(low[k], value)
                high[k] = max(high[k], value)


@compiled
def short_peaks(values, reach, ratio, found):
    """Positions that are highest within ``reach`` and ``ratio`` times what lies ``reach`` to either side.

    Returns their count; an unknown value beside a peak hides it. Where none of 64 values is ``ratio`` times
    its sides, they are passed over.
    """
    count = 0
    i = reach
    last = values.shape[0] - reach
    lower = values.dtype.type(ratio * 0.99999)  # of few digits, for several at a time
    while i < last:
        end = min(i + 64, last)
        here = values[i:end]
        before, after = values[i - reach : end - reach], values[i + reach : end + reach]
        likely = 0
        for k in range(here.shape[0]):
            likely += 1 if here[k] >= lower * before[k] and here[k] >= lower * after[k] else 0
        if likely == 0:
            i = end
            continue
        while i < end:
            value = values[i]
            if value > 0 and value >= ratio * values[i - reach] and value >= ratio * values[i + reach]:
                highest = True
                for k in range(i - reach + 1, i):
                    highest = highest and value > values[k]
                for k in range(i + 1, i + reach):
                    highest = highest and value >= values[k]
                if highest:
                    found[count] = i
                    count += 1
                    i += reach
                    continue
            i += 1
    return count
