"""An agreement of two scorings as JSON, and its events as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

import msgspec

from sleepbrux.analysis.agreement.compare import Pair, ScoringAgreement
from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.printed import printed
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.export.tables import safe_text

SCHEMA_VERSION = "1.0"
EVENT_COLUMNS = ("night", "a_start_s", "a_end_s", "a_kind", "b_start_s", "b_end_s", "b_kind")


def agreement_table(found: ScoringAgreement) -> dict[str, Any]:
    """The content of ``agreement.json``."""
    return {
        "schema_version": SCHEMA_VERSION,
        "software": SOFTWARE,
        **printed(msgspec.to_builtins(found)),
        "purpose": PURPOSE,
    }


def agreement_text(found: ScoringAgreement) -> str:
    """`agreement_table` as indented JSON with a line feed at the end."""
    return json_text(agreement_table(found))


def agreement_events(pairs: Sequence[Pair]) -> str:
    """Every event of both sides, matched ones (by any overlap) in one row; columns `EVENT_COLUMNS`."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(EVENT_COLUMNS)
    for p in pairs:
        matched = p.partners["any_overlap"].tolist()
        rows: list[tuple[int | None, int | None]] = [(i, j) for i, j in matched]
        rows += [(i, None) for i in set(range(len(p.events[0]))) - {i for i, _ in matched}]
        rows += [(None, j) for j in set(range(len(p.events[1]))) - {j for _, j in matched}]
        cells = []
        for i, j in rows:
            a, b = _cells(p, 0, i), _cells(p, 1, j)
            onset = float(a[0] or b[0])
            cells.append((onset, [safe_text(p.night), *a, *b]))
        writer.writerows(row for _, row in sorted(cells, key=lambda c: c[0]))
    return buffer.getvalue()


def _cells(p: Pair, side: int, i: int | None) -> list[str]:
    if i is None:
        return ["", "", ""]
    start, stop = p.events[side][i].tolist()
    return [f"{start:.4f}", f"{stop:.4f}", p.kinds[side][i]]
