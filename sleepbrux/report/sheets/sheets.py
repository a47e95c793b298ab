"""Sheets set in type: the same bytes for the same study, tagged, with the fonts that come with typst."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import own_stem, write_together
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import count_of
from sleepbrux.core.version import __version__
from sleepbrux.report.letter.typeset import Layout, set_in_type
from sleepbrux.report.sheets.words import Part, chair_words, log_words, part, patient_words
from sleepbrux.study.file import FILL_IN, Study
from sleepbrux.study.files import recorded_channels

CHAIR_PT, PATIENT_PT = 10.0, 12.0


def person_number(study: Study) -> int:
    """Number that stands for a person where none is given: it follows from the pseudonym."""
    return sum(study.pseudonym.encode())


def chair_sheet(study: Study, *, person: int | None = None, recorded: Sequence[str] = ()) -> bytes:
    """The sheet for the chair, as PDF/UA-1; a plan without any recording is enough.

    Parameters
    ----------
    person
        Running number of the patient, which balances the order of the appliances over patients.
    recorded
        Labels of the jaw channels of a recording, where there is one and the study file names none.
    """
    number = person_number(study) if person is None else person
    return _pdf(
        f"Chair sheet, {study.pseudonym}",
        "Reference clenches and clench test. For the clinician; to be kept with the recording. "
        "Date: __________ Recorder: ______________ By: __________",
        chair_words(study, number, recorded),
        size_pt=CHAIR_PT,
    )


def patient_sheet(study: Study, *, recorded: Sequence[str] = ()) -> bytes:
    """The sheet for the patient in type of 12 points, with a line for every night, as PDF/UA-1.

    Parameters
    ----------
    recorded
        As in `chair_sheet`.
    """
    return _pdf(
        f"Patient sheet, {study.pseudonym}",
        f"{count_of(len(study.night), 'night')} at home with the recorder. Please read it once "
        "before the first night.",
        patient_words(study, recorded),
        log_words(study),
        size_pt=PATIENT_PT,
    )


def write_sheets(study: Study, home: Path, folder: Path, *, person: int | None = None) -> dict[str, Path]:
    """Write both sheets of a study whose recordings lie in ``home``; the file of each.

    Raises
    ------
    UsageError
        The pseudonym is still to be filled in.
    """
    if study.pseudonym == FILL_IN:
        raise UsageError("pseudonym is still to be filled in; every sheet shows it: write a code")
    recorded = recorded_channels(study, home)
    made = {
        "chair-sheet": chair_sheet(study, person=person, recorded=recorded),
        "patient-sheet": patient_sheet(study, recorded=recorded),
    }
    folder.mkdir(parents=True, exist_ok=True)
    paths = {name: folder / f"{own_stem(study.pseudonym)}.{name}.pdf" for name in made}
    write_together({paths[name]: pdf for name, pdf in made.items()})
    return paths


def _pdf(title: str, lead: str, parts: list[Part], log: Part | None = None, *, size_pt: float) -> bytes:
    data: dict[str, Any] = {
        "title": title,
        "lead": lead,
        "parts": parts,
        "log": log or part(""),
        "version": __version__,
        "purpose": PURPOSE,
    }
    template = (resources.files("sleepbrux.report.sheets") / "sheet.typ").read_bytes()
    return set_in_type(template, data, "sheet", layout=Layout(size_pt))
