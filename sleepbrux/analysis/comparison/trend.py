"""Whether nights change with time by themselves, and whether neighbours are alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sleepbrux.analysis.comparison.ratio import Floats, as_floats, ratio_of

# Logarithms of rates that differ by less are alike: a second more or less in a night makes 4e-5.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Trend:
    """Change of the nightly rate with time, conditions taken out.

    Attributes
    ----------
    factor_per_week, low, high
        Factor by which the rate changes in seven days (with dates) or seven nights, and its 95 % interval.
    p
        Two-sided, t.
    unit
        ``"days"`` or ``"nights in order"``.
    shared_with_conditions
        Share of the time axis that the conditions explain (R²): near 1, time and appliance cannot be told
        apart.
    lag_1
        Correlation of neighbouring nights, conditions and trend taken out; None below six nights.
    """

    factor_per_week: float
    low: float
    high: float
    p: float
    unit: str
    shared_with_conditions: float
    lag_1: float | None


def trend_over_nights(
    events: Sequence[float],
    hours: Sequence[float],
    conditions: Sequence[str],
    when: Sequence[float],
    *,
    unit: str = "days",
    counts: bool = True,
) -> Trend | None:
    """Straight line through the logarithms of the nightly rates, one level a condition.

    Least squares on log((events + 0.5) / hours); half an event keeps nights without any, and is left out
    where the values count nothing.

    Parameters
    ----------
    when
        Day of each night (or its number), rising.

    Returns
    -------
    None where fewer than three nights are left over after levels and slope, conditions and time are the
    same thing, or levels and slope leave nothing but rounding: then there is no spread to judge them by.
    """
    from scipy.special import stdtr, stdtrit

    t = as_floats(when)
    y = np.log((as_floats(events) + 0.5 * counts) / as_floats(hours))
    names = list(dict.fromkeys(conditions))
    levels = np.array([[c == name for name in names] for c in conditions], dtype=np.float64)
    df = len(y) - len(names) - 1
    if df < 3:
        return None
    spread = float(((t - t.mean()) ** 2).sum())
    if spread == 0:
        return None
    rest_t = _less(t, levels)
    own = float(rest_t @ rest_t)
    shared = 1 - own / spread
    if own < 1e-9 * spread:
        return None
    slope = float(rest_t @ y) / own
    rest = _less(y, np.column_stack((levels, t)))
    if float(np.abs(rest).max()) <= ROUNDING * max(1.0, float(np.abs(y).max())):
        return None
    se = float(np.sqrt(rest @ rest / df / own))
    half = 7 * float(stdtrit(df, 0.975)) * se
    p = float(2 * stdtr(df, -abs(slope) / se)) if se > 0 else 1.0
    low, middle, high = (ratio_of(7 * slope + d) for d in (-half, 0.0, half))
    return Trend(middle, low, high, p, unit, shared, _lag_1(rest))


def _less(values: Floats, design: Floats) -> Floats:
    """What a least-squares fit leaves."""
    return np.asarray(values - design @ np.linalg.lstsq(design, values, rcond=None)[0])


def _lag_1(rest: Floats) -> float | None:
    if len(rest) < 6:
        return None
    total = float(rest @ rest)
    return float(rest[1:] @ rest[:-1]) / total if total > 0 else None
