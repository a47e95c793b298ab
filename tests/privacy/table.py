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
    "run day": "day on which a command ran or a reader decided",
    "row": "row of a table of stages that names no stage",
    "position": "word of the user's own for a body position",
    "rule text": "title, summary, departures and sources in a rule file of the user's own",
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
    "row",
)


class Shows(NamedTuple):
    """What a command shows: on the terminal, in the files that it writes, in their names among them."""

    terminal: frozenset[str]
    files: frozenset[str]


def _of(terminal: str = "", files: str = "") -> Shows:
    parts = [frozenset(w.strip() for w in text.split(",") if w.strip()) for text in (terminal, files)]
    return Shows(*parts)


_WORDS = "annotation, appliance, companion, file, label, prefilter, study reference"
_NIGHT = f"{_WORDS}, clench date, position, rule text, start date"
_PAGE = "appliance, companion, clench date, label, position, rule text, start date, study reference"
TABLE: dict[str, Shows] = {
    "inspect": _of("annotation, file, folder, label, start date, unit"),
    "inspect --json": _of("annotation, file, label, prefilter, start date, unit"),
    "inspect --after-night": _of("folder"),
    "study new": _of("folder", "file, start date, clench date"),
    "study check": _of("folder, study reference"),
    "protocol": _of("folder", "start date"),
    "reference": _of("file, folder", "file, start date"),
    "reference --accept-by": _of("file, folder, reader, run day", "file, start date, reader, run day"),
    "chair": _of("folder, label, run day", "run day"),
    "clench": _of("appliance, clench date, folder", "appliance, clench date"),
    "score": _of("file, folder", f"{_NIGHT}, folder, reader, run day"),
    "batch": _of("folder", f"{_NIGHT}, folder, run day"),
    "report": _of("folder", f"{_PAGE}, reader, run day"),
    "report --mark-texts": _of("folder", f"{_PAGE}, annotation"),
    "robustness": _of("file, folder", f"{_PAGE}, file"),
    "trace": _of("folder, study reference, appliance, rule text"),
    "trace --json": _of("study reference, appliance, clench date, rule text"),
    "review --result": _of("folder, reader, run day", f"{_PAGE}, reader, run day, file"),
    "agreement": _of("folder, reader, run day", "reader, run day"),
    "summary": _of("appliance, folder"),
    "compare": _of("appliance, folder, run day", "appliance, folder, start date, run day"),
    "cohort": _of("folder"),
    "plan": _of("folder"),
    "letter": _of("folder", "appliance, study letter"),
    "letter --with-dates": _of("folder", "appliance, run day, start date, study letter"),
    "export": _of("file, folder"),
    "export --with-names": _of("file, folder", f"{_WORDS}, position, reader, rule text"),
    "export --with-dates": _of("file, folder", "start date, clench date, run day"),
    "export --identity": _of("folder", "patient, number, birth date, start date"),
    "export --study": _of("folder", "study letter"),
    "deidentify": _of("folder"),
    "deidentify --keep-labels": _of("folder", "label"),
    "deidentify --without": _of("file, label"),
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
its SHA-256 that a result is its result. A letter names a reader by initials of four letters at most, as entered,
and else not. The record of a comparison holds the path of a rule file as the study file gives it.

A refusal is one sentence on the terminal, and of `batch` also a line of its table: it names the file, and quotes
what was found in which field, such as a label, a head of a table or the text of a row. Notes that are kept
with a result give numbers of rows and no text of a row.

{table}

## To hand results on

`sleepbrux export` names nobody and gives no date, in no file. With `--study` it also gives what the study file says
under [letter] and [dataset], age and sex, as entered. A letter shows neither file names nor labels that could
hold a name; what the clinician enters is printed as entered. File names become pseudonym and night, or
`night_` and eight digits of the SHA-256. A label stays where every word of it is a term of the trade;
another becomes one that says role, side and muscle. Texts of marks become the word for their kind, words of
your own for body positions become numbers. Sentences lose what they quote from a file. Of a rule file of your
own every text is replaced that no rule set of the package has; its id stays, so write no name into it. The
last lines of the command name the words of your own that are shown.

The archive that `score` writes holds what the recording said: file name, date, labels, filter texts and the
texts of all marks. Do not hand it on; `sleepbrux export --as archive` writes one without them. The page
that `score` writes shows dates and labels, and leaves out the texts of marks.

A recording itself is copied by `sleepbrux deidentify`. Numbers of the header are searched for from four signs
on, with or without what parts them; times of marks are kept to 1 ms, times of records to 0.1 ms. A limit of a
channel that is a number or date of the header is refused. So is a channel that is no known signal and has
3 to 256 values with jumps between them, as letters and calendars have, a position channel of more than eight
values, and an electrical channel of few values that stands still for 99 % of the time: leave it out
(`--without`) or vouch for it (`--vouch`). These limits are our choice.

It says at the end what it does not search for: nicknames, initials, names of two letters, misspellings, names
in another script, names that are terms of the trade, numbers of three signs, what was encoded (base64, a
cipher), and among samples words of fewer than eight letters. It cannot see numbers that are possible times,
durations or ranges, nor what is hidden in a signal of many values, in a channel of two values, of heart rate
or oximetry, or in up to eight positions. The wave of a signal can identify a person to whoever has another
recording of it. Pseudonymised data stay personal data.
"""


def page(remake: str) -> str:
    """The page of the documentation."""
    return _PAGE_TEXT.format(remake=remake, meanings="\n".join(_meanings()), table="\n".join(_rendered()))
