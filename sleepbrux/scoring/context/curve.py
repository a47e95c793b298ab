"""The heart rate around onsets: its mean curve, and how often it rises at moments that are no onset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sleepbrux.scoring.context.label import USUAL_GAP_S, USUAL_S, rises_pct
from sleepbrux.scoring.context.model import in_seconds
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.measures import Selection
from sleepbrux.signal.heart import Heart, rate_at, usual_before
from sleepbrux.signal.surroundings.model import Floats

REACH_S, STEP_S = 30.0, 0.5
CONTROL_EVERY_S, CLEAR_S = 20.0, 60.0
LEAST_KNOWN = 0.5


@dataclass(frozen=True, eq=False)
class HeartCurve:
    """Heart rate around the onsets of counted episodes, in % of the usual rate before each.

    Attributes
    ----------
    offset_s
        float64, shape (n,): seconds from the onset.
    mean_pct, low_pct, high_pct
        float64, shape (n,): mean over episodes, and 1.96 standard errors either way; NaN where fewer than
        half of the episodes are known.
    n_episodes
        Episodes whose usual rate is known.
    """

    offset_s: Floats
    mean_pct: Floats
    low_pct: Floats
    high_pct: Floats
    n_episodes: int


def heart_curve(heart: Heart, onsets_s: Floats) -> HeartCurve | None:
    """Mean curve around these onsets; None with fewer than two episodes whose usual rate is known."""
    usual = usual_before(heart, onsets_s, USUAL_S, USUAL_GAP_S)
    onsets_s, usual = onsets_s[~np.isnan(usual)], usual[~np.isnan(usual)]
    if len(onsets_s) < 2:
        return None
    offset = np.arange(-REACH_S, REACH_S + STEP_S / 2, STEP_S)
    rate = rate_at(heart, (onsets_s[:, None] + offset).ravel()).reshape(len(onsets_s), -1)
    share = 100 * rate / usual[:, None]
    known = (~np.isnan(share)).sum(axis=0)
    enough = known >= max(2, LEAST_KNOWN * len(onsets_s))
    mean = np.full(len(offset), np.nan)
    error = np.full(len(offset), np.nan)
    mean[enough] = np.nanmean(share[:, enough], axis=0)
    error[enough] = 1.96 * np.nanstd(share[:, enough], axis=0, ddof=1) / np.sqrt(known[enough])
    return HeartCurve(offset, mean, mean - error, mean + error, len(onsets_s))


def control_moments(episodes: Episodes, selection: Selection) -> Floats:
    """Every 20 s of valid time, none within a minute of an episode, seconds."""
    grid = selection.valid.grid
    step = grid.slots_for(CONTROL_EVERY_S)
    moments = np.arange(0, grid.n_slots, step, dtype=np.int64)
    clear = grid.slots_for(CLEAR_S)
    near = np.zeros(len(moments), dtype=np.bool_)
    for a, b in zip(episodes.starts.tolist(), episodes.stops.tolist(), strict=True):
        near[np.searchsorted(moments, a - clear) : np.searchsorted(moments, b + clear)] = True
    return in_seconds(moments[selection.valid.holds(moments) & ~near], grid)


def rise_shares(
    heart: Heart, seconds: Floats, within_s: float, limits_pct: tuple[int, ...]
) -> tuple[int, list[float]]:
    """Count of moments with a known heart rate, and the share in % that rises by each limit or more."""
    rise = rises_pct(heart, seconds, within_s)
    rise = rise[~np.isnan(rise)]
    if not len(rise):
        return 0, []
    return len(rise), [100 * float((rise >= limit).mean()) for limit in limits_pct]
