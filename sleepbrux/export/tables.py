"""Episodes and bursts as CSV, with cells that a spreadsheet would run made harmless."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sleepbrux.archive.identity import identity_table
from sleepbrux.export.columns import BURSTS, EPISODES, NIGHTS
from sleepbrux.scoring import bursts as burst_room
from sleepbrux.scoring import episodes as episode_room
from sleepbrux.scoring.bursts import Bursts
from sleepbrux.scoring.context.awake import wake_probability_at
from sleepbrux.scoring.context.model import OTHER, Labels, in_seconds
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers, side_names
from sleepbrux.signal.surroundings.model import STAGES

if TYPE_CHECKING:
    from sleepbrux.analysis.comparison import NightRow

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")


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


def identity_cells(night: Night) -> tuple[str, ...]:
    """Whose night it is: the last cells of each row, columns `IDENTITY`."""
    return tuple(map(safe_text, identity_table(night).values()))


def sides(night: Night, mask: int) -> str:
    """`side_names` as a cell that no spreadsheet runs."""
    return safe_text(side_names(night, mask))


def _yes(code: int) -> str:
    return "" if code < 0 else str(code)


def _surroundings(labels: Labels, k: int, awake: float) -> tuple[str, ...]:
    """What surrounds an episode, in order of the last columns of `EPISODES`."""
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
        decimals(awake, 3),
    )


def episodes_csv(night: Night) -> str:
    """Counted episodes, one row each; columns `EPISODES`."""
    table, grid, whose = night.episodes, night.episodes.grid, identity_cells(night)
    chance = wake_probability_at(night.swept.surroundings, in_seconds(table.starts, grid))
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
            *_surroundings(night.labels, k, float(chance[k])),
            *whose,
        )
        for k, number in episode_numbers(night).items()
    ]
    return csv_text(EPISODES, rows)


def _burst_flags(*, cut: bool, peak_pct_mvc: float) -> str:
    strong = peak_pct_mvc > burst_room.IMPROBABLE_PCT_MVC
    return "+".join([*(["edge"] if cut else []), *([episode_room.ABOVE] if strong else [])])


def bursts_csv(night: Night) -> str:
    """Counted bursts after the sides are merged, one row each; columns `BURSTS`."""
    table, numbers, whose = night.merged, episode_numbers(night), identity_cells(night)
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
            _burst_flags(cut=bool(table.cut[i]), peak_pct_mvc=float(table.peak_pct_mvc[i])),
            *whose,
        )
        for i in night.selection.bursts.tolist()
    ]
    return csv_text(BURSTS, rows)


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
    cut: bool = False


def counted_channel_bursts(night: Night) -> list[ChannelBurst]:
    """Bursts of each channel before merging that take part in a counted burst, by onset."""
    merged, numbers = night.merged, episode_numbers(night)
    counted = np.zeros(len(merged) + 1, dtype=np.bool_)
    counted[night.selection.bursts] = True
    rows = []
    for bursts in night.bursts:
        mvc_uv = night.mvc_uv(bursts.label)
        pct = 100 / mvc_uv if mvc_uv else math.nan
        for i, j in enumerate(_united(bursts, night)):
            if counted[j]:
                rows.append(
                    ChannelBurst(
                        bursts.grid.seconds(bursts.starts[i]),
                        bursts.grid.seconds(bursts.stops[i]),
                        int(bursts.kind[i]),
                        bursts.label,
                        numbers.get(int(night.episodes.of_burst[j]), 0),
                        float(bursts.peak_uv[i]),
                        float(bursts.mean_uv[i]),
                        pct,
                        bool(bursts.cut[i]),
                    )
                )
    return sorted(rows, key=lambda row: (row.start_s, row.label))


def channel_bursts_csv(night: Night) -> str:
    """`counted_channel_bursts`, one row each; columns `BURSTS`."""
    whose = identity_cells(night)
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
            _burst_flags(cut=row.cut, peak_pct_mvc=row.peak_uv * row.pct_per_uv),
            *whose,
        )
        for row in counted_channel_bursts(night)
    ]
    return csv_text(BURSTS, rows)


def _united(bursts: Bursts, night: Night) -> list[int]:
    """Position of the merged burst that each channel burst belongs to; past the end for none."""
    merged = night.merged
    up = int(bursts.grid.slot_s / merged.grid.slot_s)
    first = np.searchsorted(merged.stops, bursts.starts * up, side="right")
    hit = np.append(merged.starts, np.iinfo(np.int64).max)[first] < bursts.stops * up
    place: list[int] = np.where(hit, first, len(merged)).tolist()
    return place


def nights_csv(rows: Sequence[NightRow]) -> str:
    """Nights of a study, one row each; columns `NIGHTS`."""
    return csv_text(
        NIGHTS,
        [
            (
                safe_text(row.id),
                safe_text(row.condition),
                str(row.episodes),
                decimals(row.valid_hours, 4),
                decimals(math.nan if row.rate_per_hour is None else row.rate_per_hour, 4),
                safe_text(row.criterion),
                row.instead_of,
                safe_text(row.basis),
                safe_text(row.reference),
                str(row.warnings),
            )
            for row in rows
        ],
    )
