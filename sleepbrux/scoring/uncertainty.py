"""How sure a night's rate is, each figure named for what it can and cannot say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans

LEVEL = 0.95
BLOCKS_S = (600, 1200, 2400)
LEAST_EVENTS, LEAST_HOURS = 5, 4.0
# `tests.scoring.test_uncertainty.covered`: 1 to 16 events an hour over 4 to 8.5 h, of nights that have an interval
COVERS_PCT = (90, 99)
TOO_FEW = (
    f"too few to give an interval: it takes {LEAST_EVENTS} events and {LEAST_HOURS:g} valid hours or more"
)


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

    Episodes come in clusters, so it is too short for them: by simulation it covers 50-60 % only.
    """
    low, high = garwood(count, 1.0)
    return Interval(
        "counting_noise",
        low / hours,
        high / hours,
        "Poisson interval; too narrow because episodes cluster",
    )


def garwood(count: int, dispersion: float) -> tuple[float, float]:
    """Garwood's limits of an expected count, scaled: those of ``count / dispersion``, times it."""
    tail = (1 - LEVEL) / 2
    scaled = count / dispersion
    low = gamma_quantile(scaled, tail) if count else 0.0
    return dispersion * low, dispersion * gamma_quantile(scaled + 1, 1 - tail)


def gamma_below(shape: float, at: float) -> float:
    """Chance that a gamma law of scale 1 lies below: the regularised incomplete gamma function P.

    Series below shape + 1, continued fraction of Lentz above (Abramowitz & Stegun 6.5.29 and 6.5.31).
    """
    if at <= 0:
        return 0.0
    front = math.exp(shape * math.log(at) - at - math.lgamma(shape))
    if at < shape + 1:
        term = total = 1 / shape
        k = shape
        while abs(term) > 1e-16 * abs(total):
            k += 1
            term *= at / k
            total += term
        return front * total
    b = at + 1 - shape
    c, d = 1e300, 1 / b
    h = d
    for k in range(1, 100_000):
        an = -k * (k - shape)
        b += 2
        d = 1 / (an * d + b or 1e-300)
        c = b + an / c or 1e-300
        step = c * d
        h *= step
        if abs(step - 1) < 1e-15:
            break
    return 1 - front * h


def gamma_quantile(shape: float, tail: float) -> float:
    """Value below which a gamma law of scale 1 lies with the chance ``tail``.

    ``scipy.special.gammaincinv(shape, tail)``, to 10 digits; own code because that import takes as long
    as scoring a night. Newton steps from the approximation of Wilson and Hilferty (1931, PNAS
    17:684-688), kept between the best bounds so far.
    """
    z = NormalDist().inv_cdf(tail)
    at = shape * max(1 - 1 / (9 * shape) + z / (3 * math.sqrt(shape)), 0.05) ** 3
    low, high = 0.0, math.inf
    for _ in range(200):
        rest = gamma_below(shape, at) - tail
        low, high = (low, at) if rest > 0 else (at, high)
        density = math.exp((shape - 1) * math.log(at) - at - math.lgamma(shape))
        new = at - rest / density if density > 0 else -1.0
        if not low < new < high:
            new = (low + high) / 2 if math.isfinite(high) else 2 * at
        if abs(new - at) <= 1e-13 * at:
            return new
        at = new
    return at


@dataclass(frozen=True, eq=False)
class Blocks:
    """A night cut into blocks of clock time, of 10, 20 and 40 minutes.

    Attributes
    ----------
    edges
        Slots of the grid for each length, one more than there are blocks.
    hours
        Valid hours of each block.
    """

    edges: tuple[NDArray[np.int64], ...]
    hours: tuple[NDArray[np.float64], ...]

    @classmethod
    def of(cls, valid: Spans) -> Blocks:
        """Blocks of one night's valid time."""
        grid = valid.grid
        edges = tuple(
            np.arange(0, grid.n_slots + length, length) for length in (grid.slots_for(s) for s in BLOCKS_S)
        )
        return cls(edges, tuple(hours_between(valid, e) for e in edges))

    def dispersion(self, onsets: NDArray[np.int64]) -> float:
        """Variance of the blocks' counts over that of counting: the largest of the three, at least 1."""
        found = 1.0
        for edges, hours in zip(self.edges, self.hours, strict=True):
            timed = hours > 0
            counts = np.histogram(onsets, bins=edges)[0][timed]
            n = len(counts)
            if n > 2 and counts.sum() > 0:
                expected = counts.sum() / hours[timed].sum() * hours[timed]
                found = max(found, float(((counts - expected) ** 2 / expected).sum()) / (n - 1))
        return found

    def interval(self, onsets: NDArray[np.int64]) -> Interval | None:
        """Interval of the rate of counted events in this night, by Garwood, scaled by their dispersion.

        None (`TOO_FEW`) with fewer than 5 events or 4 valid hours: by simulation it then covers too
        seldom.

        Parameters
        ----------
        onsets
            Slots of the grid.
        """
        hours = float(self.hours[0].sum())
        if len(onsets) < LEAST_EVENTS or hours < LEAST_HOURS - 1e-6:
            return None
        dispersion = self.dispersion(onsets)
        low, high = garwood(len(onsets), dispersion)
        return Interval(
            "scaled_counting",
            low / hours,
            high / hours,
            f"this night only; events vary {dispersion:.1f} times as much as by chance; holds the truth in "
            f"{COVERS_PCT[0]}–{COVERS_PCT[1]} % of simulated nights with clusters",
        )


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
