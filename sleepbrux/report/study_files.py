"""The files that a compared study leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from sleepbrux.compare.study import StudyComparison, comparison_text
from sleepbrux.compare.tables import (
    contrasts_table,
    distributions_table,
    measures_table,
    nights_table,
)
from sleepbrux.errors import UsageError
from sleepbrux.files import write_text
from sleepbrux.planning import Plan, own_variation, plan_nights
from sleepbrux.report.study_page import clench_tests, render_study

STUDY = "study"
REPORT = ".report.html"


def study_plans(
    found: StudyComparison, *, progress: Callable[[], None] | None = None
) -> tuple[Plan, ...]:
    """What more nights would tell, from the study's own variation; empty where that is not known."""
    comparison = found.comparison
    base = [n for n in comparison.nights if n.condition == comparison.baseline]
    events, hours = sum(n.events for n in base), sum(n.hours for n in base)
    if not comparison.counts or events <= 0:
        return ()
    try:
        variation = own_variation(comparison.nights)
    except UsageError:
        return ()
    contrasts = sum(c.ratio is not None for c in comparison.contrasts)
    return tuple(
        plan_nights(
            events / len(base), variation, ratio, contrasts=max(contrasts, 1), progress=progress
        )
        for ratio in (0.5, 0.75)
        if hours > 0
    )


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
        (".distributions.csv", distributions_table(found)),
        (
            REPORT,
            render_study(
                found, plans=plans, clench=clench_tests(clench or folder, found.pseudonym)
            ),
        ),
    ):
        write_text(folder / f"{STUDY}{name}", text)
