"""What happened in a night as one list of events, from which every event file is made."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sleepbrux.core.errors import UsageError
from sleepbrux.export.columns import EVENTS
from sleepbrux.export.tables import counted_channel_bursts, csv_text, decimals, safe_text
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.closeups import triggering
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers

# One list for EDF+, BIDS, CSV and mne: each file writes these words, in this case. Phasic, tonic and episode are the
# polysomnography manual's words too; it has none for the rest.
EVENT_TYPES = {
    "Analysed window": "the part of the recording that counts; its basis stands in the summary",
    "Phasic episode": "counted episode, phasic by the rule set; linked to the channel that triggered it",
    "Tonic episode": "counted episode, tonic by the rule set",
    "Mixed episode": "counted episode, mixed by the rule set",
    "Episode": "counted episode of a rule set that has no kinds",
    "Phasic burst": "burst of one channel, before the channels are merged, of a counted burst",
    "Tonic burst": "as above, longer than the rule set's border",
    "Short burst": "as above, too short to qualify",
    "Burst": "as above, of a rule set that has no kinds",
    "Not scorable": "time of one channel inside the window that cannot be scored, whatever the reason",
}
SELECTIONS = {
    "episodes": tuple(name for name in EVENT_TYPES if name.endswith(("episode", "Episode"))),
    "bursts": tuple(name for name in EVENT_TYPES if name.endswith(("burst", "Burst"))),
    "lost time": ("Not scorable",),
    "all": tuple(EVENT_TYPES),
}


@dataclass(frozen=True)
class Event:
    """One thing with a time.

    Attributes
    ----------
    onset_s, duration_s
        Seconds of the night clock.
    type
        Word of `EVENT_TYPES`.
    channel
        Label of the channel that it belongs to; empty for none.
    episode
        Number of its episode as in all tables; 0 for none.
    peak_pct_mvc, mean_pct_mvc, peak_uv, mean_uv
        NaN where there is none.
    """

    onset_s: float
    duration_s: float
    type: str
    channel: str = ""
    episode: int = 0
    peak_pct_mvc: float = math.nan
    mean_pct_mvc: float = math.nan
    peak_uv: float = math.nan
    mean_uv: float = math.nan


def _type(kind: str, noun: str) -> str:
    return (noun if kind == "unclassified" else f"{kind} {noun}").capitalize()


def events(night: Night, kinds: str = "all") -> list[Event]:
    """Window, counted episodes, their channels' bursts and unscorable time, in order of onset.

    Parameters
    ----------
    kinds
        A word of `SELECTIONS`: which of them.
    """
    if kinds not in SELECTIONS:
        raise UsageError(f"`kinds` is {kinds!r}; allowed are {', '.join(SELECTIONS)}")
    found = [Event(a, b - a, "Analysed window") for a, b in night.window.spans_s]
    labels = [f.channel.label for f in night.swept.frames]
    table, grid = night.episodes, night.episodes.grid
    channel = triggering(night)
    for k, number in episode_numbers(night).items():
        a, b = grid.seconds(int(table.starts[k])), grid.seconds(int(table.stops[k]))
        found.append(
            Event(
                a,
                b - a,
                _type(EPISODE_KINDS[int(table.kind[k])], "episode"),
                labels[int(channel[k])] if channel[k] >= 0 else "",
                number,
                float(table.peak_pct_mvc[k]),
                float(table.mean_pct_mvc[k]),
            )
        )
    found += [
        Event(
            row.start_s,
            row.stop_s - row.start_s,
            _type(BURST_KINDS[row.kind], "burst"),
            row.label if row.label in labels else "",
            row.episode,
            row.peak_uv * row.pct_per_uv,
            row.mean_uv * row.pct_per_uv,
            row.peak_uv,
            row.mean_uv,
        )
        for row in counted_channel_bursts(night)
    ]
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        lost = night.window.on(frames.grid) - quality.usable
        found += [Event(a, b - a, "Not scorable", frames.channel.label) for a, b in lost.seconds()]
    order = list(EVENT_TYPES)
    wanted = SELECTIONS[kinds]
    return sorted(
        (e for e in found if e.type in wanted), key=lambda e: (e.onset_s, order.index(e.type), e.channel)
    )


def event_cells(event: Event, empty: str = "") -> tuple[str, ...]:
    """An event as cells, columns `EVENTS`; ``empty`` where there is no value."""
    cells = (
        decimals(event.onset_s, 4),
        decimals(event.duration_s, 4),
        event.type,
        safe_text(event.channel),
        str(event.episode or ""),
        decimals(event.peak_pct_mvc, 2),
        decimals(event.mean_pct_mvc, 2),
        decimals(event.peak_uv, 3),
        decimals(event.mean_uv, 3),
    )
    return tuple(cell or empty for cell in cells)


def events_csv(night: Night, kinds: str = "all") -> str:
    """`events`, one row each; columns `EVENTS`."""
    return csv_text(EVENTS, map(event_cells, events(night, kinds)))
