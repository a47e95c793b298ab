"""The files that a clench test leaves behind, and the nights that stand beside it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sleepbrux.archive.nights import Due, read_nights
from sleepbrux.core.files import safe_stem, write_together
from sleepbrux.reference.clench_test import ClenchTest
from sleepbrux.report.clench_page import NightsBeside, clench_json, clench_page
from sleepbrux.report.outputs import ARCHIVE, refuse_other
from sleepbrux.study.file import Study

CLENCH_PAGE = ".clench.html"


def nights_beside(study: Study, results: Path, home: Path) -> tuple[list[NightsBeside], list[str]]:
    """Rates of the scored nights by condition, and a sentence on each night that is not shown."""
    found, missing = read_nights(study, results, suffix=ARCHIVE, due=Due(home=home))
    rows = []
    for condition in dict.fromkeys(n.condition for n in found):
        values = [n.measures["episodes_per_hour"].value for n in found if n.condition == condition]
        rates = tuple(v for v in values if v is not None)
        rows.append(NightsBeside(condition, rates, len(values) - len(rates)))
    return rows, [f"night {one.id} is not shown: {one.reason}" for one in missing]


def write_clench_test(test: ClenchTest, nights: Sequence[NightsBeside], out: Path, person: str) -> Path:
    """Write page and JSON file of a clench test into a folder; the page.

    Raises
    ------
    UsageError
        A file of this name is about another person.
    """
    out.mkdir(parents=True, exist_ok=True)
    page = out / f"{safe_stem(test.name)}{CLENCH_PAGE}"
    refuse_other(page.with_suffix(".json"), "person", person)
    table = clench_json(test, nights, person=person)
    write_together({page: clench_page(test, nights), page.with_suffix(".json"): table})
    return page
