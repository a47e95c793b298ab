"""What doubtful time could change: the night counted again without it, and at its usual level.

The count of a night takes doubtful time (`signal.doubts`) as it is. Two other readings stand beside it:
doubtful activity as not seen, so that lost time's own bounds hold whatever lay under it; and, where the level of
a channel changed by a factor, that channel as if it had not. Of a creep nobody knows at which level 100 % MVC was
measured, so both ends are taken. The lowest and the highest rate over all
readings are measures of the night.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import reduce

import numpy as np

from sleepbrux.core.errors import Note
from sleepbrux.core.spans import Spans
from sleepbrux.core.texts import count_of
from sleepbrux.scoring.bursts import Bursts
from sleepbrux.scoring.events import Events
from sleepbrux.scoring.measures import Measure, Possible
from sleepbrux.scoring.possible_counts import PossibleCounts
from sleepbrux.signal.doubtful_activity import DOUBTS
from sleepbrux.signal.levels import at_level
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.swept import Swept

LEAST_NAMED_S = 10.0
LOOSE_WARNED_S = 300.0  # as a side that is lost: what it does to the rest of the night is not known
LEAST_MOVED = 0.02  # of the rate, and more than one episode: then it is a warning
NOT_SEEN = ("shared", "blunt", "loose")
LEVELS = {"gain": ("usual",), "creep": ("lowest", "highest")}
DOUBTFUL, WITHOUT_EFFECT = "activity-doubtful", "activity-doubtful-without-effect"
Count = Callable[[Swept, Events | None], tuple[PossibleCounts, float]]


def _not_seen(quality: Quality, bursts: Sequence[Bursts]) -> Spans:
    """Doubtful time of a channel that meets a burst; where the level stays below, so does a muscle under it."""
    spans = [quality.doubts[r] for r in NOT_SEEN if r in quality.doubts]
    if not spans:
        return quality.usable.grid.none()
    doubt = reduce(Spans.__or__, spans)
    active = Spans.of(doubt.grid, np.concatenate([np.stack((b.starts, b.stops), axis=1) for b in bursts]))
    return Spans.of(doubt.grid, doubt.bounds[doubt.meet(active)])


def _readings(swept: Swept, bursts: Sequence[Bursts]) -> Iterator[Swept]:
    """The recording as it could be taken otherwise; ``bursts`` are those that were found."""
    own = [(b,) for b in bursts] if len(bursts) == len(swept.quality) else [bursts] * len(swept.quality)
    lost = [_not_seen(q, found) for q, found in zip(swept.quality, own, strict=True)]
    unseen = [q.usable - spans for q, spans in zip(swept.quality, lost, strict=True)]
    without = replace(
        swept, quality=tuple(replace(q, usable=u) for q, u in zip(swept.quality, unseen, strict=True))
    )
    if any(len(spans) for spans in lost):
        yield without
    for reason, places in LEVELS.items():
        if any(reason in q.doubts for q in swept.quality):
            for place in places:
                frames = (
                    at_level(f, q.usable, q.doubts[reason], place) if reason in q.doubts else f
                    for f, q in zip(swept.frames, swept.quality, strict=True)
                )
                yield replace(without, frames=tuple(frames))


def possible_readings(swept: Swept, events: Events, count: Count) -> Possible:
    """Least and most episodes of a scored night, and what its doubtful time could change.

    Parameters
    ----------
    count
        Least and most episodes of events, and the valid hours, of a reading under the same rules.
    """
    bounds = count(swept, events)[0]
    if not any(q.doubts for q in swept.quality):
        return Possible(bounds.least, bounds.most)
    grid, chosen = events.merged.grid, events.selection.episodes
    spans = (s.on(grid, rounding="outward") for q in swept.quality for s in q.doubts.values())
    time = reduce(Spans.__or__, spans) & events.selection.valid
    met = time.slots_before(events.episodes.stops[chosen]) > time.slots_before(events.episodes.starts[chosen])
    rates: list[float] = []
    for reading in _readings(swept, events.bursts):
        other, hours = count(reading, None)
        rates += [n / hours for n in (other.least, other.most) if hours > 0]
    return Possible(
        bounds.least,
        bounds.most,
        time.hours,
        int(met.sum()),
        (min(rates), max(rates)) if rates else (),
    )


def doubtful_notes(swept: Swept, measures: Mapping[str, Measure]) -> list[Note]:
    """A note on doubtful time; a warning where another reading gives another rate or a side is loose."""
    names = ("episodes_per_hour", "lowest_episodes_per_hour", "highest_episodes_per_hour", "valid_hours")
    rate, low, high, hours = (measures[name].value for name in names)
    if not any(q.doubts for q in swept.quality):
        return []
    if rate is None or low is None or high is None or hours is None:
        return []
    said = "; ".join(f"{DOUBTS[reason]} ({of})" for reason, of in _by_reason(swept).items())
    n, met = (int(measures[name].value or 0) for name in ("episode_count", "episodes_in_doubtful_time_count"))
    text = (
        f"doubtful activity: {said}. It was counted; {met} of {count_of(n, 'counted episode')} "
        f"{'meets' if met == 1 else 'meet'} it. By another reading the rate lies between {low:.1f} and "
        f"{high:.1f} per valid hour"
    )
    off = max(rate - low, high - rate)
    moved = off > LEAST_MOVED * rate and off * hours > 1 + 1e-9
    loose_s = max((q.doubts["loose"].duration_s for q in swept.quality if "loose" in q.doubts), default=0.0)
    if moved or loose_s >= LOOSE_WARNED_S:
        return [Note(DOUBTFUL, "warning", f"{text}. Look at these stretches")]
    doubtful_s = 3600 * (measures["doubtful_hours"].value or 0.0)
    return [Note(WITHOUT_EFFECT, "note", text)] if met or doubtful_s > LEAST_NAMED_S else []


def _by_reason(swept: Swept) -> dict[str, str]:
    """For each reason that is found: channels, and how long."""
    found = {
        reason: ", ".join(
            f"{f.channel.label} {_long(q.doubts[reason])}"
            for f, q in zip(swept.frames, swept.quality, strict=True)
            if reason in q.doubts
        )
        for reason in DOUBTS
    }
    return {reason: text for reason, text in found.items() if text}


def _long(spans: Spans) -> str:
    seconds = spans.duration_s
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def doubted(swept: Swept, notes: Sequence[Note]) -> dict[str, str]:
    """Reasons of doubt, with channels and how long, where another reading gives another rate; else none."""
    return _by_reason(swept) if any(n.code == DOUBTFUL for n in notes) else {}
