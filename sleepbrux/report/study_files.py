"""The files that a compared study leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sleepbrux.analysis.comparison import Comparison
from sleepbrux.analysis.comparison.fixing import Record, look
from sleepbrux.analysis.comparison.records import Reading
from sleepbrux.analysis.comparison.study import StudyComparison, compare_study, comparison_text
from sleepbrux.analysis.comparison.tables import (
    contrasts_table,
    distributions_table,
    measures_table,
    nights_table,
    quantiles_table,
)
from sleepbrux.analysis.planning import Plan, plans_of
from sleepbrux.archive.file_sets import write_listed
from sleepbrux.archive.made_of import clench_mark, marked
from sleepbrux.core.errors import UsageError
from sleepbrux.report.outputs import refuse_other
from sleepbrux.report.study_page import clench_tests, render_study
from sleepbrux.study.file import Study

STUDY = "study"
REPORT = ".report.html"


def study_plans(found: StudyComparison, *, progress: Callable[[], None] | None = None) -> tuple[Plan, ...]:
    """What more nights would tell, from the study's own variation; empty where that is not known."""
    try:
        return plans_of(found.comparison, progress=progress)
    except UsageError:
        return ()


@dataclass(frozen=True, eq=False)
class Compared:
    """A compared study: what was found, the plans from it, and the nights that were read."""

    found: StudyComparison
    plans: tuple[Plan, ...]
    reading: Reading


def compare_archives(
    plan: Study,
    reading: Reading,
    record: Path,
    *,
    keep_first_night: bool = False,
    progress: Callable[[], None] | None = None,
) -> Compared:
    """Compare the nights of a study that were read, and plan from their variation.

    Parameters
    ----------
    record
        Record of what was fixed when, in which this look is noted.

    Raises
    ------
    UsageError
        The record cannot be written.
    """

    def looked(comparison: Comparison) -> Record:
        scored = len(plan.night) - len(reading.missing)
        try:
            return look(record, plan, comparison, scored=scored, now=datetime.now(UTC))
        except OSError as error:
            raise UsageError(
                f"{record.name}: cannot be written ({error.strerror}); the record of what was fixed when "
                "lies next to the study file: make its folder writable"
            ) from error

    found = compare_study(plan, reading, keep_first_night=keep_first_night, record=looked, progress=progress)
    return Compared(found, study_plans(found, progress=progress), reading)


def write_compared(compared: Compared, plan: Study, folder: Path, target: Path) -> Path:
    """Write the files of a compared study, whose archives lie in ``folder``; the page."""
    refuse_other(target / f"{STUDY}.comparison.json", "person", plan.pseudonym)
    mark = compared.reading.made_of
    write_study(compared.found, target, plans=compared.plans, clench=folder, made_of=mark)
    return target / (STUDY + REPORT)


def write_study(
    found: StudyComparison,
    folder: Path,
    *,
    plans: Sequence[Plan] = (),
    clench: Path | None = None,
    made_of: str = "",
) -> None:
    """Write a study's page, JSON and tables; the page comes last.

    Parameters
    ----------
    clench
        Folder in which clench tests (``*.clench.json``) lie, for the page.
    made_of
        A word for the archives and decisions that were compared, which the page keeps.
    """
    folder.mkdir(parents=True, exist_ok=True)
    place = clench or folder
    tests = clench_mark(place)
    page = render_study(found, plans=plans, clench=clench_tests(place, found.person))
    texts = (
        (".comparison.json", comparison_text(found)),
        (".nights.csv", nights_table(found)),
        (".contrasts.csv", contrasts_table(found)),
        (".measures.csv", measures_table(found)),
        (".quantiles.csv", quantiles_table(found)),
        (".distributions.csv", distributions_table(found)),
        (REPORT, marked(page, made_of, tests) if made_of else page),
    )
    lead = folder / f"{STUDY}{REPORT}"
    write_listed({folder / f"{STUDY}{name}": text for name, text in texts}, lead, last=(REPORT,))
