"""One row a night: what a statistician loads."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.export.dictionary import EXCLUDED_COLUMNS, MEASURE_COLUMNS
from sleepbrux.export.summary import excluded, report_id, rounded
from sleepbrux.export.tables import csv_text, safe_text
from sleepbrux.measures import Measure
from sleepbrux.night import Night, meant_criterion


def _cell(value: float | None) -> str:
    return "" if value is None else f"{rounded(value)!r}"


def _first_interval(measure: Measure) -> tuple[str, str, str]:
    if not measure.intervals:
        return "", "", ""
    first = measure.intervals[-1]
    return _cell(first.low), _cell(first.high), first.name


def measures_csv(night: Night) -> str:
    """Every measure of a night; columns `MEASURE_COLUMNS`."""
    rows = [
        (name, _cell(m.value), m.unit, safe_text(m.basis), safe_text(m.reason), *_first_interval(m),
         " ".join(m.keys))
        for name, m in night.measures.items()
    ]  # fmt: skip
    return csv_text(MEASURE_COLUMNS, rows)


def excluded_csv(night: Night) -> str:
    """Every excluded stretch of the window; columns `EXCLUDED_COLUMNS`."""
    return csv_text(
        EXCLUDED_COLUMNS,
        [
            (
                _cell(r["start_s"]),
                _cell(r["stop_s"]),
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
    heads = ["file", "pseudonym", "night", "condition", "recording", "report_id", "supersedes",
             "input_sha256", "criterion", "instead_of", "criterion_digest", "window", "reference", "warnings",
             *names, "episodes_per_hour_low_95", "episodes_per_hour_high_95", "interval"]  # fmt: skip
    rows = []
    for file, night in nights:
        about = dict(night.about)
        index = night.measures["episodes_per_hour"]
        rows.append(
            [
                safe_text(file), *(safe_text(about.get(k, "")) for k in ("pseudonym", "night", "condition")),
                safe_text(night.swept.name), report_id(night), night.supersedes, night.swept.digest,
                night.criterion.id, meant_criterion(night), night.criterion.digest(),
                safe_text(night.window.basis),
                safe_text(night.reference.origin if night.reference else ""),
                str(sum(n.severity == "warning" for n in night.notes)),
                *(_cell(night.measures[n].value) if n in night.measures else "" for n in names),
                *_first_interval(index),
            ]
        )  # fmt: skip
    return csv_text(heads, rows)
