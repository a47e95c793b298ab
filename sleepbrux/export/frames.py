"""A night as pandas frames, for those who go on in Python: the tables of the CSV files, unrounded."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sleepbrux.archive.identity import identity_table
from sleepbrux.core.arguments import by_label, check, each, of
from sleepbrux.core.errors import UsageError
from sleepbrux.export.columns import (
    BURSTS,
    EPISODES,
    EVENTS,
    MEASURES,
    STUDY,
    STUDY_INTERVAL,
    Columns,
    measure_column,
)
from sleepbrux.export.events import events
from sleepbrux.export.summary import report_id
from sleepbrux.export.tables import counted_channel_bursts
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.context.awake import wake_probability_at
from sleepbrux.scoring.context.model import OTHER, in_seconds
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night, meant_criterion
from sleepbrux.scoring.numbering import episode_numbers, side_names
from sleepbrux.signal.surroundings.model import STAGES

if TYPE_CHECKING:
    import pandas as pd

DTYPES = {"text": "str", "integer": "Int64", "number": "float64", "0 or 1": "Int64"}
Row = Mapping[str, Any]


def _frame(rows: Iterable[Row], columns: Columns) -> pd.DataFrame:
    """Rows as a frame of the types that the columns declare; empty text and None are missing."""
    import pandas as pd

    listed = list(rows)
    made = {}
    for name, column in columns.items():
        cells = [None if row.get(name) in (None, "") else row[name] for row in listed]
        made[name] = pd.Series(cells, dtype=object).astype(DTYPES[column.type])
        if column.type == "text":
            made[name] = made[name].mask(pd.Series(cells, dtype=object).isna())
    frame = pd.DataFrame(made, columns=list(columns))
    frame.attrs["columns"] = {name: column.meaning for name, column in columns.items()}
    return frame


def _known(code: int, words: Sequence[str] | None = None) -> Any:
    """A code as its word, or as it is; None below 0, where it is unknown."""
    return None if code < 0 else words[code] if words else code


def _episodes(night: Night) -> Iterable[Row]:
    table, labels, grid = night.episodes, night.labels, night.episodes.grid
    chance = wake_probability_at(night.swept.surroundings, in_seconds(table.starts, grid))
    for k, number in episode_numbers(night).items():
        yield {
            "episode": number,
            "start_s": grid.seconds(table.starts[k]),
            "end_s": grid.seconds(table.stops[k]),
            "kind": EPISODE_KINDS[table.kind[k]],
            "burst_count": int(table.n_bursts[k]),
            "peak_pct_mvc": float(table.peak_pct_mvc[k]),
            "mean_pct_mvc": float(table.mean_pct_mvc[k]),
            "sides": side_names(night, int(table.channels[k])),
            "flags": "+".join(table.flags[k]),
            "stage": _known(int(labels.stage[k]), STAGES),
            "probably_awake": _known(int(labels.awake[k])),
            "in_movement": _known(int(labels.movement[k])),
            "heart_rate_rise_5s_pct": float(labels.rise_5s_pct[k]),
            "position": _known(int(labels.position[k]), labels.positions),
            "sound_db": float(labels.sound_db[k]),
            "grinding_like_sound": _known(int(labels.grinding[k])),
            "respiratory_lag_s": float(labels.breathing_lag_s[k]),
            "rhythm_hz": float(labels.rhythm_hz[k]),
            "other_activity": OTHER[labels.other[k]],
            "wake_probability": float(chance[k]),
            **identity_table(night),
        }


def _bursts(night: Night) -> Iterable[Row]:
    table, numbers = night.merged, episode_numbers(night)
    for i in night.selection.bursts.tolist():
        yield {
            "start_s": table.grid.seconds(table.starts[i]),
            "end_s": table.grid.seconds(table.stops[i]),
            "kind": BURST_KINDS[table.kind[i]],
            "peak_pct_mvc": float(table.peak_pct_mvc[i]),
            "mean_pct_mvc": float(table.mean_pct_mvc[i]),
            "peak_uv": float(table.peak_uv[i]),
            "mean_uv": float(table.mean_uv[i]),
            "channel": "+".join(table.names(i)),
            "episode": numbers.get(int(night.episodes.of_burst[i])),
            **identity_table(night),
        }


def _channel_bursts(night: Night) -> Iterable[Row]:
    for row in counted_channel_bursts(night):
        yield {
            "start_s": row.start_s,
            "end_s": row.stop_s,
            "kind": BURST_KINDS[row.kind],
            "peak_pct_mvc": row.peak_uv * row.pct_per_uv,
            "mean_pct_mvc": row.mean_uv * row.pct_per_uv,
            "peak_uv": row.peak_uv,
            "mean_uv": row.mean_uv,
            "channel": row.label,
            "episode": row.episode or None,
            **identity_table(night),
        }


def _interval(measure: Measure) -> tuple[float, float, str]:
    """Ends and name of the interval that a table gives: the last one."""
    if not measure.intervals:
        return math.nan, math.nan, ""
    last = measure.intervals[-1]
    return last.low, last.high, last.name


def _measures(night: Night) -> Iterable[Row]:
    for name, m in night.measures.items():
        low, high, interval = _interval(m)
        yield {
            "measure": name,
            "value": m.value,
            "unit": m.unit,
            "basis": m.basis,
            "reason": m.reason,
            "low_95": low,
            "high_95": high,
            "interval": interval,
            "keys": " ".join(m.keys),
        }


def _events(night: Night) -> Iterable[Row]:
    return ({**vars(e), "episode": e.episode or None} for e in events(night))


TABLES = {
    "episodes": (_episodes, EPISODES),
    "bursts": (_bursts, BURSTS),
    "channel_bursts": (_channel_bursts, BURSTS),
    "events": (_events, EVENTS),
    "measures": (_measures, MEASURES),
}


def frame(night: Night, table: str) -> pd.DataFrame:
    """One table of a night, as `Night.to_frame` gives it.

    Raises
    ------
    UsageError
        There is no such table.
    """
    if table not in TABLES:
        raise UsageError(f"a night has no table {table!r}; it has {', '.join(TABLES)}")
    rows, columns = TABLES[table]
    made = _frame(rows(night), columns)
    made.attrs["recording"] = night.swept.name
    return made.set_index("measure") if table == "measures" else made


def frames(night: Night) -> dict[str, pd.DataFrame]:
    """Tables of a night; ``frame.attrs["columns"]`` gives the meaning of each of its columns.

    Returns
    -------
    ``episodes``, ``bursts``, ``channel_bursts`` and ``measures`` with the columns of the CSV files, and
    ``events`` with every event of `events`: values as they were computed, not rounded. Whole numbers and
    flags are ``Int64``, missing where a file has an empty cell. ``measures`` is indexed by the name of the
    measure.

    Raises
    ------
    UsageError
        Something that is no night.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sorted(sb.frames(night))
    ['bursts', 'channel_bursts', 'episodes', 'events', 'measures']
    """
    check(night=(night, of(Night)))
    return {name: frame(night, name) for name in TABLES}


def parquet(night: Night) -> dict[str, bytes]:
    """Each table of `frames` as the bytes of a Parquet file.

    Raises
    ------
    UsageError
        The extra ``tables`` is not installed.
    """
    try:
        import pyarrow  # noqa: F401 -- pandas asks for it by name
    except ImportError as error:
        raise UsageError(
            "Parquet needs pyarrow, which is not installed; add it with: pip install 'sleepbrux[tables]'"
        ) from error
    # not compressed: the tables are small, and a search for a name finds it
    return {
        name: table.to_parquet(engine="pyarrow", compression=None) for name, table in frames(night).items()
    }


def tidy(nights: Sequence[Night] | Mapping[str, Night]) -> pd.DataFrame:
    """One row a night: whose it is, how it was scored, and every measure, unrounded.

    Parameters
    ----------
    nights
        Nights in the order of the rows; or by a name, which then stands in ``file``.

    Returns
    -------
    DataFrame
        The columns of the study table. A measure that a night lacks, or that cannot be computed, is missing.

    Raises
    ------
    UsageError
        A night itself, or something that is none.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.tidy([night, night]).shape[0]
    2
    """
    check(
        nights=(nights, each(of(Night), "a list of nights") | by_label(of(Night), "a table of them by name"))
    )
    named = list(nights.items()) if isinstance(nights, Mapping) else [(n.swept.name, n) for n in nights]
    columns = dict(STUDY)
    for _, night in named:
        for name, m in night.measures.items():
            columns.setdefault(name, measure_column(name, m.unit, m.basis))
    columns |= STUDY_INTERVAL
    return _frame([_tidy_row(file, night) for file, night in named], columns)


def _tidy_row(file: str, night: Night) -> Row:
    about = dict(night.about)
    low, high, interval = _interval(night.measures["episodes_per_hour"])
    return {
        "file": file,
        **{key: about.get(key) for key in ("person", "night", "condition")},
        "recording": night.swept.name,
        "report_id": report_id(night),
        "supersedes": night.supersedes,
        "input_sha256": night.swept.digest,
        "criterion": night.criterion.id,
        "instead_of": meant_criterion(night),
        "criterion_digest": night.criterion.digest(),
        "window": night.window.basis,
        "reference": night.reference.origin if night.reference else "",
        "warnings": sum(n.severity == "warning" for n in night.notes),
        **{name: m.value for name, m in night.measures.items()},
        "episodes_per_hour_low_95": low,
        "episodes_per_hour_high_95": high,
        "interval": interval,
    }
