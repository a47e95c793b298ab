"""Every compiled loop. Each has a plain twin of the same name in `sleepbrux.signal.plain`.

No project import but that of the compiler, constants as arguments, the caller allocates, sums run in sample
order, no fastmath: the twins agree bit for bit. A loop calls others of its own module only, since the compiler's
cache looks at one file. The two constants are the number of lanes, which the compiler must know to use its
vector registers, and the frames gathered at a time.
"""

from sleepbrux.signal.kernels.compiling import FIRST_RUN, UNCACHED
from sleepbrux.signal.kernels.events import (
    correct_edges,
    crossings,
    join_dips,
    limit_at,
    mean_known,
    moving_mean,
    span_levels,
    step_between,
)
from sleepbrux.signal.kernels.filtering import (
    GROUP,
    LANES,
    band_passed,
    filtered,
    filtered_extremes,
    raw_sums,
    summed,
    sweep_lanes,
)
from sleepbrux.signal.kernels.mains import (
    followed_lines,
    line_phasors,
    mains_peaks,
    sums_without_lines,
    windowed,
)
from sleepbrux.signal.kernels.windows import (
    means_within,
    sampled,
    short_peaks,
    window_medians,
    window_quantiles,
)

__all__ = [
    "FIRST_RUN",
    "GROUP",
    "LANES",
    "UNCACHED",
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
