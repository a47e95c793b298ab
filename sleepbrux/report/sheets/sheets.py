"""Sheets set in type: the same bytes for the same study, tagged, with the fonts that come with typst."""

from __future__ import annotations

from importlib import resources
from typing import Any

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import count_of
from sleepbrux.core.version import __version__
from sleepbrux.report.letter.typeset import set_in_type
from sleepbrux.report.sheets.words import Part, chair_words, log_words, part, patient_words
from sleepbrux.study.file import Study


def person_number(study: Study) -> int:
    """Number that stands for a person where none is given: it follows from the pseudonym."""
    return sum(study.pseudonym.encode())


def chair_sheet(study: Study, *, person: int | None = None) -> bytes:
    """The sheet for the chair, as PDF/UA-1.

    Parameters
    ----------
    person
        Running number of the patient, which balances the order of the appliances over patients.
    """
    number = person_number(study) if person is None else person
    return _pdf(
        f"Chair sheet, {study.pseudonym}",
        "Reference clenches and clench test. For the clinician; to be kept with the recording. "
        "Date: ____________  Recorder: ______________________  By: ______________",
        chair_words(study, number),
    )


def patient_sheet(study: Study) -> bytes:
    """The sheet for the patient, with a line for every night, as PDF/UA-1."""
    return _pdf(
        f"Patient sheet, {study.pseudonym}",
        f"{count_of(len(study.night), 'night')} at home with the recorder. Please read it once "
        "before the first night.",
        patient_words(study),
        log_words(study),
    )


def _pdf(title: str, lead: str, parts: list[Part], log: Part | None = None) -> bytes:
    data: dict[str, Any] = {
        "title": title,
        "lead": lead,
        "parts": parts,
        "log": log or part(""),
        "version": __version__,
        "purpose": PURPOSE,
    }
    template = (resources.files("sleepbrux.report.sheets") / "sheet.typ").read_bytes()
    return set_in_type(template, data, "sheet")
