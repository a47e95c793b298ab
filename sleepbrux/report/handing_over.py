"""Archives as files for other programs: what the command and the page write alike."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

from sleepbrux.archive.identity import identity_of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import file_name
from sleepbrux.export.bids import BidsForm
from sleepbrux.export.files import ExportRequest, shared_names, write_files
from sleepbrux.recording.files import file_digest
from sleepbrux.report.letter import Fields, from_study, letter_pdf
from sleepbrux.report.letter.nights import Letter
from sleepbrux.report.outputs import ARCHIVE, refuse_foreign
from sleepbrux.report.wording import banner, cautions, reading
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import Study

NamedNights = Sequence[tuple[str, Night]]


def report_sentences(night: Night) -> list[str]:
    """What the text of a FHIR report says of a night."""
    return [banner(night), *reading(night), *(f"{c.about}: {c.text}" for c in cautions(night))]


def letters_of(
    archives: Sequence[Path],
    nights: NamedNights,
    names: Sequence[str],
    studies: tuple[Study, ...] = (),
    *,
    dates: bool = False,
) -> Callable[[str, Night], bytes]:
    """What makes the letter about a night, by the name of its files, to be attached to a FHIR report."""
    place = {file_name(path).removesuffix(ARCHIVE): path for path in archives}
    of = dict(zip(names, (place[stem] for stem, _ in nights), strict=True))

    form = BidsForm(studies=studies)

    def letter(name: str, night: Night) -> bytes:
        study = form.study_of(night)
        fields = from_study(Fields(), study) if study else Fields()
        return letter_pdf([Letter(name, file_digest(of[name]), night)], fields, dates=dates)

    return letter


def _refuse_other_rows(table: Path, persons: set[str]) -> None:
    """Refuse to write over a study table that has rows of a person who is not in the new one."""
    try:
        with table.open(encoding="utf-8-sig", newline="") as file:
            before = {(row.get("person") or "").removeprefix("'") for row in csv.DictReader(file)}
    except (OSError, ValueError, csv.Error):
        return
    if lost := sorted(before - persons):
        raise UsageError(
            f"{table.name} in {table.parent.name or str(table.parent)!r} has rows of "
            f"{', '.join(repr(one) for one in lost[:3])}, which would be lost; name another folder"
        )


def write_exports(
    nights: NamedNights, automatic: Sequence[Night], out: Path, wish: ExportRequest
) -> list[Path]:
    """Write what is wished for into a folder; nothing of another person or night is written over.

    Parameters
    ----------
    nights
        (name that the night's files share, night after its review).
    automatic
        The same nights without a review.
    """
    for (stem, night), name in zip(nights, shared_names(nights, wish.shown), strict=True):
        for each in {stem, name}:
            refuse_foreign(out, each, identity_of(night))
    if "study" in wish.kinds:
        _refuse_other_rows(out / "study.csv", {dict(night.about).get("person", "") for _, night in nights})
    if not nights:
        return []
    return write_files(nights, out, wish, automatic if "archive" in wish.kinds else ())
