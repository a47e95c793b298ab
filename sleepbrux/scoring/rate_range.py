"""How far lost, doubtful and cleaned time could move the rate of a night: its error statement.

Lost and doubtful time have bounds of their own (`possible_counts`, `without_doubtful`). What cleaning did to one night
is not known; it was measured on others (`signal.bias`), and counts here by its dose. Of a repair that is the share of
the counted episodes that meet repaired frames: an episode that none of it meets is as it was recorded, and one that a
repair made or left meets it. Of time that was left out for a fault it is its share of the window, for no counted
episode lies in it. So a night with one pop at rest is moved by nothing, and one with mains all night by all of what was
measured; between and beyond, in proportion.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

from sleepbrux.core.spans import Spans
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night
from sleepbrux.signal.bias import MEASURED
from sleepbrux.signal.quality import REPAIRS


@dataclass(frozen=True)
class Bias:
    """By how much a fault that was repaired may have moved the index, %: its measured bias on other nights."""

    cause: str
    low_pct: float
    high_pct: float


@dataclass(frozen=True)
class RateRange:
    """Lowest and highest episodes per valid hour that lost and cleaned time leave possible.

    Attributes
    ----------
    low_per_hour, high_per_hour
        Equal where nothing could be otherwise.
    causes
        What has a part in it, in words.
    """

    low_per_hour: float
    high_per_hour: float
    causes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The range in one sentence; it speaks of bounds and of measured bias, not of chance."""
        low, high = f"{self.low_per_hour:.1f}", f"{self.high_per_hour:.1f}"
        if low != high:
            return f"{self.causes[0]} could move the rate between {low} and {high} per valid hour."
        if self.low_per_hour < self.high_per_hour:
            return f"{self.causes[0]} could move the rate by less than 0.1 per valid hour."
        return "No lost time lies near enough to an episode or burst to change the rate."


def rate_range(measures: Mapping[str, Measure], biases: Sequence[Bias] = ()) -> RateRange | None:
    """How far lost time, and what was cleaned, could move the rate of a night; None where it is not known.

    Parameters
    ----------
    measures
        Of the night.
    biases
        Of faults that were cleaned, in any order; they widen the range by their product.
    """
    found = [
        next(filter(None, (measures.get(f"{word}_episodes_per_hour") for word in words)), None)
        for words in (("lowest", "least"), ("highest", "most"))
    ]
    low, high = (m.value if m is not None else None for m in found)
    if low is None or high is None:
        return None
    doubtful = bool((of := measures.get("doubtful_hours")) and of.value)
    for bias in biases:
        low *= max(1 + min(bias.low_pct, 0.0) / 100, 0.0)
        high *= 1 + max(bias.high_pct, 0.0) / 100
    parts = ["lost", *(["doubtful"] if doubtful else []), *(["cleaned"] if biases else [])]
    what = f"{', '.join(parts[:-1])}{' and ' if parts[1:] else ''}{parts[-1]} time".capitalize()
    return RateRange(low, high, (what, *(bias.cause for bias in biases)))


def met_shares(night: Night) -> dict[str, float]:
    """Of each repair that a night names, the share of its counted episodes that meet repaired frames.

    All of them where an archive of an earlier version names the repair and not its place.
    """
    chosen, grid, found = night.selection.episodes, night.merged.grid, {}
    starts, stops = night.episodes.starts[chosen], night.episodes.stops[chosen]
    for key, code in REPAIRS.items() if len(chosen) else ():
        spans = [q.repaired[key].on(grid, rounding="outward") for q in night.quality if key in q.repaired]
        if spans:
            time = reduce(Spans.__or__, spans)
            found[key] = float((time.slots_before(stops) > time.slots_before(starts)).mean())
        elif any(note.code == code for q in night.quality for note in q.notes):
            found[key] = 1.0
    return found


def excluded_shares(night: Night) -> dict[str, float]:
    """Of each reason against time of a channel, the share of the window that was left out where it holds."""
    grid, window = night.merged.grid, night.selection.window
    lost, found = window - night.selection.valid, {}
    for reason in dict.fromkeys(reason for q in night.quality for reason in q.faults):
        spans = [q.faults[reason].on(grid, rounding="outward") for q in night.quality if reason in q.faults]
        if window.n_slots:
            found[reason] = (reduce(Spans.__or__, spans) & lost).n_slots / window.n_slots
    return found


def biases_of(night: Night) -> list[Bias]:
    """Measured bias of what was cleaned in a night, by its dose."""
    doses = {"episodes": met_shares(night), "time": excluded_shares(night)}
    return [
        Bias(row.cause, share * row.low_pct, share * row.high_pct)
        for row in MEASURED
        if row.dose_of and (share := doses[row.dose_of].get(row.fault, 0.0) / row.dose)
    ]


def range_of(night: Night) -> RateRange | None:
    """The error statement of a night; None where it is not known, as after a review."""
    return rate_range(night.measures, biases_of(night))
