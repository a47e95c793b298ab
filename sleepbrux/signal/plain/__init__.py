"""The kernels again, from their definitions: slow, obvious, independent of `sleepbrux.signal.kernels`."""

from sleepbrux.signal.plain.events import (
    correct_edges,
    crossings,
    join_dips,
    limit_at,
    mean_known,
    moving_mean,
    span_levels,
    step_between,
)
from sleepbrux.signal.plain.filtering import (
    band_passed,
    filtered,
    filtered_extremes,
    raw_sums,
    summed,
    sweep_lanes,
)
from sleepbrux.signal.plain.mains import (
    followed_lines,
    line_phasors,
    mains_peaks,
    sums_without_lines,
    windowed,
)
from sleepbrux.signal.plain.windows import (
    means_within,
    sampled,
    short_peaks,
    window_medians,
    window_quantiles,
)

__all__ = [
    "band_passed",
    "correct_edges",
    "crossings",
    "filtered",
    "filtered_extremes",
    "followed_lines",
    "join_dips",
    "limit_at",
    "line_phasors",
    "mains_peaks",
    "mean_known",
    "means_within",
    "moving_mean",
    "raw_sums",
    "sampled",
    "short_peaks",
    "span_levels",
    "step_between",
    "summed",
    "sums_without_lines",
    "sweep_lanes",
    "window_medians",
    "window_quantiles",
    "windowed",
]
