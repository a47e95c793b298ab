"""The letter about a study: read once, set as often as its fields change, written as PDF and HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sleepbrux.analysis.comparison.fixing import record_path
from sleepbrux.archive.file_sets import write_listed
from sleepbrux.archive.made_of import fields_mark, marked, study_mark
from sleepbrux.archive.manifest import ARCHIVE
from sleepbrux.archive.nights import Due, Missing
from sleepbrux.core.errors import UsageError
from sleepbrux.report.letter.compared import NightsCompared, study_letters
from sleepbrux.report.letter.content import letter_about
from sleepbrux.report.letter.fields import Fields, from_study
from sleepbrux.report.letter.nights import Letter
from sleepbrux.report.letter.page import letter_html
from sleepbrux.report.letter.typeset import letter_pdf
from sleepbrux.study.file import Study


@dataclass(frozen=True, eq=False)
class LetterBasis:
    """What a letter is written from.

    Attributes
    ----------
    plan
        The study; None for a letter about archives.
    missing
        Nights of the study without a scoring.
    doubts
        What is doubted of the files, one sentence each.
    made_of
        A word for the archives and decisions that it is about (`sleepbrux.archive.made_of`).
    """

    letters: Sequence[Letter]
    plan: Study | None = None
    comparison: NightsCompared | None = None
    missing: tuple[Missing, ...] = ()
    doubts: tuple[str, ...] = ()
    made_of: str = ""

    def _entered(self, fields: Fields) -> Fields:
        return fields if self.plan is None else from_study(fields, self.plan)

    def _dates(self, *, dates: bool) -> bool:
        return dates or (self.plan is not None and self.plan.letter.dates)

    def pdf(self, fields: Fields, *, dates: bool = False) -> bytes:
        """The letter as PDF."""
        return letter_pdf(
            self.letters,
            self._entered(fields),
            comparison=self.comparison,
            missing=[night.id for night in self.missing],
            dates=self._dates(dates=dates),
        )

    def page(self, fields: Fields, *, dates: bool = False) -> str:
        """The same letter as HTML."""
        entered = self._entered(fields)
        page = letter_html(
            self.letters,
            entered,
            comparison=self.comparison,
            missing=[night.id for night in self.missing],
            dates=self._dates(dates=dates),
        )
        return marked(page, self.made_of, fields_mark(entered)) if self.made_of else page


def study_basis(file: Path, plan: Study, folder: Path) -> LetterBasis:
    """What the letter about a study file is written from, its archives in ``folder``."""
    made_of = study_mark(plan, folder)
    letters, comparison, missing, doubts = study_letters(
        plan, folder, suffix=ARCHIVE, due=Due(home=file.parent), record=record_path(file)
    )
    return LetterBasis(letters, plan, comparison, tuple(missing), tuple(doubts), made_of)


def write_letter(basis: LetterBasis, fields: Fields, target: Path, *, dates: bool = False) -> Path:
    """Write PDF and HTML under one name; the HTML file. A letter about another person is not written over."""
    pdf, page = basis.pdf(fields, dates=dates), basis.page(fields, dates=dates)
    same = target.with_suffix(".html")
    _refuse_other(target, same, letter_about(basis.letters))
    target.parent.mkdir(parents=True, exist_ok=True)
    write_listed({same: page, target: pdf}, target, last=(target.name,))  # the page says whom it is about
    return same


def _refuse_other(pdf: Path, page: Path, about: str) -> None:
    """Refuse to write over anything but an earlier letter about the same person."""
    if not pdf.exists() and not page.exists():
        return
    try:
        found = f'name="sleepbrux-letter-about" content="{about}"' in page.read_text("utf-8")
    except (OSError, ValueError):
        found = False
    if not found:
        there = page if page.exists() else pdf
        raise UsageError(
            f"{there.name} in {there.parent.name or str(there.parent)!r} is no letter about this person; move it "
            "away, or name another file"
        )
