"""A study's comparison as CSV tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from sleepbrux.analysis.comparison.spreads import BORDERS, PERCENTILES
from sleepbrux.analysis.comparison.study import StudyComparison

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
    """Nights, compared and apart: id, date, condition, block, count, its hours if any, rate, why apart."""
    comparison = found.comparison
    rows = [
        (n.id, n.date, n.condition, n.block, n.events, n.hours if found.per_hour else None, n.rate, reason)
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
        numbers = (
            (r.nights, r.nights_against, r.ratio, r.low, r.high, r.p, r.p_holm, r.method)
            if r
            else ((None,) * 8)
        )
        serial = (c.serial.low, c.serial.high) if c.serial else (None, None)
        rows.append(
            (
                c.condition,
                c.against,
                found.criterion,
                *numbers,
                t.p if t else None,
                c.verdict,
                *serial,
                c.by_valid_hours,
            )
        )
    for h in found.robustness:
        rows += [
            (
                h.condition,
                h.against,
                a.rule,
                None,
                None,
                a.ratio,
                a.low,
                a.high,
                None,
                None,
                "",
                None,
                a.verdict,
                None,
                None,
                None,
            )
            for a in h.alternatives
        ]
    columns = (
        "condition",
        "against",
        "rule",
        "nights",
        "nights_against",
        "ratio",
        "low",
        "high",
        "p",
        "p_holm",
        "method",
        "p_rearrangement",
        "verdict",
        "serial_low",
        "serial_high",
        "ratio_by_valid_hours",
    )
    return _csv(columns, rows)


def measures_table(found: StudyComparison) -> str:
    """Measures by condition with t intervals over nights, then the ratios of the pairs."""
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
                None,
                None,
            )
            for d in m.conditions
        ]
        rows += [
            (
                m.name,
                "1",
                "ratio",
                e.condition,
                e.against,
                None,
                None,
                e.ratio,
                e.low,
                e.high,
                e.p,
                e.p_rearranged,
            )
            for e in m.effects
        ]
    columns = (
        "measure",
        "unit",
        "statistic",
        "condition",
        "against",
        "nights",
        "events",
        "value",
        "low",
        "high",
        "p",
        "p_rearrangement",
    )
    return _csv(columns, rows)


def quantiles_table(found: StudyComparison) -> str:
    """Ratio of peaks at each percentile of a night, with the simultaneous band."""
    rows: list[Sequence[object]] = [
        (
            b.condition,
            b.against,
            b.quantity,
            b.nights,
            b.nights_against,
            round(100 * level),
            *numbers,
        )
        for b in found.bands
        for level, *numbers in zip(b.levels, b.ratios, b.lows, b.highs, strict=True)
    ]
    columns = (
        "condition",
        "against",
        "quantity",
        "nights",
        "nights_against",
        "percentile",
        "ratio",
        "band_low",
        "band_high",
    )
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
