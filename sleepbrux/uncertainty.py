"""How sure a night's rate is, each figure named for what it can and cannot say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.spans import Spans

LEVEL = 0.95
BLOCK_S = 600
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
    from scipy.special import gammaincinv

    tail = (1 - LEVEL) / 2
    low = float(gammaincinv(count, tail)) if count else 0.0
    high = float(gammaincinv(count + 1, 1 - tail))
    return Interval(
        "counting_noise", low / hours, high / hours,
        "counting noise if events were independent (Garwood); events cluster, so it is too short",
    )  # fmt: skip


def block_interval(onsets: NDArray[np.int64], valid: Spans) -> Interval | None:
    """Block bootstrap of a rate over this night: 10-minute blocks of clock time, drawn again.

    None where fewer than six blocks hold valid time.

    Parameters
    ----------
    onsets
        Onsets of the counted events, slots of ``valid.grid``.
    """
    grid = valid.grid
    block = grid.slots_for(BLOCK_S)
    edges = np.arange(0, grid.n_slots + block, block)
    inside = np.interp(edges, *_covered(valid))
    hours = np.diff(inside) * float(grid.slot_s) / 3600
    counts = np.histogram(onsets, bins=edges)[0][hours > 0]
    hours = hours[hours > 0]
    if len(hours) < 6:
        return None
    drawn = np.random.default_rng(SEED).integers(0, len(hours), size=(RESAMPLES, len(hours)))
    rates = counts[drawn].sum(axis=1) / hours[drawn].sum(axis=1)
    low, high = np.percentile(rates, [100 * (1 - LEVEL) / 2, 100 * (1 + LEVEL) / 2])
    return Interval(
        "block_bootstrap", float(low), float(high),
        "this night alone, 10-minute blocks drawn again; says nothing of other nights",
    )  # fmt: skip


def _covered(valid: Spans) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Knots of the count of valid slots before each slot."""
    at = np.concatenate(([0], valid.bounds.ravel(), [valid.grid.n_slots])).astype(np.float64)
    length = (valid.stops - valid.starts).astype(np.float64)
    before = np.repeat(np.concatenate(([0.0], np.cumsum(length))), 2)
    return at, before
