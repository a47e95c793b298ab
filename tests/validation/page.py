"""``sleepbrux/docs/validation.md`` from the figures."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Template

from sleepbrux.signal.bias import MEASURED
from tests.docs.pages import FOLDER, _table, requirements
from tests.validation.events import Tally, pooled, share_interval

FIGURES = Path(__file__).parent / "figures.json"
PAGE = FOLDER / "validation.md"
Row = dict[str, Any]
DOSES = {"episodes": "episodes", "time": "window"}


def row_of(group: str, name: str, tallies: list[Tally], refused: int = 0) -> Row:
    """One row's figures, ready for JSON."""
    whole = pooled(tallies)
    onset, offset = (
        np.abs(np.array(e)) if e else np.array([np.nan]) for e in (whole.onset_ms, whole.offset_ms)
    )
    errors = [100 * (t.found / t.expected - 1) for t in tallies if t.expected]
    return {
        "group": group,
        "name": name,
        "seeds": len(tallies),
        "refused": refused,
        "expected": whole.expected,
        "found": whole.found,
        "matched": whole.matched,
        "false": whole.false,
        "other_kind": whole.other_kind,
        "worst_recall": round(min((t.recall for t in tallies if t.expected), default=float("nan")), 4),
        "index_error_pct": [round(float(f(errors)), 1) for f in (np.mean, min, max)] if errors else None,
        "onset_ms": [round(float(np.nanpercentile(onset, q)), 1) for q in (50, 95)],
        "offset_ms": [round(float(np.nanpercentile(offset, q)), 1) for q in (50, 95)],
    }


def _share(hits: int, n: int) -> str:
    if not n:
        return "n/a"
    low, high = share_interval(hits, n)
    return f"{100 * hits / n:.1f} ({100 * low:.1f}–{100 * high:.1f})"


def _figures(rows: list[Row]) -> Iterator[str]:
    head = [
        "condition",
        "",
        "true events",
        "recall, % (95 %)",
        "worst seed, %",
        "precision, % (95 %)",
        "index error, mean (range), %",
        "other kind",
        "onset, ms: median, 95th",
        "offset, ms",
    ]
    table = []
    for r in rows:
        if not r["expected"]:
            refused = f"refused in {r['refused']} of {r['seeds'] + r['refused']} nights"
            table.append([r["group"], r["name"], refused, *[""] * 7])
            continue
        error = r["index_error_pct"]
        table.append(
            [
                r["group"],
                r["name"] + (f"; refused in {r['refused']} nights" if r["refused"] else ""),
                str(r["expected"]),
                _share(r["matched"], r["expected"]),
                f"{100 * r['worst_recall']:.1f}",
                _share(r["found"] - r["false"], r["found"]),
                f"{error[0]:+.1f} ({error[1]:+.1f} to {error[2]:+.1f})",
                f"{r['other_kind']} of {r['matched']}",
                " / ".join(map(str, r["onset_ms"])),
                " / ".join(map(str, r["offset_ms"])),
            ]
        )
    yield from _table(head, table)


def page(figures: dict[str, Any]) -> str:
    """The page as text."""
    outside = [
        [r.text, r.control, "<br>".join(f"`{t}`" for t in r.tests)]
        for r in requirements()
        if r.kind == "outside"
    ]
    bias = [
        [
            row.condition,
            row.cause,
            f"{100 * row.dose:.1f} % of the {DOSES[row.dose_of]}" if row.dose_of else "",
            f"{row.index_pct:+.1f} ({row.low_pct:+.1f} to {row.high_pct:+.1f})",
            str(row.n_episodes),
        ]
        for row in MEASURED
    ]
    words = Template((Path(__file__).parent / "validation.md.j2").read_text("utf-8"))
    return (
        words.render(
            seeds=figures["truth_seeds"],
            truth="\n".join(_figures(figures["truth"])),
            pasted="\n".join(_figures(figures["pasted"])),
            bias="\n".join(_table(["condition", "cleaning", "dose", "index, % (95 %)", "episodes"], bias)),
            outside="\n".join(_table(["what", "source", "tests"], outside)),
        ).rstrip()
        + "\n"
    )


def load_figures() -> dict[str, Any]:
    """The stored figures."""
    found: dict[str, Any] = json.loads(FIGURES.read_text("utf-8"))
    return found


def store(figures: dict[str, Any]) -> None:
    """Store the figures."""
    FIGURES.write_text(json.dumps(figures, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def write(figures: dict[str, Any]) -> None:
    """Store the figures and the page."""
    store(figures)
    PAGE.write_text(page(figures), encoding="utf-8")
