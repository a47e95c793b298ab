"""Simulated studies through the very analysis: in how many a change is told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats, contrast
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Arrangements
from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, LOOKS_P, NOT_DRAWN, VERDICT_P
from sleepbrux.analysis.comparison.verdict import judge
from sleepbrux.analysis.planning.design import (
    DRAWN,
    DRAWN_NEAR,
    MOST_EXACT,
    ORDERS,
    Layout,
    Planned,
    layouts,
)
from sleepbrux.analysis.planning.nights import rates_alike, simulate_nights
from sleepbrux.study.file import Order


def told(
    y: Floats,
    layout: Layout,
    planned: Planned,
    *,
    ratio: float | None,
    bound: float = VERDICT_P.value,
) -> NDArray[np.bool_]:
    """Which studies would be told apart, by the analysis of `compare`; with other contrasts Holm's first step.

    Parameters
    ----------
    y
        Shape (n_studies, n_nights) as in the layout, hours alike.
    ratio
        True ratio: only its own side counts. None: either side counts.
    """
    order, contrasts = ORDERS[planned.design], planned.contrasts
    said = np.zeros(len(y), dtype=np.bool_)
    if min(layout.is_with.sum(), (~layout.is_with).sum()) < LEAST_NIGHTS.value:
        return said
    found = contrast(y, np.ones_like(y), layout.is_with)
    side = True if ratio is None else found.log_ratio < 0 if ratio < 1 else found.log_ratio > 0
    factor = 1.0 if order in RANDOMISED else NOT_DRAWN.value
    near = (y.sum(axis=1) > 0) & side & (factor * found.p() * contrasts <= bound)
    if near.any():
        p = _p(y[near], layout, order, DRAWN) * contrasts
        said[near] = p <= bound
        # few draws decide all but those near the bound, which more draws decide
        close = np.flatnonzero(near)[np.abs(p - bound) < 4 * np.sqrt(bound * contrasts / DRAWN)]
        if len(close) and order in RANDOMISED:
            said[close] = _p(y[close], layout, order, DRAWN_NEAR) * contrasts <= bound
    return said


def _p(y: Floats, layout: Layout, order: Order, drawn: int) -> Floats:
    """What the sentences of studies in one layout rest on, with so many arrangements drawn."""
    places = None
    if order in RANDOMISED:
        places = Arrangements.of(
            layout.is_with,
            order,
            None if layout.blocks is None else layout.blocks.tolist(),
            most_exact=MOST_EXACT if drawn == DRAWN else max(MOST_EXACT, drawn),
            drawn=drawn,
        )
    return judge(y, np.ones_like(y), layout.is_with, order, layout.when, places=places).p


@dataclass(frozen=True)
class Truth:
    """What simulated nights are drawn from: events a night at the baseline, spread, and the true ratio."""

    events: float
    cv_pct: float
    ratio: float

    def nights(self, rng: np.random.Generator, runs: int, layout: Layout, alike: float) -> Floats:
        """Counts, runs x nights as in a layout."""
        if alike:
            rates = rates_alike(rng, (runs, len(layout.when)), self.cv_pct, alike)
            means = np.where(layout.is_with, self.events * self.ratio, self.events)
            return rng.poisson(rates * means).astype(np.float64)
        y = np.empty((runs, len(layout.is_with)))
        for label, mean in ((True, self.events * self.ratio), (False, self.events)):
            at = layout.is_with == label
            y[:, at] = simulate_nights(rng, runs, int(at.sum()), mean, self.cv_pct)
        return y


def power_at(nights: int, truth: Truth, planned: Planned) -> float:
    """Chance of detecting a change with so many nights recorded in each condition."""
    rng = np.random.default_rng([planned.seed, nights])
    found = 0.0
    for layout in layouts(planned, nights):
        y = truth.nights(rng, max(round(planned.runs * layout.weight), 1), layout, planned.alike)
        found += layout.weight * float(told(y, layout, planned, ratio=truth.ratio).mean())
    return found


def told_at_looks(
    truth: Truth,
    planned: Planned,
    *,
    bound: float = LOOKS_P.value,
    either: bool = False,
) -> tuple[list[float], float]:
    """Chance of having told by each look, and the nights in each condition until then on average.

    Parameters
    ----------
    either
        Count a told difference on either side, for the share of false ones.
    """
    rng, looks = np.random.default_rng(planned.seed), planned.looks
    shares, nights = np.zeros(len(looks)), 0.0
    for last in layouts(planned, looks[-1]):
        n = max(round(planned.runs * last.weight), 1)
        y = truth.nights(rng, n, last, planned.alike)
        done = np.zeros(n, dtype=np.bool_)
        stop = np.full(n, looks[-1])
        for k, look in enumerate(looks):
            layout = last.until(2 * look)
            open_ = np.flatnonzero(~done)
            part = y[open_][:, : len(layout.when)]
            new = open_[told(part, layout, planned, ratio=None if either else truth.ratio, bound=bound)]
            stop[new] = look
            done[new] = True
            shares[k] += last.weight * float(done.mean())
        nights += last.weight * float(stop.mean())
    return shares.tolist(), nights
