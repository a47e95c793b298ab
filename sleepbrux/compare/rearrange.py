"""Rearrangement tests that follow the design: which labels could have stood at which nights."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from sleepbrux.compare.ratio import Floats, arm, estimate
from sleepbrux.study import Order

MOST_EXACT = 20_000
DRAWN = 9_999
SEED = 20_260_302
TIE = 1e-9
RANDOMISED: tuple[Order, ...] = ("randomised nights", "randomised blocks")


@dataclass(frozen=True)
class Rearrangement:
    """Result of a rearrangement test.

    Attributes
    ----------
    p
        Share of the possible arrangements whose difference is as large as the one seen, or larger.
    least_p
        Smallest p that so few nights can give.
    arrangements
        How many arrangements there are.
    exact
        Whether all were tried; else 9,999 were drawn, and the one seen counts among them.
    assumption
        What the test stands on, in one sentence.
    """

    p: float
    least_p: float
    arrangements: int
    exact: bool
    assumption: str


ASSUMPTIONS: dict[Order, str] = {
    "randomised nights": "the order was drawn at random over all nights, so the test stands on that alone",
    "randomised blocks": (
        "labels change places only within their block, as they were drawn, so the test stands on that alone"
    ),
    "planned phases": (
        "the phases were planned and not drawn, so this test assumes what cannot be known: that without an "
        "effect the nights could have come in any order, without trend or carry-over"
    ),
    "as it came": (
        "the order was not drawn, so this test assumes what cannot be known: that without an effect the "
        "nights could have come in any order, without trend or carry-over"
    ),
}


def _blocks(labels: NDArray[np.bool_], blocks: Sequence[object]) -> list[tuple[list[int], int]]:
    """Positions of each block, and how many of them carry the label."""
    out = []
    for block in dict.fromkeys(blocks):
        at = [i for i, b in enumerate(blocks) if b == block]
        out.append((at, int(labels[at].sum())))
    return out


def _all(parts: Sequence[tuple[list[int], int]], n: int) -> Iterator[NDArray[np.bool_]]:
    for picks in product(*(combinations(at, k) for at, k in parts)):
        row = np.zeros(n, dtype=np.bool_)
        row[[i for pick in picks for i in pick]] = True
        yield row


def _drawn(parts: Sequence[tuple[list[int], int]], n: int) -> NDArray[np.bool_]:
    rng = np.random.default_rng(SEED)
    rows = np.zeros((DRAWN, n), dtype=np.bool_)
    for at, k in parts:
        ranks = rng.random((DRAWN, len(at))).argsort(axis=1)
        rows[:, at] = ranks < k
    return rows


def _statistic(y: Floats, h: Floats, rows: NDArray[np.bool_], *, blocked: bool) -> Floats:
    """Difference of each arrangement: studentised, within blocks the bare logarithm."""
    places = np.argsort(~rows, axis=1, kind="stable")
    k = int(rows[0].sum())
    with_, without = places[:, :k], places[:, k:]
    if blocked or min(k, rows.shape[1] - k) < 2:
        sums = [(y[at].sum(axis=1), h[at].sum(axis=1)) for at in (with_, without)]
        (ya, ha), (yb, hb) = sums
        none = 0.5 * ((ya == 0) | (yb == 0))
        return np.asarray(np.abs(np.log((ya + none) / ha) - np.log((yb + none) / hb)))
    found = estimate(arm(y[with_], h[with_]), arm(y[without], h[without]))
    return np.asarray(np.abs(found.log_ratio) / found.se)


def rearrangement_test(
    events: Sequence[float],
    hours: Sequence[float],
    is_with: Sequence[bool],
    order: Order,
    blocks: Sequence[object] | None = None,
) -> Rearrangement:
    """Try every arrangement of the labels that the design could have given.

    Parameters
    ----------
    events, hours, is_with
        One a night of the two conditions that are compared.
    order
        How the order of conditions came about; ``"randomised blocks"`` needs ``blocks``, one a night.

    Notes
    -----
    Nights keep their hours. The statistic is \\|log ratio\\| over its standard error, so that unequal
    spreads do not pass for an effect; within blocks it is \\|log ratio\\| itself.
    """
    y, h = np.asarray(events, dtype=np.float64), np.asarray(hours, dtype=np.float64)
    labels = np.asarray(is_with, dtype=np.bool_)
    blocked = order == "randomised blocks" and blocks is not None
    parts = _blocks(labels, blocks if blocked and blocks is not None else [0] * len(y))
    count = math.prod(math.comb(len(at), k) for at, k in parts)
    exact = count <= MOST_EXACT
    rows = np.array(list(_all(parts, len(y)))) if exact else _drawn(parts, len(y))
    seen = _statistic(y, h, labels[np.newaxis, :], blocked=blocked)[0]
    values = _statistic(y, h, rows, blocked=blocked)
    as_far = int((values >= seen - TIE).sum())
    p = as_far / count if exact else (as_far + 1) / (DRAWN + 1)
    mirrored = all(2 * k == len(at) for at, k in parts)
    least = max((2 if mirrored else 1) / count, 0.0 if exact else 1 / (DRAWN + 1))
    return Rearrangement(p, least, count, exact, ASSUMPTIONS[order])
