"""How sure a night's rate is, each figure named for what it can and cannot say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sleepbrux.signal.quantiles import quantile
from sleepbrux.spans import Spans

LEVEL = 0.95
BLOCK_S = 600
LEAST_BLOCKS = 6
RESAMPLES = 2000
SEED = 20240229


@dataclass(frozen=True)
class Interval:
    """An interval of 95 %.

    Attributes
    ----------
    name
        Short word for programs.
    low, high
        In the unit of the measure.
    meaning
        What it stands for, in one sentence.
    """

    name: str
    low: float
    high: float
    meaning: str


def counting_interval(count: int, hours: float) -> Interval:
    """Exact Poisson interval of a rate (Garwood 1936, Biometrika 28:437-442).

    Episodes come in clusters, so it is too short for them: by simulation it covers 56-63 % only.
    """
    tail = (1 - LEVEL) / 2
    low = poisson_mean(count, tail) if count else 0.0
    high = poisson_mean(count + 1, 1 - tail)
    return Interval(
        "counting_noise", low / hours, high / hours,
        "counting noise if events were independent (Garwood); events cluster, so it is too short",
    )  # fmt: skip


def poisson_mean(count: int, tail: float) -> float:
    """Mean of the Poisson law under which ``count`` events or more have the probability ``tail``.

    The quantile of a gamma law, ``scipy.special.gammaincinv(count, tail)``, to 10 digits below 4,000
    events; own code because that import takes as long as scoring a night. Newton steps on the sum of
    the terms, from the approximation of Wilson and Hilferty (1931, PNAS 17:684-688).

    Parameters
    ----------
    count
        1 or more.
    """
    k = np.arange(count)
    log_factorial = np.concatenate(
        ([0.0], np.cumsum(np.log(np.arange(1, count, dtype=np.float64))))
    )
    z = NormalDist().inv_cdf(tail)
    mean = count * max(1 - 1 / (9 * count) + z / (3 * math.sqrt(count)), 0.1) ** 3
    for _ in range(50):
        terms = np.exp(k * math.log(mean) - mean - log_factorial)
        step = (1 - math.fsum(terms) - tail) / float(terms[-1])
        mean = max(mean - step, mean / 2)
        if abs(step) <= 1e-13 * mean:
            break
    return mean


@dataclass(frozen=True, eq=False)
class Blocks:
    """A night cut into 10-minute blocks of clock time, and draws of as many blocks from them.

    Attributes
    ----------
    edges
        Slots of the grid, one more than there are blocks.
    timed
        Blocks that hold valid time; only these are drawn.
    drawn
        int64, shape (n_draws, n_timed): which of them each draw holds.
    hours
        Valid hours of each draw.
    """

    edges: NDArray[np.int64]
    timed: NDArray[np.bool_]
    drawn: NDArray[np.int64]
    hours: NDArray[np.float64]

    @classmethod
    def of(cls, valid: Spans) -> Blocks:
        """Blocks of one night's valid time, with the same draws every time."""
        grid = valid.grid
        block = grid.slots_for(BLOCK_S)
        edges = np.arange(0, grid.n_slots + block, block)
        hours = np.diff(np.interp(edges, *_covered(valid))) * float(grid.slot_s) / 3600
        timed = hours > 0
        n = int(timed.sum())
        drawn = np.random.default_rng(SEED).integers(0, max(n, 1), size=(RESAMPLES, n))
        return cls(edges, timed, drawn, hours[timed][drawn].sum(axis=1))

    def interval(self, onsets: NDArray[np.int64]) -> Interval | None:
        """Block bootstrap of the rate of counted events over this night.

        None where fewer than six blocks hold valid time.

        Parameters
        ----------
        onsets
            Slots of the grid.
        """
        if self.drawn.shape[1] < LEAST_BLOCKS:
            return None
        counts = np.histogram(onsets, bins=self.edges)[0][self.timed]
        rates = counts[self.drawn].sum(axis=1) / self.hours
        low, high = (quantile(rates, 100 * (1 + side * LEVEL) / 2 / 100) for side in (-1, 1))
        return Interval(
            "block_bootstrap", low, high,
            "this night alone, 10-minute blocks drawn again; says nothing of other nights",
        )  # fmt: skip


def _covered(valid: Spans) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Knots of the count of valid slots before each slot."""
    at = np.concatenate(([0], valid.bounds.ravel(), [valid.grid.n_slots])).astype(np.float64)
    length = (valid.stops - valid.starts).astype(np.float64)
    before = np.repeat(np.concatenate(([0.0], np.cumsum(length))), 2)
    return at, before


def hours_between(valid: Spans, edges: NDArray[np.int64]) -> NDArray[np.float64]:
    """Valid hours between each edge and the next."""
    seconds = np.diff(np.interp(edges, *_covered(valid))) * float(valid.grid.slot_s)
    return np.asarray(seconds / 3600)
