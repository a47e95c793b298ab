"""Compiled: levels, quantiles and extremes in windows."""

import numpy as np

from sleepbrux.signal.kernels.compiling import compiled


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
