"""Whether the recordings of a study are of one person, as far as their headers say so; no name is kept."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from sleepbrux.core.errors import Note
from sleepbrux.study.file import Study, StudyNight

CELL = slice(8, 88)
"""Bytes of an EDF or BDF header that name the person (EDF 1992; EDF+ 2.1.3.3)."""
KINDS = (b"0       ", b"\xffBIOSEMI")
NOBODY = {
    "x",
    "xxx",
    "patient",
    "anonymous",
    "anonymized",
    "anonymised",
    "unknown",
    "subject",
    "test",
    "f",
    "m",
}

Words = frozenset[str]
OTHER_PERSON = "other-person"


def person_words(path: Path) -> Words:
    """Words by which the header of a recording names its person; empty where it names nobody.

    Only EDF and BDF have a place for it that is always the same. Sex is left out: it tells nobody apart.
    """
    try:
        with path.open("rb") as file:
            head = file.read(CELL.stop)
    except OSError:
        return frozenset()
    if not head.startswith(KINDS):
        return frozenset()
    text = head[CELL].decode("latin-1").casefold()
    return frozenset(w for w in re.findall(r"[^\W_]+", text) if w not in NOBODY)


def same_person(one: Words, other: Words) -> bool:
    """Whether two headers can be of one person: one says nothing, or nothing that the other does not.

    Examples
    --------
    >>> same_person(frozenset({"anna", "huber"}), frozenset({"huber", "anna", "1970"}))
    True
    >>> same_person(frozenset({"anna", "huber"}), frozenset({"bert", "maier"}))
    False
    """
    return one <= other or other <= one


def of_other_persons(study: Study, folder: Path) -> Iterator[tuple[str, str, str]]:
    """Recordings whose header names another person than that of the study's first recording that names one.

    Yields
    ------
    tuple
        (id of the night or reference, its file, id of the one that it differs from).
    """
    entries = [
        *((entry.id, entry.recording) for entry in study.recorded),
        *((entry.id, entry.recording) for entry in study.reference if entry.recording),
    ]
    known = [(id_, name, words) for id_, name in entries if (words := person_words(folder / name))]
    if not known:
        return
    votes = [sum(same_person(words, other) for _, _, other in known) for _, _, words in known]
    usual_id, _, usual = known[votes.index(max(votes))]
    for id_, name, words in known:
        if not same_person(words, usual):
            yield id_, name, usual_id


def person_notes(study: Study, folder: Path, night: StudyNight) -> tuple[Note, ...]:
    """Warnings that a night's recording, or that of its reference clench, may be of somebody else."""
    wanted = {night.id, night.reference}
    return tuple(
        Note(OTHER_PERSON, "warning", other_person_text(name, usual))
        for id_, name, usual in of_other_persons(study, folder)
        if id_ in wanted
    )


def other_person_text(name: str, usual: str) -> str:
    """What is said of a recording whose header names somebody else."""
    return (
        f"the header of {name} names another person than that of {usual}: look whether it is of this study's "
        "person, and take it out if not"
    )


CODE = re.compile(r"[A-Za-z0-9._-]{1,40}")
CODE_WORDS = "write a code such as P-01, with letters without accents, digits and - . _ and no blank"


def name_like(code: str, headers: Iterable[Words] = ()) -> str:
    """Why a code for a person may be a name, in one sentence; empty where it reads like a code.

    Parameters
    ----------
    headers
        Words of the headers of the person's recordings, which may hold the name: see `person_words`.

    Examples
    --------
    >>> name_like("P-01"), name_like("Huber-1", [frozenset({"anna", "huber"})])[:48]
    ('', "'Huber-1' holds a word by which the header of a ")
    >>> name_like("Anna M.")[:48]
    "'Anna M.' may be a name: write a code such as P-"
    """
    if not CODE.fullmatch(code):
        return f"{code!r} may be a name: {CODE_WORDS}"
    parts = {word for word in re.findall(r"[^\W\d_]+", code.casefold()) if len(word) > 2}
    if parts & frozenset[str]().union(*headers):
        return f"{code!r} holds a word by which the header of a recording names its person: {CODE_WORDS}"
    return ""
