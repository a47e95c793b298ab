"""The ratio of two conditions' rates over nights, with an interval that is right for few nights.

Everything here works on the last axis of an array, so that a simulation runs the very analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepbrux.analysis.comparison.rules import (
    ALIKE_NIGHTS,
    ALIKE_SPREAD,
    LEAST_DISPERSION,
    LEVEL,
    SKEWED,
    UNLIKE_SPREAD,
    ZERO_ADDED,
)
from sleepbrux.core.errors import UsageError

Floats = NDArray[np.float64]
LARGEST_RATIO = 1e6
LARGEST_LOG = float(np.log(LARGEST_RATIO))
Method = Literal["quasi-Poisson", "Welch"]
Shown = Literal["t", "wider of t and rearrangement"]


@dataclass(frozen=True, eq=False)
class Arm:
    """Nights of one condition, summed up; arrays of any shape, one entry a study.

    Attributes
    ----------
    n
        Nights.
    total, hours
        Events and valid hours over all nights.
    dispersion
        Pearson's X² / (n - 1): 1 is counting noise alone.
    variance
        Variance of the logarithm of total / hours, from the nights' own spread: squared residuals over
        (1 - leverage)² (HC3, MacKinnon & White 1985, J Econometrics 29:305-325).
    """

    n: int
    total: Floats
    hours: Floats
    dispersion: Floats
    variance: Floats

    @property
    def spread(self) -> Any:
        """SD of nights over their mean, about: from ``variance``, which is that of a mean."""
        found = np.sqrt(self.variance * (self.n - 1))
        return float(found) if np.ndim(found) == 0 else found


def arm(events: ArrayLike, hours: ArrayLike) -> Arm:
    """Sum up the nights of one condition; two or more along the last axis, all with hours above 0."""
    y, h = np.asarray(events, dtype=np.float64), np.asarray(hours, dtype=np.float64)
    n = y.shape[-1]
    total, time = y.sum(axis=-1), h.sum(axis=-1)
    rate = (total / time)[..., np.newaxis]
    rest = (y - rate * h) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        pearson = np.where(total > 0, (rest / (rate * h)).sum(axis=-1) / (n - 1), 1.0)
        spread = (rest / (1 - h / time[..., np.newaxis]) ** 2).sum(axis=-1)
        variance = np.where(total > 0, spread / total**2, 0.0)
    return Arm(n, total, time, pearson, variance)


@dataclass(frozen=True, eq=False)
class RatioEstimate:
    """Logarithm of a ratio of rates, its standard error and degrees of freedom; pooled: quasi-Poisson."""

    log_ratio: Floats
    se: Floats
    df: Floats
    pooled: NDArray[np.bool_]

    def limits(self, level: float = LEVEL.value) -> tuple[Floats, Floats]:
        """Interval of the logarithm."""
        from scipy.special import stdtrit

        half = stdtrit(self.df, (1 + level) / 2) * self.se
        return self.log_ratio - half, self.log_ratio + half

    def p(self) -> Floats:
        """Two-sided p of "the rates do not differ"."""
        from scipy.special import stdtr

        return np.asarray(2 * stdtr(self.df, -np.abs(self._distance(0.0))))

    def _distance(self, at: float) -> Floats:
        """Standard errors from ``at`` to the logarithm; nights that are all equal have no spread."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.nan_to_num(
                (self.log_ratio - at) / np.asarray(self.se), nan=0.0, posinf=np.inf, neginf=-np.inf
            )

    def above(self, at: float) -> Floats:
        """One-sided p of "the logarithm is not above this"."""
        from scipy.special import stdtr

        return np.asarray(stdtr(self.df, -self._distance(at)))

    def under(self, at: float) -> Floats:
        """One-sided p of "the logarithm is not below this"."""
        from scipy.special import stdtr

        return np.asarray(stdtr(self.df, self._distance(at)))


def estimate(a: Arm, b: Arm, *, counts: bool = True) -> RatioEstimate:
    """Rate of ``a`` over that of ``b``, logarithm.

    Two forms, by a rule that looks at the nights (`rules.ALIKE_NIGHTS`, `rules.ALIKE_SPREAD`):

    - *quasi-Poisson*, where numbers of nights and dispersions are alike: one dispersion from Pearson's
      X² of both, variance dispersion x (1 / events a + 1 / events b), t with n - 2 degrees of freedom
      (McCullagh & Nelder 1989, Generalized Linear Models, 2nd ed.; from memory). The same as a
      quasi-Poisson model of the two conditions with the valid hours as offset.
    - *Welch* otherwise: each condition's own spread, degrees of freedom after Satterthwaite. It is taken
      on the logarithms of the two mean rates and not of single nights, because with unequal spreads the
      ratio of geometric means is not 1 where the mean rates are equal. A condition without any event shows
      no spread: it is given that of the other one, at least counting noise, and n - 2 degrees of freedom.

    Parameters
    ----------
    counts
        False for values that are no counts of events: then always Welch, and no floor from counting.
    """
    zero = (a.total == 0) | (b.total == 0)
    ya, yb = a.total + zero * ZERO_ADDED.value, b.total + zero * ZERO_ADDED.value
    log_ratio = np.log(ya / a.hours) - np.log(yb / b.hours)
    va, vb = a.variance, b.variance
    if counts:
        va, vb = (np.maximum(v, LEAST_DISPERSION.value / y) for v, y in ((va, ya), (vb, yb)))
    with np.errstate(divide="ignore", invalid="ignore"):
        df = (va + vb) ** 2 / (va**2 / (a.n - 1) + vb**2 / (b.n - 1))
    df = np.where(np.isfinite(df), df, min(a.n, b.n) - 1.0)
    if counts:
        wider = np.maximum(np.maximum(a.dispersion, b.dispersion), 1.0)
        va, vb = (np.where(zero, np.maximum(v, wider / y), v) for v, y in ((va, ya), (vb, yb)))
        df = np.where(zero, a.n + b.n - 2.0, df)
    se = np.sqrt(va + vb)
    if not counts:
        return RatioEstimate(log_ratio, se, df, np.zeros(np.shape(se), dtype=np.bool_))
    small, large = sorted((a.n, b.n))
    da, db = (np.maximum(x.dispersion, LEAST_DISPERSION.value) for x in (a, b))
    alike = large <= ALIKE_NIGHTS.value * small
    pooled = alike & ~zero & (np.maximum(da / db, db / da) <= ALIKE_SPREAD.value)
    pool_df = a.n + b.n - 2.0
    phi = ((a.n - 1) * a.dispersion + (b.n - 1) * b.dispersion) / pool_df
    quasi = np.sqrt(np.maximum(phi, LEAST_DISPERSION.value) * (1 / ya + 1 / yb))
    return RatioEstimate(log_ratio, np.where(pooled, quasi, se), np.where(pooled, pool_df, df), pooled)


def of_logs(a: Floats, b: Floats) -> RatioEstimate:
    """Mean of ``a`` less that of ``b`` along the last axis, Welch: for logarithms of nights' values."""
    (ma, va), (mb, vb) = ((v.mean(axis=-1), v.var(axis=-1, ddof=1) / v.shape[-1]) for v in (a, b))
    na, nb = a.shape[-1], b.shape[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        df = (va + vb) ** 2 / (va**2 / (na - 1) + vb**2 / (nb - 1))
    df = np.where(np.isfinite(df), df, min(na, nb) - 1.0)
    return RatioEstimate(ma - mb, np.sqrt(va + vb), df, np.zeros(np.shape(ma), dtype=np.bool_))


def contrast(y: Floats, h: Floats, is_with: NDArray[np.bool_], *, counts: bool = True) -> RatioEstimate:
    """The nights with the label against the others; shape (..., n_nights).

    Values that count nothing are compared by the logarithms of nights, where every one is above 0.
    """
    if not counts and (y > 0).all():
        z = np.log(y / h)
        return of_logs(z[..., is_with], z[..., ~is_with])
    arms = [arm(y[..., m], h[..., m]) for m in (is_with, ~is_with)]
    return estimate(arms[0], arms[1], counts=counts)


def varies_more(log_ratio: Floats, spread: Floats, spread_against: Floats) -> NDArray[np.bool_]:
    """Whether the lower one of two conditions varies more, by `rules.UNLIKE_SPREAD`; along any axis."""
    lower, upper = np.where(np.less(log_ratio, 0), (spread, spread_against), (spread_against, spread))
    return np.asarray(lower > UNLIKE_SPREAD.value * upper)


def holm(p: Sequence[float]) -> tuple[float, ...]:
    """P after Holm's step-down correction (Holm 1979, Scand J Stat 6:65-70), in the order given.

    Examples
    --------
    >>> [round(v, 6) for v in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p, dtype=np.float64)
    adjusted = holm_rows(values[np.newaxis, :])[0]
    return tuple(float(v) for v in adjusted)


def holm_rows(p: Floats) -> Floats:
    """`holm` along the last axis."""
    order = np.argsort(p, axis=-1, kind="stable")
    ranked = np.take_along_axis(p, order, axis=-1) * np.arange(p.shape[-1], 0, -1)
    stepped = np.minimum(np.maximum.accumulate(ranked, axis=-1), 1.0)
    out = np.empty_like(stepped)
    np.put_along_axis(out, order, stepped, axis=-1)
    return out


@dataclass(frozen=True)
class RateRatio:
    """Rate of one condition over that of another.

    Attributes
    ----------
    nights, nights_against
        Numbers of nights.
    total, total_against, hours, hours_against
        Events and valid hours (for a measure that is no count: sum of values, and nights).
    low, high
        95 % interval.
    p
        Two-sided, of t.
    p_verdict, p_holm
        What the sentence rests on (`verdict.Judged.p`), and the same after Holm over the contrasts with the
        baseline.
    p_equal, p_equal_holm
        Likewise for "no more than a quarter less or a third more".
    method, why_method
        Which form of `estimate`, and by which part of the rule.
    dispersions
        Variance over that of counting noise, here and there; empty where the measure is no count.
    zero
        Whether a condition without any event had half an event added.
    spreads
        SD of nights over their mean, here and there.
    interval
        Which interval is shown: each end the further one of t and of the rearrangement test turned round
        where nights are skewed or silent (`rules.SKEWED`), else that of t.
    """

    condition: str
    against: str
    nights: int
    nights_against: int
    total: float
    total_against: float
    hours: float
    hours_against: float
    ratio: float
    low: float
    high: float
    p: float
    p_verdict: float
    p_holm: float
    p_equal: float
    p_equal_holm: float
    df: float
    method: Method
    why_method: str
    dispersions: tuple[float, ...]
    zero: bool
    spreads: tuple[float, float]
    counts: bool = True
    interval: Shown = "t"

    @property
    def skewed(self) -> bool:
        """Whether the interval of t is known to be too short here, by `rules.SKEWED`."""
        return max(self.spreads) > SKEWED.value

    @property
    def lower_varies_more(self) -> bool:
        """Whether the nights of the lower condition vary more, by `rules.UNLIKE_SPREAD`."""
        return self.counts and bool(varies_more(np.log(self.ratio), *map(np.asarray, self.spreads)))


def rate_ratio(
    events: Sequence[float],
    hours: Sequence[float],
    events_against: Sequence[float],
    hours_against: Sequence[float],
    *,
    condition: str = "with",
    against: str = "without",
    counts: bool = True,
) -> RateRatio:
    """Rate ratio of two conditions of one person, nights as units.

    Parameters
    ----------
    events, hours
        Events and valid hours, one a night; likewise for the condition compared against.
    counts
        False where ``events`` are values that count nothing (and ``hours`` are all 1).

    Raises
    ------
    UsageError
        Fewer than two nights on a side, hours that are not above 0, or no event on any night.

    Examples
    --------
    >>> r = rate_ratio([20, 25, 22, 30], [7, 7, 7, 7], [40, 35, 45, 50], [7, 7, 7, 7])
    >>> round(r.ratio, 3), round(r.low, 3), round(r.high, 3), r.method
    (0.571, 0.426, 0.764, 'quasi-Poisson')
    """
    if min(len(events), len(events_against)) < 2:
        raise UsageError("a rate ratio needs two nights or more in each of the two conditions")
    if min(*hours, *hours_against) <= 0:
        raise UsageError("a rate ratio needs valid hours above 0 in every night")
    a, b = arm(events, hours), arm(events_against, hours_against)
    if a.total + b.total <= 0 or (not counts and min(a.total, b.total) <= 0):
        raise UsageError("a rate ratio needs sums above 0; here there is no event on any night")
    y, h = np.array([*events, *events_against], float), np.array([*hours, *hours_against], float)
    logs = not counts and bool((y > 0).all())
    found = contrast(y, h, np.arange(len(y)) < a.n, counts=counts)
    low, high = found.limits()
    zero = bool(min(a.total, b.total) == 0)
    pooled = bool(found.pooled)
    return RateRatio(
        condition=condition,
        against=against,
        nights=a.n,
        nights_against=b.n,
        total=float(a.total),
        total_against=float(b.total),
        hours=float(a.hours),
        hours_against=float(b.hours),
        ratio=ratio_of(found.log_ratio),
        low=ratio_of(low),
        high=ratio_of(high),
        p=float(found.p()),
        p_verdict=float(found.p()),
        p_holm=float(found.p()),
        p_equal=1.0,
        p_equal_holm=1.0,
        df=float(found.df),
        method="quasi-Poisson" if pooled else "Welch",
        why_method=(
            "no count of events: the logarithms of nights are compared"
            if logs
            else _why(a, b, pooled=pooled, zero=zero, counts=counts)
        ),
        dispersions=(float(a.dispersion), float(b.dispersion)) if counts else (),
        zero=zero,
        spreads=(a.spread, b.spread),
        counts=counts,
    )


def _why(a: Arm, b: Arm, *, pooled: bool, zero: bool, counts: bool) -> str:
    if not counts:
        return "the measure is no count of events"
    if pooled:
        return "numbers of nights and dispersions are alike"
    if zero:
        return "one condition has no event at all"
    small, large = sorted((a.n, b.n))
    if large > ALIKE_NIGHTS.value * small:
        return f"numbers of nights differ by more than a factor of {ALIKE_NIGHTS.value:g}"
    return f"dispersions differ by more than a factor of {ALIKE_SPREAD.value:g}"


def ratio_of(log: Any) -> float:
    """A ratio from its logarithm; beyond a million, or a millionth, it stands there.

    Few wild nights leave limits without bounds, which are no numbers that a page or a file could hold.

    Examples
    --------
    >>> ratio_of(0.0), ratio_of(1e9), ratio_of(-1e9)
    (1.0, 1000000.0, 1e-06)
    """
    if abs(log) >= LARGEST_LOG:
        return LARGEST_RATIO if log > 0 else 1 / LARGEST_RATIO
    return float(np.exp(log))


def p_text(p: float) -> str:
    """A p value as it is printed.

    Examples
    --------
    >>> p_text(0.0312), p_text(0.00002)
    ('= 0.031', '< 0.001')
    """
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"


def adjusted_p(found: RateRatio) -> str:
    """The p that a verdict uses, with the one before adjustment behind it where it is another."""
    p, before = p_text(found.p_holm), p_text(found.p_verdict)
    return p if p == before else f"{p} after Holm ({before.removeprefix('= ')} before)"


def as_floats(values: Sequence[Any]) -> Floats:
    """Values as an array."""
    return np.asarray(values, dtype=np.float64)
