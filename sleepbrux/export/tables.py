"""Episodes and bursts as CSV, with cells that a spreadsheet would run made harmless."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sleepbrux import bursts as burst_room
from sleepbrux import episodes as episode_room
from sleepbrux.bursts import Bursts
from sleepbrux.context.model import OTHER, STAGES, Labels
from sleepbrux.night import Night

if TYPE_CHECKING:
    from sleepbrux.compare import NightRow

RISKY = ("=", "+", "-", "@", "\t", "\r", "\0")

EPISODE_COLUMNS = {
    "episode": "number, from 1, in order of onset",
    "start_s": "onset of the first burst, s from the first sample, gaps counted",
    "end_s": "offset of the last burst, s",
    "kind": "phasic, tonic, mixed or unclassified",
    "bursts": "bursts in it after the sides are merged",
    "peak_pct_mvc": "highest envelope, % MVC; empty without a reference",
    "mean_pct_mvc": "mean of its bursts weighted by duration, % MVC",
    "sides": "sides that take part, joined by +",
    "flags": "edge, clipped (amplitude at least), phasic-bursts; joined by +",
    "stage": "sleep stage at the onset; empty where none is scored",
    "probably_awake": "1 where an accelerometer says probably awake at onset, 0 where not; empty: unknown",
    "in_movement": "1 where the share that the rules ask for lies in a body movement; empty: not computable",
    "heart_rate_rise_5s_pct": "highest heart rate in the 5 s before onset over the usual rate before, %",
    "position": "body position at the onset, or the recorder's code",
    "sound_db": "loudest sound over its background during the episode, dB",
    "grinding_like_sound": "1 where a sound has most energy above 1 kHz; a flag, no proof; empty: unknown",
    "respiratory_lag_s": "end of the nearest respiratory mark to onset, s; empty where none within 10 s",
    "rhythm_hz": "median of 1 / onset to next onset of its bursts, Hz",
    "other_activity": "chewing-like or talk-like: a label, no verdict",
}
BURST_COLUMNS = {
    "start_s": "onset, s from the first sample, gaps counted",
    "end_s": "offset, s",
    "kind": "phasic, tonic, short or unclassified",
    "peak_pct_mvc": "highest envelope, % MVC of the channel in which it is highest",
    "mean_pct_mvc": "level over the whole burst, % MVC",
    "peak_uv": "highest envelope, µV",
    "mean_uv": "level over the whole burst, µV",
    "channel": "channels that take part, joined by +",
    "episode": "number of its episode; empty where in none",
}


def safe_text(text: str) -> str:
    """Text that no spreadsheet runs as a formula: a leading quote where it would.

    Examples
    --------
    >>> safe_text("EMG L"), safe_text("=1+1")
    ('EMG L', "'=1+1")
    """
    return f"'{text}" if text.startswith(RISKY) else text


def decimals(value: float, digits: int) -> str:
    """A number with fixed decimals; empty where it is not known."""
    return "" if math.isnan(value) else f"{value:z.{digits}f}"


def csv_text(columns: Iterable[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows of finished cells under their heads, line feeds at the ends."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return buffer.getvalue()


def sides(night: Night, mask: int) -> str:
    """Sides that a bit mask of channels names, joined by ``+``; labels where a side is unknown."""
    if len(night.merged.labels) != len(night.swept.frames):
        return safe_text("+".join(night.merged.labels))
    channels = [f.channel for k, f in enumerate(night.swept.frames) if mask >> k & 1]
    words = dict.fromkeys(c.side or c.label for c in channels)
    return safe_text("+".join(words))


def episode_numbers(night: Night) -> dict[int, int]:
    """Position in the night's table to the number that tables and reports print."""
    return {int(k): i for i, k in enumerate(night.chosen.episodes, start=1)}


def _yes(code: int) -> str:
    return "" if code < 0 else str(code)


def _surroundings(labels: Labels, k: int) -> tuple[str, ...]:
    """What surrounds an episode, in order of the last columns of `EPISODE_COLUMNS`."""
    stage, position = int(labels.stage[k]), int(labels.position[k])
    return (
        STAGES[stage] if stage >= 0 else "",
        _yes(int(labels.awake[k])),
        _yes(int(labels.movement[k])),
        decimals(float(labels.rise_5s_pct[k]), 1),
        safe_text(labels.positions[position]) if position >= 0 else "",
        decimals(float(labels.sound_db[k]), 1),
        _yes(int(labels.grinding[k])),
        decimals(float(labels.breathing_lag_s[k]), 2),
        decimals(float(labels.rhythm_hz[k]), 3),
        OTHER[labels.other[k]],
    )


def episodes_csv(night: Night) -> str:
    """Counted episodes, one row each; columns `EPISODE_COLUMNS`."""
    table, grid = night.episodes, night.episodes.grid
    rows = [
        (
            str(number),
            decimals(grid.seconds(table.starts[k]), 4),
            decimals(grid.seconds(table.stops[k]), 4),
            episode_room.KINDS[table.kind[k]],
            str(table.n_bursts[k]),
            decimals(float(table.peak_pct_mvc[k]), 2),
            decimals(float(table.mean_pct_mvc[k]), 2),
            sides(night, int(table.channels[k])),
            "+".join(table.flags[k]),
            *_surroundings(night.labels, k),
        )
        for k, number in episode_numbers(night).items()
    ]
    return csv_text(EPISODE_COLUMNS, rows)


def bursts_csv(night: Night) -> str:
    """Counted bursts after the sides are merged, one row each; columns `BURST_COLUMNS`."""
    table, numbers = night.merged, episode_numbers(night)
    rows = [
        (
            decimals(table.grid.seconds(table.starts[i]), 4),
            decimals(table.grid.seconds(table.stops[i]), 4),
            burst_room.KINDS[table.kind[i]],
            decimals(float(table.peak_pct_mvc[i]), 2),
            decimals(float(table.mean_pct_mvc[i]), 2),
            decimals(float(table.peak_uv[i]), 3),
            decimals(float(table.mean_uv[i]), 3),
            safe_text("+".join(table.names(i))),
            str(numbers.get(int(night.episodes.of_burst[i]), "")),
        )
        for i in night.chosen.bursts.tolist()
    ]
    return csv_text(BURST_COLUMNS, rows)


class ChannelBurst(NamedTuple):
    """A burst of one channel that takes part in a counted burst; ``episode`` is 0 for none."""

    start_s: float
    stop_s: float
    kind: int
    label: str
    episode: int
    peak_uv: float
    mean_uv: float
    pct_per_uv: float


def counted_channel_bursts(night: Night) -> list[ChannelBurst]:
    """Bursts of each channel before merging that take part in a counted burst, by onset."""
    merged, numbers = night.merged, episode_numbers(night)
    counted = np.zeros(len(merged) + 1, dtype=np.bool_)
    counted[night.chosen.bursts] = True
    rows = []
    for bursts in night.bursts:
        level = night.reference.level(bursts.label) if night.reference else None
        pct = 100 / level.mvc_uv if level else math.nan
        for i, j in enumerate(_united(bursts, night)):
            if counted[j]:
                rows.append(
                    ChannelBurst(
                        bursts.grid.seconds(bursts.starts[i]), bursts.grid.seconds(bursts.stops[i]),
                        int(bursts.kind[i]), bursts.label,
                        numbers.get(int(night.episodes.of_burst[j]), 0),
                        float(bursts.peak_uv[i]), float(bursts.mean_uv[i]), pct,
                    )
                )  # fmt: skip
    return sorted(rows, key=lambda row: (row.start_s, row.label))


def channel_bursts_csv(night: Night) -> str:
    """`counted_channel_bursts`, one row each; columns `BURST_COLUMNS`."""
    rows = [
        (
            decimals(row.start_s, 4),
            decimals(row.stop_s, 4),
            burst_room.KINDS[row.kind],
            decimals(row.peak_uv * row.pct_per_uv, 2),
            decimals(row.mean_uv * row.pct_per_uv, 2),
            decimals(row.peak_uv, 3),
            decimals(row.mean_uv, 3),
            safe_text(row.label),
            str(row.episode or ""),
        )
        for row in counted_channel_bursts(night)
    ]
    return csv_text(BURST_COLUMNS, rows)


def _united(bursts: Bursts, night: Night) -> list[int]:
    """Position of the merged burst that each channel burst belongs to; past the end for none."""
    merged = night.merged
    up = int(bursts.grid.slot_s / merged.grid.slot_s)
    first = np.searchsorted(merged.stops, bursts.starts * up, side="right")
    hit = np.append(merged.starts, np.iinfo(np.int64).max)[first] < bursts.stops * up
    place: list[int] = np.where(hit, first, len(merged)).tolist()
    return place


NIGHT_COLUMNS = {
    "night": "id in the study file",
    "condition": "what was worn",
    "episodes": "episodes whose onset lies in the valid window",
    "valid_hours": "denominator of the rate",
    "episodes_per_hour": "episodes per valid hour",
    "criterion": "id of the rule set",
    "basis": "whose word the window is",
    "reference": "where the clench came from",
    "warnings": "warnings in the night's notes",
}


def nights_csv(rows: Sequence[NightRow]) -> str:
    """Nights of a study, one row each; columns `NIGHT_COLUMNS`."""
    return csv_text(
        NIGHT_COLUMNS,
        [
            (
                safe_text(row.id),
                safe_text(row.condition),
                str(row.episodes),
                decimals(row.valid_hours, 4),
                decimals(math.nan if row.rate_per_hour is None else row.rate_per_hour, 4),
                safe_text(row.criterion),
                safe_text(row.basis),
                safe_text(row.reference),
                str(row.warnings),
            )
            for row in rows
        ],
    )
