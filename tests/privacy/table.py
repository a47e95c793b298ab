"""What each command may show of a person: one table, for the documentation and for the tests."""

from __future__ import annotations

from typing import NamedTuple

# What is planted, in words; see `planted.WORDS`.
MEANINGS = {
    "patient": "name in the header of a recording",
    "number": "patient number in the header",
    "birth date": "birth date in the header, or in other metadata",
    "recorder": "hospital code, technician and recorder in the header",
    "transducer": "electrode text of a channel",
    "reserved": "reserved text of a channel",
    "prefilter": "filter text of a channel",
    "unit": "unit text of a channel that is no known unit",
    "annotation": "texts of marks and annotations",
    "label": "labels of channels, heads of a table",
    "file": "file name of a recording",
    "folder": "folder name, as it was typed",
    "start date": "date of the night",
    "clench date": "date of the reference clench",
    "study note": "notes of the study file: alcohol, caffeine, breathing device, electrodes, note",
    "study medicine": "medication of the study file",
    "study letter": "texts under [letter] of the study file",
    "study reference": "id of a reference in the study file",
    "appliance": "appliance that a clench was made with",
    "reader": "name of the reader of a review, or of who accepted clenches",
    "companion": "file names of stages, marks and sound",
    "metadata": "other metadata of WAV, HDF5, BrainVision and CSV files",
}
NEVER = (
    "patient",
    "number",
    "birth date",
    "recorder",
    "transducer",
    "reserved",
    "study note",
    "study medicine",
    "metadata",
)


class Shows(NamedTuple):
    """What a command shows: on the terminal, in the files that it writes, in their names among them."""

    terminal: frozenset[str]
    files: frozenset[str]


def _of(terminal: str = "", files: str = "") -> Shows:
    parts = [frozenset(w.strip() for w in text.split(",") if w.strip()) for text in (terminal, files)]
    return Shows(*parts)


_WORDS = "annotation, appliance, companion, file, label, prefilter, study reference"
_NIGHT = f"{_WORDS}, clench date, start date"
_PAGE = "appliance, companion, clench date, label, start date, study reference"
TABLE: dict[str, Shows] = {
    "inspect": _of("annotation, file, folder, label, start date, unit"),
    "inspect --json": _of("annotation, file, label, prefilter, start date, unit"),
    "inspect --after-night": _of("folder"),
    "study new": _of("folder", "file, start date, clench date"),
    "study check": _of("folder, study reference"),
    "protocol": _of("folder", "start date"),
    "reference": _of("file, folder", "file, start date"),
    "reference --accept-by": _of("file, folder, reader", "file, start date, reader"),
    "clench": _of("appliance, clench date, folder", "appliance, clench date"),
    "score": _of("file, folder", f"{_NIGHT}, reader"),
    "batch": _of("folder", _NIGHT),
    "report": _of("folder", _PAGE),
    "report --mark-texts": _of("folder", f"{_PAGE}, annotation"),
    "robustness": _of("file, folder", f"{_PAGE}, file"),
    "trace": _of("folder, study reference, appliance"),
    "trace --json": _of("study reference, appliance, clench date"),
    "review --result": _of("folder, reader", f"{_PAGE}, reader, file"),
    "agreement": _of("folder, reader", "reader"),
    "summary": _of("appliance, folder"),
    "compare": _of("appliance, folder", "appliance, start date"),
    "cohort": _of("folder"),
    "plan": _of("folder"),
    "letter": _of("folder", "appliance, study letter"),
    "letter --with-dates": _of("folder", "appliance, start date, study letter"),
    "export": _of("file, folder"),
    "export --with-names": _of("file, folder", f"{_WORDS}, reader"),
    "export --with-dates": _of("file, folder", "start date, clench date"),
    "export --identity": _of("folder", "patient, number, birth date, start date"),
    "deidentify": _of("folder"),
}


def _rendered() -> list[str]:
    lines = ["| command | on the terminal | in the files that it writes |", "| --- | --- | --- |"]
    for command, (terminal, files) in TABLE.items():
        cells = (", ".join(sorted(part)) or "nothing" for part in (terminal, files))
        lines.append(f"| `{command}` | {' | '.join(cells)} |")
    return lines


def _meanings() -> list[str]:
    lines = ["| word | what it is | shown |", "| --- | --- | --- |"]
    for word, meaning in MEANINGS.items():
        never = "by no command, but for `export --identity`" if word in NEVER[:3] else "by no command"
        lines.append(f"| {word} | {meaning} | {never if word in NEVER else 'see below'} |")
    return lines


_PAGE_TEXT = """\
# What a file may tell of a person

{remake}

Tests plant a word in every field of every kind of input, run every command, and look for each word in
everything that comes out: on the terminal, in files and in their names; in UTF-8, Latin-1, code page 437 and
UTF-16, in capitals, without accents, with lost accents, escaped for HTML, JSON and addresses, and in base64.

{meanings}

## What each command shows

Pseudonym, id of the night and condition of the study file are shown everywhere: write no name and no date
into them. Time of day and the SHA-256 of the recording are shown too.
On the terminal, the next command is named with the paths that were typed. Whoever holds the recording can tell by
its SHA-256 that a result is its result.

{table}

## To hand results on

`sleepbrux export` names nobody and gives no date, in no file. A letter shows neither file names nor labels that could
hold a name; what the clinician enters is printed as entered. File names become pseudonym and night, or
`night_` and eight digits of the SHA-256. A label stays where every word of it is a term of the trade;
another becomes one that says role, side and muscle. Texts of marks become the word for their kind.
Sentences lose what they quote from a file. The title of a rule set of your own stays as you wrote it.

The archive that `score` writes holds what the recording said: file name, date, labels, filter texts and the
texts of all marks. Do not hand it on; `sleepbrux export --as archive` writes one without them. The page
that `score` writes shows dates and labels, and leaves out the texts of marks.

A recording itself is copied by `sleepbrux deidentify`. It says at the end what it does not search for:
nicknames, initials, names of two letters, misspellings, names in another script, names that are terms of
the trade, and among samples words of fewer than eight letters. The wave of a signal can identify a person
to whoever has another recording of it. Pseudonymised data stay personal data.
"""


def page(remake: str) -> str:
    """The page of the documentation."""
    return _PAGE_TEXT.format(remake=remake, meanings="\n".join(_meanings()), table="\n".join(_rendered()))
