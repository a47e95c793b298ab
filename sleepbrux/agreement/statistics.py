"""The statistics of agreement, each from its published formula."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepbrux.uncertainty import LEVEL

RESAMPLES = 2000
SEED = 20240229
FEW_NIGHTS = 6
ROUNDING = 1e-12  # share of a sum of squares that arithmetic alone may leave
Table = NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """A number and its 95 % interval; ``meaning`` says what the interval is, or why there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None
    meaning: str = ""


def ratio(part: float, whole: float) -> float | None:
    """A share; None of nothing."""
    return float(part / whole) if whole > 0 else None


def over_nights(counts: Sequence[ArrayLike], function: Callable[[Table], float | None]) -> Estimate:
    """A figure of pooled counts, with a bootstrap over nights (percentile, 2000 draws, fixed seed).

    Parameters
    ----------
    counts
        Counts of each night, all of one shape; a figure is a function of their sum.
    """
    table = np.stack([np.asarray(c, dtype=np.float64) for c in counts])
    value = function(table.sum(axis=0))
    n = len(table)
    if n < 2:
        return Estimate(value, meaning="no interval from one night")
    drawn = np.random.default_rng(SEED).integers(0, n, size=(RESAMPLES, n))
    values = [v for rows in drawn if (v := function(table[rows].sum(axis=0))) is not None]
    if value is None or len(values) < RESAMPLES * 0.9:
        return Estimate(value, meaning="no interval: it cannot be computed in every draw of nights")
    low, high = np.percentile(values, [100 * (1 - LEVEL) / 2, 100 * (1 + LEVEL) / 2])
    few = f"; {n} nights are few, so it is rather too short" if n < FEW_NIGHTS else ""
    return Estimate(
        value, float(low), float(high), f"95 %, {n} nights drawn again, taken as independent{few}"
    )


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
    return ratio(2 * float(table[0, 0]), float(both[0])), ratio(
        2 * float(table[1, 1]), float(both[1])
    )


@dataclass(frozen=True)
class Icc:
    """An intraclass correlation, by the name of Shrout and Fleiss."""

    name: str
    meaning: str
    value: float
    low: float
    high: float


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


@dataclass(frozen=True)
class BlandAltman:
    """Differences of paired values, first less second.

    Attributes
    ----------
    bias, sd
        Mean and standard deviation of the differences.
    lower, upper
        Limits of agreement: bias less and plus ``factor`` standard deviations.
    bias_ci, lower_ci, upper_ci
        95 % intervals by Student's t; standard error of a limit sqrt(3 / n) standard deviations.
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
    lower, upper = bias - factor * sd, bias + factor * sd
    return BlandAltman(
        n, factor, bias, sd, lower, upper, (bias - of_bias, bias + of_bias),
        (lower - of_limit, lower + of_limit), (upper - of_limit, upper + of_limit),
    )  # fmt: skip
