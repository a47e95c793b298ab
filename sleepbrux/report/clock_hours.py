"""The hours of a night by the clock, and the unit of its channels."""

from __future__ import annotations

import math
from typing import NamedTuple

from sleepbrux.report.numbers import clock, seconds_of_day
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.night import Night


def unit_of(night: Night) -> str:
    """Unit of the scored channels: µV, or what the recording calls it."""
    units = {f.channel.unit for f in night.swept.frames}
    unit = units.pop() if len(units) == 1 else "units of the channel"
    return "µV" if unit == "uV" else unit


class ClockHour(NamedTuple):
    """An hour of the clock: minutes that could be scored, and counted episodes by kind."""

    name: str
    span: str
    valid_minutes: float
    counts: tuple[int, ...]


def clock_hours(night: Night) -> list[ClockHour]:
    """The hours of the night by the clock, in order."""
    begin = seconds_of_day(night.swept.start_clock)
    duration = night.swept.duration_s
    kinds = KINDS[:3] if night.criterion.burst.types else KINDS[3:]
    slot = float(night.episodes.grid.slot_s)
    onset = night.episodes.starts[night.selection.episodes] * slot
    kind = night.episodes.kind[night.selection.episodes]
    valid = night.selection.valid.seconds()
    first = -((begin or 0.0) % 3600)
    rows = []
    for k in range(max(math.ceil((duration - first) / 3600), 1)):
        a, b = first + 3600 * k, first + 3600 * (k + 1)
        minutes = sum(max(min(b, y) - max(a, x), 0.0) for x, y in valid) / 60
        inside = (onset >= a) & (onset < b)
        counts = tuple(int((inside & (kind == KINDS.index(word))).sum()) for word in kinds)
        low, high = clock(max(a, 0.0), begin)[:-3], clock(min(b, duration), begin)[:-3]
        name = f"{int((a + (begin or 0.0)) // 3600) % 24:02d}" if begin is not None else f"+{k}"
        rows.append(ClockHour(name, f"{low}–{high}", minutes, counts))
    return rows
