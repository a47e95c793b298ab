"""A study's comparison as CSV tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from sleepbrux.compare.spreads import BORDERS, PERCENTILES
from sleepbrux.compare.study import StudyComparison

RISKY = ("=", "+", "-", "@", "\t", "\r", "\0")


def _cell(value: object) -> str:
    """A cell: numbers with six digits, texts that no spreadsheet runs."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text.startswith(RISKY) else text


def _csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(v) for v in row] for row in rows)
    return out.getvalue()


def nights_table(found: StudyComparison) -> str:
    """Nights, compared and apart: id, date, condition, block, count, valid hours, rate, why apart."""
    comparison = found.comparison
    rows = [
        (n.id, n.date, n.condition, n.block, n.events, n.hours, n.rate, reason)
        for n, reason in (
            *((a.night, a.reason) for a in comparison.apart),
            *((n, "") for n in comparison.nights),
        )
    ]
    columns = ("night", "date", "condition", "block", "count", "valid_hours", "rate", "apart")
    return _csv(columns, rows)


def contrasts_table(found: StudyComparison) -> str:
    """Contrasts under the study's rules and under others, one row each."""
    rows: list[Sequence[object]] = []
    for c in found.comparison.contrasts:
        r, t = c.ratio, c.rearrangement
        numbers = (r.nights, r.nights_against, r.ratio, r.low, r.high, r.p, r.p_holm, r.method) if r else (
            (None,) * 8
        )  # fmt: skip
        rows.append(
            (c.condition, c.against, found.criterion, *numbers, t.p if t else None, c.verdict)
        )
    for h in found.robustness:
        rows += [
            (h.condition, h.against, a.rule, None, None, a.ratio, a.low, a.high, None, None, "", None,
             a.verdict)
            for a in h.alternatives
        ]  # fmt: skip
    columns = ("condition", "against", "rule", "nights", "nights_against", "ratio", "low", "high", "p",
               "p_holm", "method", "p_rearrangement", "verdict")  # fmt: skip
    return _csv(columns, rows)


def measures_table(found: StudyComparison) -> str:
    """Measures by condition with bootstrap intervals, then their differences."""
    rows: list[Sequence[object]] = []
    for m in found.measured:
        rows += [
            (
                m.name,
                m.unit,
                m.statistic,
                d.condition,
                "",
                d.nights,
                d.events,
                d.value,
                d.low,
                d.high,
            )
            for d in m.conditions
        ]
        rows += [
            (m.name, m.unit, f"difference of: {m.statistic}", d.condition, d.against, None, None,
             d.difference, d.low, d.high)
            for d in m.differences
        ]  # fmt: skip
    columns = ("measure", "unit", "statistic", "condition", "against", "nights", "events", "value", "low",
               "high")  # fmt: skip
    return _csv(columns, rows)


def distributions_table(found: StudyComparison) -> str:
    """Distributions night by night: percentiles and counts a class, in long form."""
    rows: list[Sequence[object]] = []
    for n in found.spreads:
        head = (n.id, n.condition, n.quantity, n.unit)
        rows.append((*head, "n", n.n))
        rows += [(*head, f"p{p}", v) for p, v in zip(PERCENTILES, n.percentiles, strict=False)]
        borders = BORDERS[n.quantity]
        rows += [(*head, f"from {borders[k]:g}", c) for k, c in enumerate(n.counts)]
    return _csv(("night", "condition", "quantity", "unit", "entry", "value"), rows)
