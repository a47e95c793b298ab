"""The files that a compared study leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from sleepbrux.analysis.comparison.study import StudyComparison, comparison_text
from sleepbrux.analysis.comparison.tables import (
    contrasts_table,
    distributions_table,
    measures_table,
    nights_table,
    quantiles_table,
)
from sleepbrux.analysis.planning import Plan, plans_of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import write_text
from sleepbrux.report.study_page import clench_tests, render_study

STUDY = "study"
REPORT = ".report.html"


def study_plans(found: StudyComparison, *, progress: Callable[[], None] | None = None) -> tuple[Plan, ...]:
    """What more nights would tell, from the study's own variation; empty where that is not known."""
    try:
        return plans_of(found.comparison, progress=progress)
    except UsageError:
        return ()


def write_study(
    found: StudyComparison, folder: Path, *, plans: Sequence[Plan] = (), clench: Path | None = None
) -> None:
    """Write a study's page, JSON and tables; the page comes last.

    Parameters
    ----------
    clench
        Folder in which clench tests (``*.clench.json``) lie, for the page.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (
        (".comparison.json", comparison_text(found)),
        (".nights.csv", nights_table(found)),
        (".contrasts.csv", contrasts_table(found)),
        (".measures.csv", measures_table(found)),
        (".quantiles.csv", quantiles_table(found)),
        (".distributions.csv", distributions_table(found)),
        (
            REPORT,
            render_study(found, plans=plans, clench=clench_tests(clench or folder, found.person)),
        ),
    ):
        write_text(folder / f"{STUDY}{name}", text)
