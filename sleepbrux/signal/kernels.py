"""Every compiled loop. Each has a plain twin of the same name in ``plain.py``.

No project import, constants as arguments, the caller allocates, sums run in sample order, no
fastmath: the twins agree bit for bit. The one constant is the number of lanes, which the compiler
must know to use its vector registers.
"""

import math

import numpy as np
from numba import njit

LANES = 32
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
    data, record_length, per_record, channel_offset, first, before, n_frames, frame,
    hop, frames_per_block, rail_low, rail_high, stats,
):  # fmt: skip
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
            part = data[at : at + min(stop - sample, per_record - within)]
            if sample == begin:
                lowest, highest = part[0], part[0]
            for i in range(part.shape[0]):
                value = part[i]
                lowest = min(lowest, value)
                highest = max(highest, value)
            same += 1 if part[0] == last else 0
            here, there = part[:-1], part[1:]
            for i in range(here.shape[0]):
                same += 1 if here[i] == there[i] else 0
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
                    value = data[
                        sample // per_record * record_length + channel_offset + sample % per_record
                    ]
                    railed += value <= rail_low or value >= rail_high
                stats[block, 3] += railed
                stats[block, 13] += railed == hop
        done += frames


@compiled
def sweep_lanes(
    data, record_length, per_record, channel_offset,
    lane_first, lane_lead, lane_count, lane_frames, lane_frame,
    sections, hop, margin_frames, frames_per_block, hum, gain,
    energy, rectified, stats,
):  # fmt: skip
    """Filter up to 32 stretches side by side; leave energy a frame and sums a block.

    Lane ``k`` takes ``lane_count[k]`` stored samples from ``lane_first[k]``, after ``lane_lead[k]``
    steps of zero, so that its first whole frame begins after ``margin_frames``; the first sample is
    subtracted from all. Its ``lane_frames[k]`` frames go to ``lane_frame[k]`` on.

    Columns of ``stats``, one row a block: 5-8 hum phasors at two frequencies (real, imaginary), 9
    energy, 10 energy of the first difference (filtered), 11 and 12 lowest and highest mean of a frame
    (unfiltered). In digital steps; ``energy`` and ``rectified`` a frame are scaled by ``gain``.

    The inner loops run over the lanes, so that one instruction serves several; the work arrays are
    made here and not by the caller, so that the compiler knows their shape and that none overlaps.
    Samples are gathered as they are stored and converted in the first section, because a loop that
    does no more than convert is unrolled before it can be made to serve several lanes.
    """
    stored = np.zeros((hop, LANES), dtype=data.dtype)
    x = np.zeros((hop, LANES))
    z = np.zeros((sections.shape[0], 2, LANES))
    sums = np.zeros((7, LANES))
    block_sums = np.zeros((8, LANES))
    still = np.zeros(LANES, dtype=data.dtype)
    base, before, level = np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    position, within = np.zeros(LANES, dtype=np.int64), np.zeros(LANES, dtype=np.int64)
    block, left = np.zeros(LANES, dtype=np.int64), np.zeros(LANES, dtype=np.int64)
    longest = 0
    for lane in range(LANES):
        longest = max(longest, lane_frames[lane])
        first = lane_first[lane]
        within[lane] = first % per_record
        position[lane] = first // per_record * record_length + channel_offset + within[lane]
        if lane_count[lane] > 0:
            still[lane] = data[position[lane]]
            base[lane] = float(still[lane])
        block[lane] = lane_frame[lane] // frames_per_block
        left[lane] = (block[lane] + 1) * frames_per_block - lane_frame[lane]
        block_sums[6, lane] = np.inf
        block_sums[7, lane] = -np.inf
    for frame in range(-margin_frames, longest):
        in_one_piece = True
        for lane in range(LANES):
            step = (frame + margin_frames) * hop - lane_lead[lane]
            if step < 0 or step + hop > lane_count[lane] or within[lane] + hop > per_record:
                in_one_piece = False
        if in_one_piece:
            for lane in range(
                0, LANES, 4
            ):  # one at a time, the compiler scatters them by vectors, slowly
                at_0, at_1, at_2, at_3 = (
                    position[lane], position[lane + 1], position[lane + 2], position[lane + 3]
                )  # fmt: skip
                part_0, part_1 = data[at_0 : at_0 + hop], data[at_1 : at_1 + hop]
                part_2, part_3 = data[at_2 : at_2 + hop], data[at_3 : at_3 + hop]
                for j in range(hop):
                    row = stored[j]
                    row[lane], row[lane + 1] = part_0[j], part_1[j]
                    row[lane + 2], row[lane + 3] = part_2[j], part_3[j]
            for lane in range(LANES):
                position[lane] += hop
                within[lane] += hop
                if within[lane] == per_record:
                    within[lane] = 0
                    position[lane] += record_length - per_record
        else:
            for lane in range(LANES):
                step = (frame + margin_frames) * hop - lane_lead[lane]
                begin = min(max(-step, 0), hop)
                end = max(min(lane_count[lane] - step, hop), begin)
                for j in range(hop):
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
        level[:] = 0.0
        b0, b1, b2 = sections[0, 0], sections[0, 1], sections[0, 2]
        a1, a2 = sections[0, 3], sections[0, 4]
        z0, z1 = z[0, 0], z[0, 1]
        for j in range(hop):
            row, column = x[j], stored[j]
            for lane in range(LANES):
                value = float(column[lane]) - base[lane]
                level[lane] += value
                out = b0 * value + z0[lane]
                z0[lane] = b1 * value - a1 * out + z1[lane]
                z1[lane] = b2 * value - a2 * out
                row[lane] = out
        for section in range(1, sections.shape[0]):
            b0, b1, b2 = sections[section, 0], sections[section, 1], sections[section, 2]
            a1, a2 = sections[section, 3], sections[section, 4]
            z0, z1 = z[section, 0], z[section, 1]
            for j in range(hop):
                row = x[j]
                for lane in range(LANES):
                    value = row[lane]
                    out = b0 * value + z0[lane]
                    z0[lane] = b1 * value - a1 * out + z1[lane]
                    z1[lane] = b2 * value - a2 * out
                    row[lane] = out
        if frame < 0:
            for lane in range(LANES):  # not by slice: that compiles text for its errors, in seconds
                before[lane] = x[hop - 1, lane]
            continue
        sums[:] = 0.0
        waves = hum[frame * hop : (frame + 1) * hop]
        for j in range(hop):
            row = x[j]
            cosine_0, sine_0, cosine_1, sine_1 = waves[j, 0], waves[j, 1], waves[j, 2], waves[j, 3]
            for lane in range(LANES):
                out = row[lane]
                slope = out - before[lane]
                before[lane] = out
                sums[0, lane] += out * out
                sums[1, lane] += abs(out)
                sums[2, lane] += slope * slope
                sums[3, lane] += out * cosine_0
                sums[4, lane] += out * sine_0
                sums[5, lane] += out * cosine_1
                sums[6, lane] += out * sine_1
        for lane in range(LANES):
            for k in range(4):
                block_sums[k, lane] += sums[3 + k, lane]
            block_sums[4, lane] += sums[0, lane]
            block_sums[5, lane] += sums[2, lane]
            mean = level[lane] / hop + base[lane]
            block_sums[6, lane] = min(block_sums[6, lane], mean)
            block_sums[7, lane] = max(block_sums[7, lane], mean)
            sums[0, lane] = sums[0, lane] / hop * (gain * gain)
            sums[1, lane] = sums[1, lane] / hop * gain
        for lane in range(LANES):
            if frame >= lane_frames[lane]:
                continue
            energy[lane_frame[lane] + frame] = sums[0, lane]
            rectified[lane_frame[lane] + frame] = sums[1, lane]
            left[lane] -= 1
            if left[lane] == 0 or frame + 1 == lane_frames[lane]:
                row = stats[block[lane]]
                for k in range(6):
                    row[5 + k] += block_sums[k, lane]
                    block_sums[k, lane] = 0.0
                row[11] = min(row[11], block_sums[6, lane])
                row[12] = max(row[12], block_sums[7, lane])
                block_sums[6, lane] = np.inf
                block_sums[7, lane] = -np.inf
                block[lane] += 1
                left[lane] = frames_per_block


@compiled
def moving_mean(power, window, level, total, known):
    """Centred mean over ``window`` frames (odd), of those that are known; NaN where the frame is not.

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
            around = power[begin - half : end + half]
            for i in range(around.shape[0]):
                gaps += 1 if around[i] != around[i] else 0
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
    energy, starts, stops, earliest, latest, knots, step, floor, to_power, half, flank, depth,
    least_step, tail, new_starts, new_stops,
):  # fmt: skip
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
                        for i in range(
                            max(centre - half, 0), min(centre + half + 1, energy.shape[0])
                        ):
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
def sampled(values, step, starts, stops, at):
    """Multiples of ``step`` inside the spans at which the value is known, written to ``at``; their count."""
    count = 0
    for k in range(starts.shape[0]):
        for i in range(-(-starts[k] // step) * step, stops[k], step):
            if values[i] == values[i]:
                at[count] = i
                count += 1
    return count


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
            z[section, 0] = (
                sections[section, 1] * value - sections[section, 3] * out + z[section, 1]
            )
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
    while i < last:
        end = min(i + 64, last)
        here = values[i:end]
        before, after = values[i - reach : end - reach], values[i + reach : end + reach]
        likely = 0
        for k in range(here.shape[0]):
            likely += 1 if here[k] >= ratio * before[k] and here[k] >= ratio * after[k] else 0
        if likely == 0:
            i = end
            continue
        while i < end:
            value = values[i]
            if (
                value > 0
                and value >= ratio * values[i - reach]
                and value >= ratio * values[i + reach]
            ):
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
