"""What an archive holds beside its own columns, for other people's software: tables and spans in seconds.

Nothing here is read back by this program. The layout, with how to read it, is in ``docs/archive.md``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers, side_names

NONE = 0
"""Number of an episode that does not count, and of a burst that is in no counted episode."""


@dataclass(frozen=True, eq=False)
class Table:
    """Columns of one length.

    Attributes
    ----------
    columns
        Name to values: numbers, truth values, or text.
    words
        Of the columns that hold a code: what each code means.
    units
        Of the columns that have one.
    """

    columns: Mapping[str, Any]
    words: Mapping[str, tuple[str, ...]]
    units: Mapping[str, str]


def _units(names: Iterable[str]) -> dict[str, str]:
    ends = {"_s": "s", "_uv": "uV", "_pct_mvc": "% MVC"}
    return {name: unit for name in names for end, unit in ends.items() if name.endswith(end)}


def _table(columns: Mapping[str, Any], **words: tuple[str, ...]) -> Table:
    return Table(columns, words, _units(columns))


def _counted(n: int, positions: NDArray[np.int64]) -> NDArray[np.bool_]:
    counted = np.zeros(n, dtype=bool)
    counted[positions] = True
    return counted


def tables(night: Night) -> dict[str, Table]:
    """``episodes``, ``bursts`` (sides merged) and ``measures``: all events, those that do not count as well.

    Returns
    -------
    dict of str to Table
        Columns are named as in the CSV files; times are seconds from the first sample, gaps counted.
    """
    episodes, merged, grid = night.episodes, night.merged, night.episodes.grid

    def seconds(slots: NDArray[np.int64]) -> list[float]:
        return [grid.seconds(slot) for slot in slots]

    numbers = episode_numbers(night)
    number = np.array([numbers.get(k, NONE) for k in range(len(episodes))], dtype=np.int32)
    of_burst = np.array([numbers.get(k, NONE) for k in episodes.of_burst.tolist()], dtype=np.int32)
    measures = night.measures
    last = [m.intervals[-1] if m.intervals else None for m in measures.values()]
    return {
        "episodes": _table(
            {
                "episode": number,
                "counted": _counted(len(episodes), night.selection.episodes),
                "start_s": seconds(episodes.starts),
                "end_s": seconds(episodes.stops),
                "kind": episodes.kind,
                "burst_count": episodes.n_bursts.astype(np.int32),
                "peak_pct_mvc": episodes.peak_pct_mvc,
                "mean_pct_mvc": episodes.mean_pct_mvc,
                "sides": [side_names(night, int(mask)) for mask in episodes.channels],
                "flags": ["+".join(flags) for flags in episodes.flags],
            },
            kind=EPISODE_KINDS,
        ),
        "bursts": _table(
            {
                "episode": of_burst,
                "counted": _counted(len(merged), night.selection.bursts),
                "start_s": seconds(merged.starts),
                "end_s": seconds(merged.stops),
                "kind": merged.kind,
                "peak_uv": merged.peak_uv,
                "mean_uv": merged.mean_uv,
                "peak_pct_mvc": merged.peak_pct_mvc,
                "mean_pct_mvc": merged.mean_pct_mvc,
                "channel": ["+".join(merged.names(k)) for k in range(len(merged))],
            },
            kind=BURST_KINDS,
        ),
        "measures": _table(
            {
                "measure": list(measures),
                "value": [math.nan if m.value is None else float(m.value) for m in measures.values()],
                "unit": [m.unit for m in measures.values()],
                "low_95": [math.nan if i is None else i.low for i in last],
                "high_95": [math.nan if i is None else i.high for i in last],
                "basis": [m.basis for m in measures.values()],
                "reason": [m.reason for m in measures.values()],
            }
        ),
    }


def _seconds(spans: Spans) -> NDArray[np.float64]:
    return np.array(list(spans.seconds()), dtype=np.float64).reshape(-1, 2)


def spans(night: Night) -> dict[str, tuple[NDArray[np.float64], dict[str, str]]]:
    """Spans of the night by path, float64 of shape (n, 2), half-open, in s; and what each is about.

    ``window`` and ``valid`` are those of the events; ``usable/k`` is recorded and fit to be scored in channel
    k, ``excluded/k/REASON`` was left out of it, ``doubtful/k/REASON`` counts and is doubtful, and the level in
    ``repaired/k/REASON`` is that of a repair.
    """
    found: dict[str, tuple[NDArray[np.float64], dict[str, str]]] = {
        "window": (_seconds(night.selection.window), {"about": night.selection.basis}),
        "valid": (_seconds(night.selection.valid), {"about": "denominator of every rate per valid hour"}),
    }
    for k, (frames, quality) in enumerate(zip(night.swept.frames, night.quality, strict=True)):
        channel = {"channel": frames.channel.label}
        found[f"usable/{k}"] = (_seconds(quality.usable), channel)
        for reason, part in sorted(quality.faults.items()):
            found[f"excluded/{k}/{reason}"] = (_seconds(part), channel | {"reason": reason})
        for reason, part in sorted(quality.doubts.items()):
            found[f"doubtful/{k}/{reason}"] = (_seconds(part), channel | {"reason": reason})
        for reason, part in sorted(quality.repaired.items()):
            found[f"repaired/{k}/{reason}"] = (_seconds(part), channel | {"reason": reason})
    return found
