"""What a design asks of a contrast, as one p: the rules that planning and simulations go through too.

Everything works on the last axis of an array.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats, RatioEstimate, arm, contrast, varies_more
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Arrangements
from sleepbrux.analysis.comparison.rules import MARGIN_HIGH, MARGIN_LOW, NOT_DRAWN, UNLIKE_FACTOR
from sleepbrux.analysis.comparison.serial import Mixture, mixture
from sleepbrux.study.file import Order


@dataclass(frozen=True, eq=False)
class Judged:
    """Contrasts of many studies with the same layout.

    Attributes
    ----------
    estimate
        Log ratio with its t interval.
    p
        What "lower" and "higher" rest on. Where the order was drawn: the larger of the p of t and of the
        rearrangement test, `rules.UNLIKE_FACTOR` times where the lower condition varies more. Else: the larger
        of the p that allows for neighbours being alike and of `rules.NOT_DRAWN` times that of t.
    p_equal
        What "no more than a quarter less or a third more" rests on: two one-sided tests at the margins,
        the larger p; where the order was not drawn also with neighbours being alike.
    p_rearranged
        Of the rearrangement test; 1 where it was not run.
    serial
        None where the order was drawn, or fewer than four nights leave no correlation to speak of.
    """

    estimate: RatioEstimate
    p: Floats
    p_equal: Floats
    p_rearranged: Floats
    serial: Mixture | None


def judge(
    events: Floats,
    hours: Floats,
    is_with: NDArray[np.bool_],
    order: Order,
    when: Sequence[float] | Floats,
    *,
    counts: bool = True,
    places: Arrangements | None = None,
) -> Judged:
    """Contrasts by the design.

    Parameters
    ----------
    events, hours
        Shape (n_studies, n_nights), nights in order of time.
    is_with
        bool, shape (n_nights,).
    when
        Days of the nights, or their numbers in order.
    places
        What the design could have given; None: the rearrangement test is not run, which a drawn order
        does not allow.
    """
    y, h = (np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (events, hours))
    h = np.broadcast_to(h, y.shape)
    found = contrast(y, h, is_with, counts=counts)
    p_rearranged = np.ones(len(y)) if places is None else places.p(y, h, counts=counts)
    p_equal = np.maximum(
        found.above(float(np.log(MARGIN_LOW.value))), found.under(float(np.log(MARGIN_HIGH.value)))
    )
    if order in RANDOMISED:
        p = np.maximum(found.p(), p_rearranged)
        if counts:
            spreads = (arm(y[:, m], h[:, m]).spread for m in (is_with, ~is_with))
            p = np.where(varies_more(found.log_ratio, *spreads), np.minimum(UNLIKE_FACTOR.value * p, 1.0), p)
        return Judged(found, p, p_equal, p_rearranged, None)
    if y.shape[1] < 4:
        return Judged(found, NOT_DRAWN.value * found.p(), p_equal, p_rearranged, None)
    serial = mixture(y, h, is_with, when, counts=counts)
    p_equal = np.maximum.reduce(
        [
            p_equal,
            serial.below(np.full(len(y), np.log(MARGIN_LOW.value))),
            1 - serial.below(np.full(len(y), np.log(MARGIN_HIGH.value))),
        ]
    )
    p = np.minimum(np.maximum(NOT_DRAWN.value * found.p(), serial.p()), 1.0)
    return Judged(found, p, p_equal, p_rearranged, serial)
