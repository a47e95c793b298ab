"""The statistics of agreement, each from its published formula."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepbrux.scoring.uncertainty import LEVEL

RESAMPLES = 2000
ICC_DRAWS = 1000
SEED = 20240229
FEW_NIGHTS = 6
ROUNDING = 1e-12  # share of a sum of squares that arithmetic alone may leave
FEW_PERSONS = 10
Table = NDArray[np.float64]


@dataclass(frozen=True)
class IntervalEstimate:
    """A number and its 95 % interval; ``meaning`` says what the interval is, or why there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None
    meaning: str = ""


def ratio(part: float, whole: float) -> float | None:
    """A share; None of nothing."""
    return float(part / whole) if whole > 0 else None


def over_nights(
    counts: Sequence[ArrayLike],
    function: Callable[[Table], float | None],
    persons: Sequence[str] | None = None,
) -> IntervalEstimate:
    """A figure of pooled counts, with a bootstrap (percentile, 2000 draws, fixed seed).

    Persons are drawn again, each with all nights, where they are known; else nights.

    Parameters
    ----------
    counts
        Counts of each night, all of one shape; a figure is a function of their sum.
    persons
        Whose night each is; None where that is not known.
    """
    table = np.stack([np.asarray(c, dtype=np.float64) for c in counts])
    value = function(table.sum(axis=0))
    what, few_below = "night", FEW_NIGHTS
    if persons is not None:
        table = np.stack(
            [table[[p == person for p in persons]].sum(axis=0) for person in dict.fromkeys(persons)]
        )
        what, few_below = "person", FEW_PERSONS
    n = len(table)
    if n < 2:
        return IntervalEstimate(value, meaning=f"no interval from one {what}")
    drawn = np.random.default_rng(SEED).integers(0, n, size=(RESAMPLES, n))
    values = [v for rows in drawn if (v := function(table[rows].sum(axis=0))) is not None]
    if value is None or len(values) < RESAMPLES * 0.9:
        return IntervalEstimate(value, meaning=f"no interval: it cannot be computed in every draw of {what}s")
    low, high = np.percentile(values, [100 * (1 - LEVEL) / 2, 100 * (1 + LEVEL) / 2])
    few = f"; {n} {what}s are few, so it is rather too short" if n < few_below else ""
    how = "resampled, taken as independent" if what == "night" else "resampled with all their nights"
    return IntervalEstimate(value, float(low), float(high), f"95 %, {n} {what}s {how}{few}")


def kappa(table: Table) -> float | None:
    """Cohen's kappa of a square table of counts (Cohen 1960, Educ Psychol Meas 20:37-46).

    None where both sides use one and the same class only.
    """
    total = float(table.sum())
    if total <= 0:
        return None
    seen = float(np.trace(table)) / total
    chance = float((table.sum(axis=0) * table.sum(axis=1)).sum()) / total**2
    return (seen - chance) / (1 - chance) if chance < 1 else None


def specific(table: Table) -> tuple[float | None, float | None]:
    """Agreement on absence and on presence, of a table with absence first.

    Twice the shared count over the sum of both sides' counts (Cicchetti and Feinstein 1990, J Clin
    Epidemiol 43:551-558): what kappa hides where one class is rare.
    """
    both = table.sum(axis=0) + table.sum(axis=1)
    return ratio(2 * float(table[0, 0]), float(both[0])), ratio(2 * float(table[1, 1]), float(both[1]))


@dataclass(frozen=True)
class Icc:
    """An intraclass correlation, by the name of Shrout and Fleiss."""

    name: str
    meaning: str
    value: float
    low: float | None
    high: float | None


def icc(values: ArrayLike) -> tuple[Icc, ...]:
    """Six intraclass correlations with 95 % intervals.

    Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428; intervals of the two-way random ones after McGraw
    KO, Wong SP. Psychol Methods 1996;1:30-46.

    Parameters
    ----------
    values
        Shape (n_targets, k_raters), n >= 2, k >= 2, without gaps.

    Raises
    ------
    ValueError
        Fewer than two targets or raters, or no variance between targets.
    """
    from scipy.stats import f as f_distribution

    x = np.asarray(values, dtype=np.float64)
    n, k = x.shape
    if n < 2 or k < 2 or not np.isfinite(x).all() or np.ptp(x.mean(axis=1)) <= 1e-12 * np.ptp(x):
        raise ValueError(
            "an intraclass correlation needs two targets that differ on the mean, and two raters"
        )
    mean = x.mean()
    rows = k * ((x.mean(axis=1) - mean) ** 2).sum()
    columns = n * ((x.mean(axis=0) - mean) ** 2).sum()
    total = ((x - mean) ** 2).sum()
    within, error = (
        float(v) if v > ROUNDING * total else 0.0 for v in (total - rows, total - rows - columns)
    )
    msr, msc = rows / (n - 1), columns / (k - 1)
    mse = error / ((n - 1) * (k - 1))
    msw = within / (n * (k - 1))
    tail = 1 - (1 - LEVEL) / 2

    def quantile(a: float, b: float) -> float:
        return float(f_distribution.ppf(tail, a, b))

    def one_way() -> tuple[float, float]:
        f, a, b = msr / msw if msw > 0 else math.inf, n - 1, n * (k - 1)
        return f / quantile(a, b), f * quantile(b, a)

    def consistent() -> tuple[float, float]:
        f, a, b = msr / mse if mse > 0 else math.inf, n - 1, (n - 1) * (k - 1)
        return f / quantile(a, b), f * quantile(b, a)

    def single(f: float) -> float:
        return float((f - 1) / (f + k - 1)) if math.isfinite(f) else 1.0

    def mean_of(f: float) -> float:
        return float(1 - 1 / f) if math.isfinite(f) else 1.0

    absolute = (msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n)
    low, high = _absolute(absolute, msr, msc, mse, n, k, tail)
    one, both = one_way(), consistent()
    words = {
        "ICC(1,1)": "one-way random, single scoring",
        "ICC(2,1)": "two-way random, absolute agreement, single scoring",
        "ICC(3,1)": "two-way mixed, consistency, single scoring",
        "ICC(1,k)": "one-way random, mean of the scorings",
        "ICC(2,k)": "two-way random, absolute agreement, mean of the scorings",
        "ICC(3,k)": "two-way mixed, consistency, mean of the scorings",
    }
    f1, f3 = (msr / msw if msw > 0 else math.inf), (msr / mse if mse > 0 else math.inf)

    def stepped(v: float) -> float:
        return float(k * v / (1 + (k - 1) * v))

    rows_of = {
        "ICC(1,1)": (single(f1), single(one[0]), single(one[1])),
        "ICC(2,1)": (absolute, low, high),
        "ICC(3,1)": (single(f3), single(both[0]), single(both[1])),
        "ICC(1,k)": (mean_of(f1), mean_of(one[0]), mean_of(one[1])),
        "ICC(2,k)": ((msr - mse) / (msr + (msc - mse) / n), stepped(low), stepped(high)),
        "ICC(3,k)": (mean_of(f3), mean_of(both[0]), mean_of(both[1])),
    }
    return tuple(Icc(name, words[name], *(float(v) for v in rows_of[name])) for name in words)


def _absolute(
    value: float, msr: float, msc: float, mse: float, n: int, k: int, tail: float
) -> tuple[float, float]:
    """Interval of ICC(2,1) with Satterthwaite's degrees of freedom."""
    from scipy.stats import f as f_distribution

    if mse <= 0:
        return (1.0, 1.0) if msc <= 0 else (math.nan, math.nan)
    fj = msc / mse
    top = (k - 1) * (n - 1) * (k * value * fj + n * (1 + (k - 1) * value) - k * value) ** 2
    bottom = (n - 1) * k**2 * value**2 * fj**2 + (n * (1 + (k - 1) * value) - k * value) ** 2
    v = top / bottom
    f_low = float(f_distribution.ppf(tail, n - 1, v))
    f_high = float(f_distribution.ppf(tail, v, n - 1))
    low = n * (msr - f_low * mse) / (f_low * (k * msc + (k * n - k - n) * mse) + n * msr)
    high = n * (f_high * msr - mse) / (k * msc + (k * n - k - n) * mse + n * f_high * msr)
    return low, high


def icc_over_persons(values: ArrayLike, persons: Sequence[str]) -> tuple[Icc, ...]:
    """`icc` of nights whose persons are known: intervals from persons resampled with all their nights.

    Percentiles of 1000 draws with a fixed seed; None where fewer than nine draws in ten have a value.

    Raises
    ------
    ValueError
        As `icc`.
    """
    x = np.asarray(values, dtype=np.float64)
    found = icc(x)
    names = list(dict.fromkeys(persons))
    rows = [np.flatnonzero([p == name for p in persons]) for name in names]
    rng = np.random.default_rng(SEED)
    drawn = []
    for picks in rng.integers(0, len(names), (ICC_DRAWS, len(names))):
        try:
            drawn.append([one.value for one in icc(x[np.concatenate([rows[k] for k in picks])])])
        except ValueError:
            continue
    table = np.array(drawn).reshape(len(drawn), len(found))
    tails = [100 * (1 - LEVEL) / 2, 100 * (1 + LEVEL) / 2]
    if len(names) < 2 or len(drawn) < 0.9 * ICC_DRAWS:
        return tuple(replace(one, low=None, high=None) for one in found)
    limits = np.percentile(table, tails, axis=0)
    return tuple(
        replace(one, low=float(low), high=float(high)) for one, low, high in zip(found, *limits, strict=True)
    )


@dataclass(frozen=True)
class BlandAltman:
    """Differences of paired values, first less second.

    Attributes
    ----------
    bias, sd
        Mean and standard deviation of the differences; of several nights of known persons the mean of the
        persons' means, and the SD of a single night of any person.
    lower, upper
        Limits of agreement: bias less and plus ``factor`` standard deviations.
    bias_ci, lower_ci, upper_ci
        95 % intervals by Student's t; standard error of a limit sqrt(3 / n) standard deviations. Of several
        nights of known persons: t over persons, and MOVER.
    persons
        How many persons; None where nights were taken as independent.
    """

    n: int
    factor: float
    bias: float
    sd: float
    lower: float
    upper: float
    bias_ci: tuple[float, float]
    lower_ci: tuple[float, float]
    upper_ci: tuple[float, float]
    persons: int | None = None


def _limits(
    n: int, factor: float, about: tuple[float, float], of_bias: float, of_limit: tuple[float, float]
) -> BlandAltman:
    """Limits of agreement from (bias, SD), and the half widths of the intervals: of a limit (inwards, outwards)."""
    (bias, sd), (short, long) = about, of_limit
    lower, upper = bias - factor * sd, bias + factor * sd
    return BlandAltman(
        n,
        factor,
        bias,
        sd,
        lower,
        upper,
        (bias - of_bias, bias + of_bias),
        (lower - long, lower + short),
        (upper - short, upper + long),
    )


def bland_altman_over_persons(
    first: ArrayLike, second: ArrayLike, persons: Sequence[str], *, factor: float = 1.96
) -> BlandAltman:
    """Limits of agreement of single nights where persons have several: between and within persons apart.

    Variance of a single difference = variance of the persons' means + (1 - mean of 1/m) x variance within
    persons (Bland & Altman 1999, Stat Methods Med Res 8:135-160, section 5.3; from memory). Intervals of
    the limits by MOVER (Zou 2013, Stat Methods Med Res 22:630-642; from memory): the distances of the bias
    and of the SD to their own intervals, put together as the root of the sum of squares.

    Raises
    ------
    ValueError
        Fewer than two persons.
    """
    from scipy.special import chdtri, stdtrit

    d = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    names = list(dict.fromkeys(persons))
    groups = [d[[p == name for p in persons]] for name in names]
    n, total = len(groups), len(d)
    if n < 2:
        raise ValueError("limits of agreement over persons need two persons")
    if total == n:
        return replace(bland_altman(first, second, factor=factor), persons=n)
    means = np.array([g.mean() for g in groups])
    between = float(means.var(ddof=1))
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / (total - n)
    share = 1 - float(np.mean([1 / len(g) for g in groups]))
    variance = between + share * within
    tail = (1 - LEVEL) / 2
    down, up = 0.0, 0.0
    for part, df in ((between, n - 1), (share * within, total - n)):
        down += float(part * (1 - df / chdtri(df, tail))) ** 2
        up += float(part * (df / chdtri(df, 1 - tail) - 1)) ** 2
    sd = math.sqrt(variance)
    sd_low = math.sqrt(max(variance - math.sqrt(down), 0.0))
    sd_high = math.sqrt(variance + math.sqrt(up))
    bias = float(means.mean())
    half = float(stdtrit(n - 1, 1 - tail)) * math.sqrt(between / n)
    short, long = (math.hypot(half, factor * v) for v in (sd - sd_low, sd_high - sd))
    return replace(_limits(total, factor, (bias, sd), half, (short, long)), persons=n)


def bland_altman(first: ArrayLike, second: ArrayLike, *, factor: float = 1.96) -> BlandAltman:
    """Limits of agreement (Bland JM, Altman DG. Lancet 1986;i:307-310).

    Raises
    ------
    ValueError
        Fewer than two pairs.
    """
    from scipy.special import stdtrit

    d = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    n = len(d)
    if n < 2:
        raise ValueError("limits of agreement need two pairs")
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(stdtrit(n - 1, (1 + LEVEL) / 2))
    of_bias, of_limit = t * sd / math.sqrt(n), t * sd * math.sqrt(3 / n)
    return _limits(n, factor, (bias, sd), of_bias, (of_limit, of_limit))
