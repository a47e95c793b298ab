"""Rearrangement tests that follow the design: which labels could have stood at which nights."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.analysis.comparison.rules import LEAST_DISPERSION, LEVEL, ZERO_ADDED
from sleepbrux.study.file import Order

MOST_EXACT = 20_000
DRAWN = 9_999
SEED = 20_260_302
TIE = 1e-9
CHUNK = 60_000
DISTANCES = tuple(np.geomspace(0.1, 12.0, 16).tolist())
HALVINGS = 10
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
    "randomised nights": "the order was drawn at random over all nights, so the test needs nothing else",
    "randomised blocks": (
        "labels change places only within their block, as they were drawn, so the test needs nothing else"
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


@dataclass(frozen=True, eq=False)
class Arrangements:
    """Where the labels could have stood.

    Attributes
    ----------
    seen
        bool, shape (n_nights,): where they stood.
    rows
        bool, shape (n, n_nights): every arrangement, or as many as were drawn. Of two that mirror each other
        one is kept, as both differ by the same amount.
    count
        How many there are.
    exact
        Whether all are in ``rows``; else the one seen is added to those drawn.
    blocked
        Whether labels change places within blocks only.
    least_p
        Smallest p that they can give.
    """

    seen: NDArray[np.bool_]
    rows: NDArray[np.bool_]
    count: int
    exact: bool
    blocked: bool
    least_p: float

    @classmethod
    def of(
        cls,
        is_with: Sequence[bool] | NDArray[np.bool_],
        order: Order,
        blocks: Sequence[object] | None = None,
        *,
        most_exact: int = MOST_EXACT,
        drawn: int = DRAWN,
    ) -> Arrangements:
        """What the design could have given in place of these labels."""
        labels = np.asarray(is_with, dtype=np.bool_)
        blocked = order == "randomised blocks" and blocks is not None
        named = tuple(blocks) if blocked and blocks is not None else None
        return _arrangements(tuple(labels.tolist()), named, most_exact, drawn)

    def p(self, events: Floats, hours: Floats, *, counts: bool = True) -> Floats:
        """P of "the conditions do not differ", one a study.

        Parameters
        ----------
        events, hours
            Shape (..., n_nights).
        counts
            False for values that count nothing: their logarithms are compared. Where some value is not above
            0 they have none, and p is 1.
        """
        if not counts and np.any(np.asarray(events) <= 0):
            return np.ones(np.shape(events)[:-1])
        y, h = (np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (events, hours))
        h = np.broadcast_to(h, y.shape)
        out = np.empty(len(y))
        step = max(CHUNK // len(self.rows), 1)
        for k in range(0, len(y), step):
            part = slice(k, k + step)
            seen, values = (
                (
                    _statistic(y[part], h[part], rows, blocked=self.blocked)
                    if counts
                    else _of_logs(np.log(y[part] / h[part]), rows, blocked=self.blocked)
                )
                for rows in (self.seen[np.newaxis, :], self.rows)
            )
            as_far = (values >= seen - TIE).sum(axis=1)
            out[part] = as_far / len(self.rows) if self.exact else (as_far + 1) / (len(self.rows) + 1)
        return out.reshape(np.shape(events)[:-1])

    def interval(self, events: Floats, hours: Floats, level: float = LEVEL.value) -> tuple[Floats, Floats]:
        """Logarithms of the lowest and highest ratio that the test does not reject: the test turned round.

        A ratio is tried by dividing it out of the nights with the label, through their hours. Where even
        e to the 12th times the ratio seen is not rejected the limit stands there.

        Parameters
        ----------
        events, hours
            Shape (n_studies, n_nights).
        """
        y, h = (np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (events, hours))
        h = np.broadcast_to(h, y.shape)
        middle = _log_ratio(y, h, self.seen[np.newaxis, :])[:, 0]

        def kept(at: Floats) -> NDArray[np.bool_]:
            tried = h * np.where(self.seen, np.exp(at)[:, np.newaxis], 1.0)
            return np.asarray(self.p(y, tried) > 1 - level)

        ends = []
        for side in (-1.0, 1.0):
            # The ratios that are not rejected need not lie side by side where many nights are silent:
            # the outermost of them counts.
            near, far = middle.copy(), middle + side * DISTANCES[0]
            for here, beyond in zip(DISTANCES, (*DISTANCES[1:], DISTANCES[-1]), strict=True):
                inside = kept(middle + side * here)
                near = np.where(inside, middle + side * here, near)
                far = np.where(inside, middle + side * beyond, far)
            for _ in range(HALVINGS):
                at = (near + far) / 2
                inside = kept(at)
                near, far = np.where(inside, at, near), np.where(inside, far, at)
            ends.append((near + far) / 2)
        return ends[0], ends[1]


@lru_cache(maxsize=64)
def _arrangements(
    seen: tuple[bool, ...], blocks: tuple[object, ...] | None, most_exact: int, drawn: int
) -> Arrangements:
    """`Arrangements.of`, kept: planning asks for the same ones many times."""
    labels = np.array(seen, dtype=np.bool_)
    parts = _blocks(labels, (0,) * len(labels) if blocks is None else blocks)
    count = math.prod(math.comb(len(at), k) for at, k in parts)
    exact = count <= most_exact
    mirrored = all(2 * k == len(at) for at, k in parts)
    least = max((2 if mirrored else 1) / count, 0.0 if exact else 1 / (drawn + 1))
    if exact:
        rows = np.array(list(_all(parts, len(labels))))
        if mirrored and count > 1:
            rows = rows[rows[:, np.flatnonzero(_free(parts, len(labels)))[0]]]
    else:
        rows = _drawn(parts, len(labels), drawn)
    return Arrangements(labels, rows, count, exact, blocks is not None, min(least, 1.0))


def _free(parts: Sequence[tuple[list[int], int]], n: int) -> NDArray[np.bool_]:
    """Places at which both labels can stand."""
    free = np.zeros(n, dtype=np.bool_)
    for at, k in parts:
        free[at] = 0 < k < len(at)
    return free


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


def _drawn(parts: Sequence[tuple[list[int], int]], n: int, drawn: int) -> NDArray[np.bool_]:
    rng = np.random.default_rng(SEED)
    rows = np.zeros((drawn, n), dtype=np.bool_)
    for at, k in parts:
        ranks = rng.random((drawn, len(at))).argsort(axis=1)
        rows[:, at] = ranks < k
    return rows


def _both(values: Floats, with_: Floats) -> tuple[Floats, Floats]:
    """Sums over the nights with the label and over the others, shape (n_studies, n_rows) each."""
    here = values @ with_
    return here, values.sum(axis=1, keepdims=True) - here


def _sums(y: Floats, h: Floats, with_: Floats) -> tuple[Sequence[Floats], Sequence[Any], Floats]:
    """Events and hours with the label and without, and the logarithm of the ratio of the rates."""
    totals = _both(y, with_)
    k = float(with_[:, 0].sum())
    alike = np.ptp(h) == 0  # all hours alike: one product less
    times = (k, len(with_) - k) if alike else [np.maximum(t, TIE) for t in _both(h, with_)]
    none = (totals[0] == 0) | (totals[1] == 0)
    ya, yb = totals if not none.any() else [t + ZERO_ADDED.value * none for t in totals]
    return totals, times, np.log(ya / yb * (times[1] / times[0]))


def _log_ratio(y: Floats, h: Floats, rows: NDArray[np.bool_]) -> Floats:
    """Logarithm of the ratio of rates, shape (n_studies, n_rows)."""
    return _sums(y, h, rows.T.astype(np.float64))[2]


def _statistic(y: Floats, h: Floats, rows: NDArray[np.bool_], *, blocked: bool) -> Floats:
    """Difference of each arrangement: studentised, within blocks the bare logarithm."""
    with_ = rows.T.astype(np.float64)
    totals, times, log = _sums(y, h, with_)
    log = np.abs(log)
    k = int(rows[0].sum())
    ns = k, rows.shape[1] - k
    if blocked or min(ns) < 2:
        return np.asarray(log)
    squares = _both(y * y, with_)
    if np.ptp(h) == 0:
        rests = [s - t * t / n for s, t, n in zip(squares, totals, ns, strict=True)]
    else:
        mixed, wide = _both(y * h, with_), _both(h * h, with_)
        rests = [
            s - 2 * t / g * m + (t / g) ** 2 * w
            for s, t, g, m, w in zip(squares, totals, times, mixed, wide, strict=True)
        ]
    none = (totals[0] == 0) | (totals[1] == 0)
    safe = [np.maximum(t, ZERO_ADDED.value) for t in totals]
    variances = [
        np.maximum((n / (n - 1)) ** 2 * r / s**2, LEAST_DISPERSION.value / s)
        for r, s, n in zip(rests, safe, ns, strict=True)
    ]
    if none.any():
        widest = np.maximum.reduce(
            [n / (n - 1) * r / s for r, s, n in zip(rests, safe, ns, strict=True)] + [np.ones_like(log)]
        )
        variances = [
            np.where(none, np.maximum(v, widest / (t + ZERO_ADDED.value)), v)
            for v, t in zip(variances, totals, strict=True)
        ]
    return np.asarray(log / np.sqrt(variances[0] + variances[1]))


def _of_logs(z: Floats, rows: NDArray[np.bool_], *, blocked: bool) -> Floats:
    """`_statistic` for logarithms of values that count nothing."""
    k = int(rows[0].sum())
    parts = []
    for m, n in (
        (rows.T.astype(np.float64), k),
        (1 - rows.T.astype(np.float64), rows.shape[1] - k),
    ):
        mean = (z @ m) / n
        parts.append((mean, np.maximum((z * z) @ m / n - mean**2, 0) / max(n - 1, 1)))
    (ma, va), (mb, vb) = parts
    if blocked or min(k, rows.shape[1] - k) < 2:
        return np.asarray(np.abs(ma - mb))
    return np.asarray(np.abs(ma - mb) / np.sqrt(np.maximum(va + vb, 1e-12)))


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
    Nights keep their hours. The statistic is \\|log ratio\\| over a standard error from each condition's
    own spread, so that unequal spreads do not pass for an effect (Janssen 1997, Stat Probab Lett 36:9-21;
    from memory); within blocks it is \\|log ratio\\| itself.
    """
    places = Arrangements.of(is_with, order, blocks)
    p = float(places.p(np.asarray(events, dtype=np.float64), np.asarray(hours, dtype=np.float64)))
    return Rearrangement(p, places.least_p, places.count, places.exact, ASSUMPTIONS[order])
