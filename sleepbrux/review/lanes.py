"""What lies beside the trace: one lane a quantity, in whatever way it was found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.night import Night


@dataclass(frozen=True, eq=False)
class Lane:
    """One quantity over the night.

    Attributes
    ----------
    name, unit
        As the page writes it.
    times_s, values
        float64, shape (n,): points joined by lines; NaN breaks the line.
    spans
        (start, stop, text) in seconds; drawn as bars with the text where there is room.
    note
        Where it comes from, in one sentence.
    """

    name: str
    unit: str = ""
    times_s: NDArray[np.float64] | None = None
    values: NDArray[np.float64] | None = None
    spans: tuple[tuple[float, float, str], ...] = ()
    note: str = ""

    def as_table(self) -> dict[str, Any]:
        """The lane, ready for JSON."""
        points = []
        if self.times_s is not None and self.values is not None:
            points = [
                [round(t, 3), None if np.isnan(v) else round(v, 3)]
                for t, v in zip(self.times_s.tolist(), self.values.tolist(), strict=True)
            ]
        return {"name": self.name, "unit": self.unit, "points": points,
                "spans": [list(s) for s in self.spans], "note": self.note}  # fmt: skip


def _marks(night: Night) -> list[Lane]:
    marks = [(m.start_s, m.start_s + m.duration_s, m.text) for m in night.swept.marks]
    note = "marks in the recording, as written"
    return [Lane("marks", spans=tuple(marks), note=note)] if marks else []


# Each takes a night and gives the lanes that its archive holds; one that finds nothing gives none.
SOURCES: tuple[Callable[[Night], list[Lane]], ...] = (_marks,)


def lanes_of(night: Night) -> list[Lane]:
    """Every lane that the archive can fill."""
    return [lane for source in SOURCES for lane in source(night)]
