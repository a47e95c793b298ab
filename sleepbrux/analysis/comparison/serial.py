"""An interval for nights that may be like their neighbours, by an unknown amount.

Everything works on the last axis of an array, so that a simulation runs the very analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats, ratio_of
from sleepbrux.analysis.comparison.rules import LEVEL, ZERO_ADDED

CORRELATIONS = np.linspace(0.0, 0.9, 19)
HALVINGS = 40


@dataclass(frozen=True)
class Serial:
    """A contrast that allows for nights being like their neighbours.

    Attributes
    ----------
    ratio, low, high
        Median and 95 % interval of the rate ratio.
    p
        Twice the smaller of the chances that the ratio lies above or below 1.
    correlation
        Mean of what these nights say of the correlation of neighbours; few nights say little.
    """

    ratio: float
    low: float
    high: float
    p: float
    correlation: float


@dataclass(frozen=True, eq=False)
class Mixture:
    """What is known of the logarithm of a ratio: a mixture of t laws, one a correlation.

    Attributes
    ----------
    weights, middles, scales
        Shape (n_correlations, n_studies).
    """

    weights: Floats
    middles: Floats
    scales: Floats
    df: float

    def below(self, at: Floats) -> Floats:
        """Chance that the logarithm lies below."""
        from scipy.special import stdtr

        return np.asarray((self.weights * stdtr(self.df, (at - self.middles) / self.scales)).sum(axis=0))

    def quantile(self, level: float) -> Floats:
        """The value below which it lies with this chance."""
        wide = 60 * self.scales.max(axis=0)
        low, high = self.middles.min(axis=0) - wide, self.middles.max(axis=0) + wide
        for _ in range(HALVINGS):
            at = (low + high) / 2
            under = self.below(at) < level
            low, high = np.where(under, at, low), np.where(under, high, at)
        return np.asarray((low + high) / 2)

    def limits(self, level: float = LEVEL.value) -> tuple[Floats, Floats]:
        """Interval of the logarithm."""
        return self.quantile((1 - level) / 2), self.quantile((1 + level) / 2)

    def p(self, at: float = 0.0) -> Floats:
        """Twice the smaller tail at a logarithm."""
        under = self.below(np.full(self.middles.shape[1], at))
        return np.asarray(2 * np.minimum(under, 1 - under))


def mixture(
    events: Floats,
    hours: Floats,
    is_with: NDArray[np.bool_],
    when: Sequence[float] | Floats,
    *,
    counts: bool = True,
) -> Mixture:
    """Ratio of two conditions where the correlation of nights falls with their distance in time.

    A level for each condition; residuals of one spread whose correlation is r to the power of the distance
    (AR 1). No single r is taken: every one of 0 to 0.9 is equally likely beforehand and is weighted by
    what the nights say of it (the marginal likelihood with flat levels and log spread; Zellner & Tiao 1964,
    J Am Stat Assoc 59:763-778; from memory). The nights' values are the working responses of a
    quasi-Poisson model, log rate + (events - expected) / expected, so the middle is the ratio of mean rates;
    for values that count nothing, their logarithms.

    Parameters
    ----------
    events, hours
        Shape (n_studies, n_nights); a condition without any event has half an event, over its nights.
    when
        Days of the nights, or their numbers in order.
    """
    y, h = (np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (events, hours))
    h = np.broadcast_to(h, y.shape)
    logs_of_values = not counts and bool((y > 0).all())
    z = np.log(y / h) if logs_of_values else np.empty(y.shape)
    for label in () if logs_of_values else (is_with, ~is_with):
        total, time = (v[:, label].sum(axis=1, keepdims=True) for v in (y, h))
        none = ZERO_ADDED.value * (total == 0)
        expected = (total + none) / time * h[:, label]
        z[:, label] = np.log((total + none) / time) + (total > 0) * (y[:, label] / expected - 1)
    n = y.shape[1]
    x = np.column_stack((np.ones(n), is_with.astype(np.float64)))
    apart = np.abs(np.subtract.outer(np.asarray(when, float), np.asarray(when, float)))
    logs, middles, scales = [], [], []
    df = n - 2.0
    for r in CORRELATIONS:
        inverse = np.linalg.inv(np.power(r, apart) if r > 0 else np.eye(n))
        inner = x.T @ inverse @ x
        bread = np.linalg.inv(inner)
        hat = bread @ x.T @ inverse
        rest = inverse - inverse @ x @ hat
        left = np.maximum(((z @ rest) * z).sum(axis=1), 1e-12)
        logs.append(
            0.5 * np.linalg.slogdet(inverse)[1] - 0.5 * np.linalg.slogdet(inner)[1] - df / 2 * np.log(left)
        )
        middles.append(z @ hat[1])
        scales.append(np.sqrt(left / df * bread[1, 1]))
    weights = np.exp(np.array(logs) - np.max(logs, axis=0))
    return Mixture(weights / weights.sum(axis=0), np.array(middles), np.array(scales), df)


def serial_of(found: Mixture, low: float, high: float) -> Serial:
    """One study's mixture as numbers; its interval is never taken shorter than the one beside it."""
    middle = found.quantile(0.5)
    own = found.limits()
    return Serial(
        ratio=ratio_of(middle[0]),
        low=min(ratio_of(own[0][0]), low),
        high=max(ratio_of(own[1][0]), high),
        p=float(found.p()[0]),
        correlation=float((found.weights[:, 0] * CORRELATIONS).sum()),
    )
