"""How far nights of one person agree, within a condition and between two."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sleepbrux.analysis.cohort.model import Agreement, PersonNight, Repeatability
from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.analysis.comparison.trend import ROUNDING


def spearman_brown(icc: float, nights: float) -> float:
    """Reliability of the mean of so many nights.

    Examples
    --------
    >>> round(spearman_brown(0.74, 1.4), 2)
    0.8
    """
    return nights * icc / (1 + (nights - 1) * icc)


def nights_for_reliability(icc: float, wanted: float) -> float | None:
    """Nights until the mean has this reliability (Spearman-Brown turned round); None for an ICC of 0.

    Examples
    --------
    >>> [round(nights_for_reliability(v, w), 1) for v in (0.74, 0.69, 0.53) for w in (0.8, 0.9)]
    [1.4, 3.2, 1.8, 4.0, 3.5, 8.0]
    """
    if icc <= 0:
        return None
    return wanted * (1 - icc) / (icc * (1 - wanted))


def icc_one_way(groups: Sequence[Floats]) -> tuple[float, float, float] | None:
    """ICC(1) of single nights with a 95 % interval (Shrout & Fleiss 1979, Psychol Bull 86:420-428).

    For unequal numbers of nights with their mean number after Searle; the interval is then approximate.

    Parameters
    ----------
    groups
        One array a person. None where fewer than two persons have two nights, or nobody's nights differ.
    """
    from scipy import stats

    groups = [np.asarray(g, dtype=float) for g in groups if len(g)]
    n = np.array([len(g) for g in groups])
    total, k = int(n.sum()), len(groups)
    if k < 2 or total - k < 1 or (n > 1).sum() < 2:
        return None
    grand = sum(g.sum() for g in groups) / total
    between = sum(len(g) * (g.mean() - grand) ** 2 for g in groups) / (k - 1)
    within = sum(((g - g.mean()) ** 2).sum() for g in groups) / (total - k)
    size = (total - (n**2).sum() / total) / (k - 1)
    if within <= ROUNDING**2:
        return None
    f = between / within
    upper = f / stats.f.ppf(0.025, k - 1, total - k)
    lower = f / stats.f.ppf(0.975, k - 1, total - k)
    return tuple(float((v - 1) / (v + size - 1)) for v in (f, lower, upper))  # type: ignore[return-value]


def repeatability_of(nights: Sequence[PersonNight], condition: str) -> Repeatability:
    """How far nights of one person agree under a condition."""
    own = [n for n in nights if n.condition == condition and n.hours > 0]
    groups = [
        np.log([(n.events + 0.5) / n.hours for n in own if n.person == p])
        for p in dict.fromkeys(n.person for n in own)
    ]
    found = icc_one_way(groups)
    icc, low, high = found or (None, None, None)
    wanted = {}
    for target in (0.8, 0.9):
        needed = nights_for_reliability(icc, target) if icc is not None else None
        wanted[f"{target:g}"] = None if needed is None else max(math.ceil(needed), 1)
    return Repeatability(condition, len(groups), len(own), icc, low, high, wanted)


def nested_limits(
    first: Sequence[Floats], second: Sequence[Floats]
) -> tuple[float, float, float, float, float, float] | None:
    """Bland-Altman with repeated values in each person, true value not constant over them.

    Bland & Altman 1999 (Stat Methods Med Res 8:135-160), section 5.2: variance of single differences =
    variance of the persons' mean differences + (1 - mean of 1/m) x within-variance of each condition.

    Parameters
    ----------
    first, second
        Values of each person under the two conditions, in the same order of persons.

    Returns
    -------
    Bias, between-person SD of true differences, the two within-person SDs, and both limits; None below
    two persons, or where nobody has two values.
    """
    means = np.array([a.mean() - b.mean() for a, b in zip(first, second, strict=True)])
    if len(means) < 2:
        return None
    within, shrink = [], []
    for groups in (first, second):
        df = sum(len(g) - 1 for g in groups)
        if df < 1:
            return None
        within.append(sum(((g - g.mean()) ** 2).sum() for g in groups) / df)
        shrink.append(float(np.mean([1 / len(g) for g in groups])))
    seen = float(means.var(ddof=1))
    single = seen + sum((1 - m) * w for m, w in zip(shrink, within, strict=True))
    true = max(seen - sum(m * w for m, w in zip(shrink, within, strict=True)), 0.0)
    bias, sd = float(means.mean()), math.sqrt(single)
    return (
        bias,
        math.sqrt(true),
        math.sqrt(within[0]),
        math.sqrt(within[1]),
        bias - 1.96 * sd,
        bias + 1.96 * sd,
    )


def agreement_of(nights: Sequence[PersonNight], condition: str, baseline: str) -> Agreement | None:
    """Two conditions by `nested_limits`; None where they give none."""
    first, second = [], []
    for person in dict.fromkeys(n.person for n in nights):
        own = [n for n in nights if n.person == person and n.hours > 0]
        a, b = ([n.events / n.hours for n in own if n.condition == c] for c in (condition, baseline))
        if a and b:
            first.append(np.array(a))
            second.append(np.array(b))
    found = nested_limits(first, second)
    if found is None:
        return None
    bias, between, sd_a, sd_b, low, high = found
    return Agreement(condition, baseline, len(first), bias, between, sd_a, sd_b, low, high)
