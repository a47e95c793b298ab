"""What lies beside the trace: one lane a quantity, in whatever way it was found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.scoring.night import Night
from sleepbrux.signal.surroundings.model import STAGES
from sleepbrux.signal.wake_model import EPOCH_S

Floats = NDArray[np.float64]


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
        Where it comes from, in a few words.
    """

    name: str
    unit: str = ""
    times_s: Floats | None = None
    values: Floats | None = None
    spans: tuple[tuple[float, float, str], ...] = ()
    note: str = ""

    def as_table(self) -> dict[str, Any]:
        """The lane, ready for JSON."""
        points: list[list[float | None]] = []
        if self.times_s is not None and self.values is not None:
            points = [
                [round(t, 2), None if np.isnan(v) else round(v, 2)]
                for t, v in zip(self.times_s.tolist(), self.values.tolist(), strict=True)
            ]
        return {
            "name": self.name,
            "unit": self.unit,
            "points": points,
            "spans": [list(s) for s in self.spans],
            "note": self.note,
        }


def _bars(spans_s: Floats, texts: list[str]) -> tuple[tuple[float, float, str], ...]:
    return tuple(
        (round(a, 2), round(b, 2), text) for (a, b), text in zip(spans_s.tolist(), texts, strict=True)
    )


def _stages(night: Night) -> list[Lane]:
    found = night.swept.surroundings.stages
    if found is None:
        return []
    return [Lane("stage", spans=_bars(found.spans_s, [STAGES[k] for k in found.code]), note=found.origin)]


def _heart(night: Night) -> list[Lane]:
    found = night.swept.surroundings.heart
    if found is None:
        return []
    start, stop = found.intervals()
    if not len(start):
        return []
    # a NaN after each interval that the next one does not follow, so that no line crosses a gap
    broken = np.flatnonzero(np.append(start[1:] > stop[:-1] + 1e-6, False))
    times = np.insert(stop, broken + 1, stop[broken])
    rate = np.insert(60 / (stop - start), broken + 1, np.nan)
    return [Lane("heart rate", "1/min", times, rate, note=f"{found.label}, trusted intervals")]


def _chance(night: Night) -> list[Lane]:
    found = night.swept.surroundings.wake_probability
    if found is None:
        return []
    times = np.asarray((np.arange(len(found.probability)) + 0.5) * EPOCH_S, dtype=np.float64)
    note = f"{found.label}: estimated probability of being awake, each {EPOCH_S} s"
    return [Lane("p(awake)", "", times, found.at(times), note=note)]


def _movement(night: Night) -> list[Lane]:
    surroundings = night.swept.surroundings
    lanes = [
        Lane(
            f"active: {r.label}" if not r.outside else f"movement: {r.label}",
            spans=_bars(r.spans_s, [""] * len(r.spans_s)),
            note=r.role,
        )
        for r in surroundings.activity_channels
    ]
    awake = surroundings.wake_estimate
    if awake is not None:
        lanes.append(
            Lane(
                "prob. awake",
                spans=_bars(awake.awake_s, [""] * len(awake.awake_s)),
                note=f"{awake.label}: probably awake, from movement alone",
            )
        )
    return lanes


def _sound(night: Night) -> list[Lane]:
    found = night.swept.surroundings.sound
    if found is None or not len(found.rise_db):
        return []
    per_s = max(round(1 / found.step_s), 1)
    n = -(-len(found.rise_db) // per_s)
    level = np.full(n * per_s, np.nan)
    level[: len(found.rise_db)] = found.rise_db
    highest = np.fmax.reduce(level.reshape(n, per_s), axis=1)
    times: Floats = found.start_s + (np.arange(n, dtype=np.float64) + 0.5) * (per_s * found.step_s)
    note = f"{found.label}: highest of each second, over the background"
    return [Lane("sound", "dB", times, highest, note=note)]


def _position(night: Night) -> list[Lane]:
    found = night.swept.surroundings.position
    if found is None:
        return []
    names = [found.names[k] for k in found.code]
    return [Lane("position", spans=_bars(found.spans_s, names), note=found.origin)]


def _marks(night: Night) -> list[Lane]:
    marks = tuple((m.start_s, m.start_s + m.duration_s, m.text) for m in night.swept.marks)
    note = "marks in the recording, as written"
    return [Lane("marks", spans=marks, note=note)] if marks else []


# Each takes a night and gives the lanes that its archive can fill; one that finds nothing gives none.
SOURCES: tuple[Callable[[Night], list[Lane]], ...] = (
    _stages,
    _heart,
    _chance,
    _movement,
    _sound,
    _position,
    _marks,
)


def lanes_of(night: Night) -> list[Lane]:
    """Every lane that the archive can fill."""
    return [lane for source in SOURCES for lane in source(night)]
