"""One row a night: what a statistician loads."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.core.printed import rounded
from sleepbrux.export.columns import EXCLUDED, MEASURES, STUDY, STUDY_INTERVAL, measure_column
from sleepbrux.export.summary import excluded, report_id
from sleepbrux.export.tables import csv_text, safe_text
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night, meant_criterion


def _cell(value: float | None) -> str:
    return "" if value is None else f"{rounded(value)!r}"


def _value(name: str, measure: Measure) -> str:
    """The value of a measure as a cell: a count without decimals."""
    if measure.value is None:
        return ""
    whole = measure_column(name, measure.unit, measure.basis).type == "integer"
    return str(int(measure.value)) if whole else _cell(measure.value)


def _interval(measure: Measure) -> tuple[str, str, str]:
    """Ends and name of the interval that a table gives: the last one."""
    if not measure.intervals:
        return "", "", ""
    last = measure.intervals[-1]
    return _cell(last.low), _cell(last.high), last.name


def measures_csv(night: Night) -> str:
    """Every measure of a night; columns `MEASURES`."""
    rows = [
        (
            name,
            _value(name, m),
            m.unit,
            safe_text(m.basis),
            safe_text(m.reason),
            *_interval(m),
            " ".join(m.keys),
        )
        for name, m in night.measures.items()
    ]
    return csv_text(MEASURES, rows)


def excluded_csv(night: Night) -> str:
    """Every excluded stretch of the window; columns `EXCLUDED`."""
    return csv_text(
        EXCLUDED,
        [
            (
                _cell(r["start_s"]),
                _cell(r["end_s"]),
                safe_text(r["channel"]),
                r["reason"],
                r["text"],
            )
            for r in excluded(night)
        ],
    )


def study_table(nights: Sequence[tuple[str, Night]]) -> str:
    """Nights of any number of people, one row each: who and how, then every measure.

    Parameters
    ----------
    nights
        (name of the file, night), in the order of the rows. A measure that a night does not have, or
        that cannot be computed, is an empty cell.
    """
    names = list(dict.fromkeys(name for _, night in nights for name in night.measures))
    heads = [*STUDY, *names, *STUDY_INTERVAL]
    rows = []
    for file, night in nights:
        about = dict(night.about)
        index = night.measures["episodes_per_hour"]
        rows.append(
            [
                safe_text(file),
                *(safe_text(about.get(k, "")) for k in ("person", "night", "condition")),
                safe_text(night.swept.name),
                report_id(night),
                night.supersedes,
                night.swept.digest,
                night.criterion.id,
                meant_criterion(night),
                night.criterion.digest(),
                safe_text(night.window.basis),
                safe_text(night.reference.origin if night.reference else ""),
                str(sum(n.severity == "warning" for n in night.notes)),
                *(_value(n, night.measures[n]) if n in night.measures else "" for n in names),
                *_interval(index),
            ]
        )
    return csv_text(heads, rows)
