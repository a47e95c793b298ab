"""Compiled: envelopes, bursts and their edges."""

import math

from sleepbrux.signal.kernels.compiling import compiled


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
