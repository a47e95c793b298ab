"""Stretches of a night as integers: a grid of slots, and sorted, disjoint, half-open spans on it.

Positions are slot numbers (samples, frames, ticks) of one night clock; seconds exist only where a
grid converts them. ``[start, stop)`` throughout::

    slots    0   1   2   3   4   5   6   7   8
    spans        [-------)       [---)              [1, 3) and [5, 6)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

Bounds = NDArray[np.int64]


@dataclass(frozen=True)
class Grid:
    """``n_slots`` slots of exactly ``slot_s`` seconds, the first one beginning at second 0.

    Examples
    --------
    >>> frames = Grid(Fraction(5, 512), 2949120 // 5)
    >>> frames.slot_at(0.29)
    29
    >>> frames.seconds(512)
    5.0
    """

    slot_s: Fraction
    n_slots: int

    @property
    def duration_s(self) -> float:
        """Length of the whole grid in seconds."""
        return self.seconds(self.n_slots)

    @property
    def hours(self) -> float:
        """Length of the whole grid in hours."""
        return float(self.n_slots * self.slot_s / 3600)

    def seconds(self, slot: int) -> float:
        """Second at which a slot begins, correctly rounded to the nearest float."""
        return float(int(slot) * self.slot_s)

    def slot_at(self, second: float | Fraction) -> int:
        """Slot that holds the exact value of ``second`` (floor), limited to the grid."""
        return min(max(math.floor(Fraction(second) / self.slot_s), 0), self.n_slots)

    def nearest(self, second: float | Fraction) -> int:
        """Slot border nearest to ``second``, halves up, limited to the grid."""
        return min(max(math.floor(Fraction(second) / self.slot_s + Fraction(1, 2)), 0), self.n_slots)

    def slots_for(self, seconds: float | Fraction) -> int:
        """Length of ``seconds`` in whole slots, rounded to nearest, halves up."""
        return math.floor(Fraction(seconds) / self.slot_s + Fraction(1, 2))

    def refined(self, *others: Grid) -> Grid:
        """Coarsest grid on which every border of this grid and of the others is a whole slot."""
        slot = self.slot_s
        for other in others:
            a, b = slot, other.slot_s
            slot = Fraction(
                math.gcd(a.numerator * b.denominator, b.numerator * a.denominator),
                a.denominator * b.denominator,
            )
        end = max(grid.n_slots * grid.slot_s for grid in (self, *others))
        n_slots = int(end / slot)
        if n_slots >= 2**62:
            raise OverflowError(f"the rates of the channels have no common clock: slot {slot} s")
        return Grid(slot, n_slots)

    def all(self) -> Spans:
        """One span over the whole grid."""
        return Spans.of(self, [(0, self.n_slots)])

    def none(self) -> Spans:
        """No span at all."""
        return Spans.of(self, [])


@dataclass(frozen=True, eq=False)
class Spans:
    """Sorted, disjoint, half-open spans on one grid; touching spans are one span.

    Attributes
    ----------
    grid
        The grid that the bounds count on. Two operands must share it.
    bounds
        int64, shape (n_spans, 2): start and stop of each, in slots.
    """

    grid: Grid
    bounds: Bounds

    @classmethod
    def of(cls, grid: Grid, pairs: Iterable[tuple[int, int]] | Bounds) -> Spans:
        """Build from any pairs: cut to the grid, sorted, empty ones dropped, touching ones joined."""
        array = np.array(pairs if isinstance(pairs, np.ndarray) else list(pairs), dtype=np.int64)
        array = np.minimum(np.maximum(array.reshape(-1, 2), 0), grid.n_slots)
        array = array[array[:, 1] > array[:, 0]]
        if not (array[1:, 0] > array[:-1, 1]).all():
            array = array[np.argsort(array[:, 0], kind="stable")]
            reach = np.maximum.accumulate(array[:, 1])
            fresh = np.concatenate(([True], array[1:, 0] > reach[:-1]))
            last = np.concatenate((np.flatnonzero(fresh)[1:] - 1, [len(array) - 1]))
            array = np.stack((array[fresh, 0], reach[last]), axis=1)
        array.flags.writeable = False
        return cls(grid, array)

    @classmethod
    def from_mask(cls, grid: Grid, mask: NDArray[np.bool_]) -> Spans:
        """Spans where ``mask``, bool of shape (n_slots,), is true."""
        edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
        first, last = np.zeros(mask[:1].sum(), np.int64), np.full(mask[-1:].sum(), len(mask))
        return cls.of(grid, np.concatenate((first, edges, last)).reshape(-1, 2))

    def mask(self) -> NDArray[np.bool_]:
        """True inside the spans, bool of shape (n_slots,)."""
        edges = np.concatenate(([0], self.bounds.ravel(), [self.grid.n_slots]))
        return np.repeat(np.arange(len(edges) - 1) % 2 == 1, np.diff(edges))

    def only(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Copy of ``values``, shape (n_slots,), NaN outside the spans."""
        kept = values.copy()
        for a, b in (~self).bounds.tolist():
            kept[a:b] = np.nan
        return kept

    def __len__(self) -> int:
        """Count of spans."""
        return len(self.bounds)

    def __eq__(self, other: object) -> bool:
        """Same grid, same bounds."""
        return (
            isinstance(other, Spans) and self.grid == other.grid and np.array_equal(self.bounds, other.bounds)
        )

    __hash__ = None  # type: ignore[assignment]

    @property
    def starts(self) -> NDArray[np.int64]:
        """Start slots, int64 of shape (n_spans,)."""
        return self.bounds[:, 0]

    @property
    def stops(self) -> NDArray[np.int64]:
        """Stop slots, int64 of shape (n_spans,)."""
        return self.bounds[:, 1]

    @property
    def n_slots(self) -> int:
        """Slots covered in all."""
        return int((self.bounds[:, 1] - self.bounds[:, 0]).sum())

    @property
    def duration_s(self) -> float:
        """Seconds covered in all."""
        return float(self.n_slots * self.grid.slot_s)

    @property
    def hours(self) -> float:
        """Hours covered in all."""
        return float(self.n_slots * self.grid.slot_s / 3600)

    def seconds(self) -> list[tuple[float, float]]:
        """(start, stop) of each span in seconds of the night clock."""
        return [(self.grid.seconds(a), self.grid.seconds(b)) for a, b in self.bounds.tolist()]

    def _shared(self, other: Spans) -> None:
        if self.grid != other.grid:
            raise ValueError(f"spans of two grids cannot be combined: {self.grid}, {other.grid}")

    def __or__(self, other: Spans) -> Spans:
        """Where either is.

        ::

            a      [----)    [--)
            b          [-----)
            a|b    [------------)
        """
        self._shared(other)
        return Spans.of(self.grid, np.concatenate((self.bounds, other.bounds)))

    def __and__(self, other: Spans) -> Spans:
        """Where both are.

        ::

            a      [----)    [--)
            b         [-------)
            a&b       [-)    [)
        """
        return ~(~self | ~other)

    def __sub__(self, other: Spans) -> Spans:
        """Where the first is and the second is not."""
        return ~(~self | other)

    def __invert__(self) -> Spans:
        """Where it is not, within the grid."""
        flat = np.concatenate(([0], self.bounds.ravel(), [self.grid.n_slots])).astype(np.int64)
        return Spans.of(self.grid, flat.reshape(-1, 2))

    def join(self, max_gap: int) -> Spans:
        """Close gaps of at most ``max_gap`` slots.

        ::

            a            [--)  [--)       [--)
            a.join(2)    [--------)       [--)
        """
        if not len(self):
            return self
        keep = self.bounds[1:, 0] - self.bounds[:-1, 1] > max_gap
        starts = self.bounds[np.concatenate(([True], keep)), 0]
        stops = self.bounds[np.concatenate((keep, [True])), 1]
        return Spans.of(self.grid, np.stack((starts, stops), axis=1))

    def drop_shorter(self, n_slots: int) -> Spans:
        """Without the spans shorter than ``n_slots``."""
        return Spans.of(self.grid, self.bounds[self.bounds[:, 1] - self.bounds[:, 0] >= n_slots])

    def grow(self, before: int, after: int | None = None) -> Spans:
        """Every span longer by ``before`` slots in front and ``after`` (default: the same) behind."""
        after = before if after is None else after
        return Spans.of(self.grid, self.bounds + np.array([-before, after]))

    def holds(self, slots: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each slot lies in a span, bool of the shape of ``slots``."""
        index = np.searchsorted(self.starts, slots, side="right") - 1
        inside: NDArray[np.bool_] = (index >= 0) & (np.asarray(slots) < np.append(self.stops, -1)[index])
        return inside

    def slots_before(self, slots: NDArray[np.int64]) -> NDArray[np.int64]:
        """Slots covered before each slot, int64 of the shape of ``slots``."""
        index = np.searchsorted(self.starts, slots, side="right") - 1
        done = np.cumsum(self.stops - self.starts)
        over = np.append(self.stops, 0)[index] - slots
        return np.where(index >= 0, np.append(done, 0)[index] - np.maximum(over, 0), 0)

    def meet(self, others: Spans) -> NDArray[np.bool_]:
        """Whether each span shares a slot with one of the others, bool of shape (n_spans,)."""
        self._shared(others)
        found: NDArray[np.bool_] = others.slots_before(self.stops) > others.slots_before(self.starts)
        return found

    def on(self, grid: Grid, *, rounding: str = "exact") -> Spans:
        """Carry over to another grid.

        Parameters
        ----------
        grid
            The grid to count on.
        rounding
            ``"exact"`` raises where a border falls inside a slot, ``"outward"`` covers every slot
            that is touched, ``"inward"`` only whole ones.
        """
        if grid == self.grid:
            return self
        ratio = self.grid.slot_s / grid.slot_s
        up, down = ratio.numerator, ratio.denominator
        starts = [a * up for a in self.starts.tolist()]
        stops = [b * up for b in self.stops.tolist()]
        if rounding == "exact" and any(v % down for v in (*starts, *stops)):
            raise ValueError(f"a border falls inside a slot of {grid.slot_s} s")
        if rounding == "inward":
            pairs = [(-(-a // down), b // down) for a, b in zip(starts, stops, strict=True)]
        else:
            pairs = [(a // down, -(-b // down)) for a, b in zip(starts, stops, strict=True)]
        return Spans.of(grid, pairs)
