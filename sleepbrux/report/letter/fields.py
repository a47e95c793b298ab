"""What the clinician enters: printed as entered, never read as a measurement."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from sleepbrux.core.arguments import check_struct
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import read_text, toml_table
from sleepbrux.study.file import LetterHistory, Line, Study

LONGEST_WORDS = 2500


class Fields(LetterHistory, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Entries of a letter; those of the history that are empty are named as not entered.

    Attributes
    ----------
    name
        The person's name; without it the letter shows the pseudonym only.
    own_words
        The clinician's own text; room is left where it is empty.
    trace_looked_at_by
        Who looked at the trace, as the clinician says it. Whether the scoring itself was reviewed comes
        from the journal of the archive.
    sex, recorder, electrodes, filters, dental_findings, pain, awake_clenching, caffeine, alcohol
        As the study file has them under ``[letter]`` where they are empty (`from_study`).

    Examples
    --------
    >>> from sleepbrux import Fields
    >>> Fields(question="Usable?").question
    'Usable?'
    """

    name: Line = ""
    born: Line = ""
    to: Line = ""
    sender: Line = ""
    date: Line = ""
    question: Line = ""
    snoring: Line = ""
    witnessed_apnoea: Line = ""
    sleepiness_score: Line = ""
    blood_pressure: Line = ""
    medication: Line = ""
    known_apnoea_index: Line = ""
    appliance_type: Line = ""
    appliance_arch: Line = ""
    trace_looked_at_by: Line = ""
    own_words: Annotated[str, Meta(max_length=LONGEST_WORDS)] = ""

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check_struct(self)


ABOUT = {
    "name": "the person's name; leave it empty to print the pseudonym only",
    "born": "date of birth or age",
    "to": "whom the letter is for",
    "sender": "who sends it",
    "date": "date of the letter",
    "question": "the question asked",
    "snoring": "such as: every night, reported by partner",
    "witnessed_apnoea": "pauses in breathing that somebody saw",
    "sleepiness_score": "with the name of the questionnaire",
    "blood_pressure": "with date and whether treated",
    "medication": "what bears on sleep or muscles",
    "known_apnoea_index": "with date and kind of study",
    "appliance_type": "such as: stabilisation splint, hard",
    "appliance_arch": "upper or lower",
    "trace_looked_at_by": "who looked at the trace, and how much of it",
    "sex": "as the person states it",
    "recorder": "make and settings of the recorder",
    "electrodes": "kind, distance, where on the muscle",
    "filters": "filters of the recorder, such as: 20–450 Hz, notch off",
    "dental_findings": "such as: wear, fractures, tongue scalloping",
    "pain": "where, since when, how strong from 0 to 10",
    "awake_clenching": "such as: reported, several times a day",
    "caffeine": "such as: three cups, the last at 16:00",
    "alcohol": "such as: none, or how much and when",
    "own_words": 'your own words; """three quotes""" for several lines',
}


def fields_template() -> str:
    """An empty file of fields, each with what belongs into it."""
    return fields_text(Fields())


def fields_text(fields: Fields) -> str:
    """A file of fields, each with what belongs into it."""
    return "".join(
        f"# {about}\n{key} = {json.dumps(getattr(fields, key), ensure_ascii=False)}\n"
        for key, about in ABOUT.items()
    )


def load_fields(path: Path | None, entries: tuple[str, ...] = ()) -> Fields:
    """Fields from a file, then from entries ``KEY=TEXT``, which come before it.

    Raises
    ------
    UsageError
        An unknown key, text that is too long, or a file that cannot be read.
    """
    table: dict[str, object] = {}
    where = path.name if path else "`fields`"
    if path is not None:
        text = read_text(path, UsageError, "file of letter fields (TOML)")
        table |= toml_table(text, path.name, UsageError, ("own_words",))
    for entry in entries:
        key, equals, text = entry.partition("=")
        if not equals:
            raise UsageError(f"`fields` {entry!r} is no entry; write snoring='every night'")
        table[key.strip()] = text
    unknown = [key for key in table if key not in ABOUT]
    if unknown:
        raise UsageError(
            f"{where}: there is no field {unknown[0]!r} in a letter; there are {', '.join(ABOUT)}"
        )
    dull = {k: f"{v:%Y-%m-%d}" if hasattr(v, "strftime") else v for k, v in table.items()}
    try:
        return msgspec.convert(dull, Fields)
    except msgspec.ValidationError as error:
        raise UsageError(
            f"{where}: a field of the letter is not as it should be: {error}; fields are texts of at "
            f"most 300 characters, own_words {LONGEST_WORDS}"
        ) from error


def from_study(fields: Fields, study: Study) -> Fields:
    """The entries, with those of the study file where they are empty.

    Parameters
    ----------
    fields
        What was entered for this letter.
    study
        Its ``[letter]`` table, and the pain that the person noted in the mornings.

    Returns
    -------
    Fields
    """
    stated = {name: getattr(study.letter, name) for name in LetterHistory.__struct_fields__}
    stated["pain"] = stated["pain"] or _morning_pain(study)
    return msgspec.structs.replace(fields, **{k: v for k, v in stated.items() if not getattr(fields, k)})


def _morning_pain(study: Study) -> str:
    noted = [n.morning_jaw_pain for n in study.night if n.morning_jaw_pain is not None]
    if not noted:
        return ""
    low, high = (f"{pick(noted):g}" for pick in (min, max))
    span = low if low == high else f"{low}–{high}"
    return f"jaw pain on waking {span} of 10 ({len(noted)} of {len(study.night)} nights)"
