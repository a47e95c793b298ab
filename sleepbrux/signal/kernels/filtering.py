"""Compiled: the one pass over raw samples: filter, sums of frames and of seconds."""

import numpy as np

from sleepbrux.signal.kernels.compiling import compiled

LANES = 32
GROUP = 100


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
