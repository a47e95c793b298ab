"""A sensitivity line: the ratio if a person's nights vary about as published nights do. Never a verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats, ratio_of
from sleepbrux.analysis.comparison.rules import LEVEL, ZERO_ADDED

# Lavigne 2001 (9 persons, 37 nights, episodes/h) and Miettinen 2018 (16 persons, 3 nights each, RMMA index)
PUBLISHED_CV = (0.253, 0.507)
MEDIAN = float(np.sqrt(PUBLISHED_CV[0] * PUBLISHED_CV[1]))
LOG_SD = float(np.log(PUBLISHED_CV[1] / PUBLISHED_CV[0]) / 2 / 0.6745)  # half lie between the two
GRID = MEDIAN * np.exp(LOG_SD * np.linspace(-3, 3, 25))
STEPS, HALVINGS = 12, 40
WORDS = (
    "if the nights of this person vary as published (25 % in Lavigne 2001, 51 % in Miettinen 2018; the "
    "published figures hold Poisson variation too, and that half of all persons lie between them is our choice)"
)


@dataclass(frozen=True)
class PriorLine:
    """Ratio and 95 % interval under the prior."""

    ratio: float
    low: float
    high: float


def with_prior(events: Floats, hours: Floats, is_with: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Median and 95 % limits of the log ratio, shape (n_studies,) each.

    Negative-binomial counts with one CV for both conditions; the CV is log-normal beforehand, half of it
    between the two published values. Rates are those of the greatest
    likelihood at each CV, their uncertainty normal (Laplace).

    Parameters
    ----------
    events, hours
        Shape (n_studies, n_nights).
    """
    from scipy.special import gammaln, ndtr

    y, h = (np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (events, hours))
    h = np.broadcast_to(h, y.shape)
    logs, middles, scales = [], [], []
    for cv in GRID:
        shape = cv**-2
        middle = np.zeros(len(y))
        variance = np.zeros(len(y))
        fit = np.full(len(y), -0.5 * (np.log(cv / MEDIAN) / LOG_SD) ** 2)
        for label, sign in ((is_with, 1.0), (~is_with, -1.0)):
            counts, time = y[:, label], h[:, label]
            none = ZERO_ADDED.value * (counts.sum(axis=1, keepdims=True) == 0)
            counts = counts + none * time / time.sum(axis=1, keepdims=True)
            rate = counts.sum(axis=1, keepdims=True) / time.sum(axis=1, keepdims=True)
            for _ in range(STEPS):
                weight = 1 / (1 + rate * time / shape)
                rate = (weight * counts).sum(axis=1, keepdims=True) / (weight * time).sum(
                    axis=1, keepdims=True
                )
            mean = rate * time
            information = (mean / (1 + mean / shape)).sum(axis=1)
            middle += sign * np.log(rate[:, 0])
            variance += 1 / information
            fit += (
                gammaln(counts + shape)
                - gammaln(shape)
                + counts * np.log(mean / (mean + shape))
                + shape * np.log(shape / (mean + shape))
            ).sum(axis=1) - 0.5 * np.log(information)
        logs.append(fit)
        middles.append(middle)
        scales.append(np.sqrt(variance))
    weights = np.exp(np.array(logs) - np.max(logs, axis=0))
    weights /= weights.sum(axis=0)
    at, wide = np.array(middles), np.array(scales)

    def quantile(level: float) -> Floats:
        low, high = at.min(axis=0) - 12 * wide.max(axis=0), at.max(axis=0) + 12 * wide.max(axis=0)
        for _ in range(HALVINGS):
            half = (low + high) / 2
            under = (weights * ndtr((half - at) / wide)).sum(axis=0) < level
            low, high = np.where(under, half, low), np.where(under, high, half)
        return np.asarray((low + high) / 2)

    return quantile(0.5), quantile((1 - LEVEL.value) / 2), quantile((1 + LEVEL.value) / 2)


def prior_line(events: Floats, hours: Floats, is_with: NDArray[np.bool_]) -> PriorLine:
    """`with_prior` of one study."""
    return PriorLine(*(ratio_of(v[0]) for v in with_prior(events, hours, is_with)))
