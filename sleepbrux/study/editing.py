"""Changes to a study file that keep its comments and its order, as a person with a text editor makes them.

Page and commands write through these functions alone, so that both leave the same bytes. A change is
checked as a whole before anything is written; one writer at a time.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec
from msgspec import Struct

from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import changing, write_text
from sleepbrux.core.texts import plain_name
from sleepbrux.study.condition_names import means_none, near_names
from sleepbrux.study.file import (
    FILL_IN,
    PLANNED_NIGHTS,
    Study,
    StudyLetter,
    StudyNight,
    StudyReference,
    study_of_text,
    study_text,
)

Kind = Literal["study", "letter", "night", "reference"]
KINDS: dict[Kind, type[Struct]] = {
    "study": Study,
    "letter": StudyLetter,
    "night": StudyNight,
    "reference": StudyReference,
}
SHORT_TIME = re.compile(r"\d{1,2}:\d{2}")


@dataclass(frozen=True)
class Place:
    """Where fields are set: the head of the study file, its letter, or some of its entries by their ids."""

    kind: Kind = "study"
    ids: tuple[str, ...] = ()


def new_study(
    file: Path, *, pseudonym: str = "", conditions: Sequence[str] = (), nights: int = PLANNED_NIGHTS
) -> tuple[str, ...]:
    """Draft a study file from the recordings next to it; the files that are left out, with the reason.

    Parameters
    ----------
    nights
        Planned nights under each condition, where none is recorded.

    Raises
    ------
    StudyError
        There is a study file already, or the pseudonym is none.
    """
    from sleepbrux.study.drafting import draft

    if file.exists():
        raise StudyError(f"{file.name} is there already; open it, or rename it")
    made = draft(file.parent, conditions=conditions, nights=nights)
    text = made.text
    if pseudonym:
        text = _with_values(text, Place(), {"pseudonym": pseudonym})
        study_of_text(text, file.name)
    write_text(file, text)
    return made.left_out


def set_fields(file: Path, place: Place, fields: Mapping[str, str]) -> Study:
    """Write fields of a study file, each given as it is typed; an empty text takes a field out.

    Lists and tables are given as TOML writes them, times as ``22:55`` too.

    Raises
    ------
    StudyError
        There is no such field or entry, or a value that is not allowed; nothing is written then.
    """
    return _change(file, lambda text, _: _with_values(text, place, fields))


def add_recordings(file: Path, names: Sequence[str]) -> tuple[str, ...]:
    """Append entries for recordings that lie next to the study file; those that cannot be read, and why.

    Raises
    ------
    StudyError
        One is named already; nothing is written then.
    """
    from sleepbrux.study.drafting import added

    left_out: tuple[str, ...] = ()

    def more(text: str, study: Study) -> str:
        nonlocal left_out
        entries, left_out = added(study, file.parent, names)
        return text.rstrip("\n") + "\n" + entries if entries else text

    _change(file, more)
    return left_out


def _change(file: Path, change: Callable[[str, Study], str]) -> Study:
    with changing(file.parent):
        before = study_text(file)
        after = change(before, study_of_text(before, file.name))
        study = study_of_text(after, file.name)
        if after != before:
            write_text(file, after)
    return study


def _with_values(text: str, place: Place, fields: Mapping[str, str]) -> str:
    import tomlkit
    from tomlkit.exceptions import ParseError

    try:
        document = tomlkit.parse(text)
    except ParseError as error:
        raise StudyError(f"the study file cannot be changed: {error}; correct it in a text editor") from error
    for entry in _entries(document, place):
        for name, said in fields.items():
            _put(entry, name, _value(KINDS[place.kind], name, said))
    return tomlkit.dumps(document)


def _entries(document: Any, place: Place) -> list[Any]:
    """The tables that are changed; that of the letter is made where it is not there."""
    import tomlkit

    if place.kind == "study":
        return [document]
    if place.kind == "letter":
        if "letter" not in document:
            document.add(tomlkit.nl())
            document["letter"] = tomlkit.table()
        return [document["letter"]]
    known = {plain_name(str(entry["id"])): entry for entry in document.get(place.kind, [])}
    for id_ in place.ids:
        if id_ not in known:
            raise StudyError(f"there is no {place.kind} {id_!r}; there are {', '.join(known) or 'none'}")
    return [known[id_] for id_ in place.ids]


def _put(entry: Any, name: str, value: object) -> None:
    """Set a field where it stands, else below the last field of its entry, above what is only remarked."""
    import tomlkit
    from tomlkit.container import Container
    from tomlkit.items import Comment, Whitespace

    if value is None:
        if name in entry:
            del entry[name]
        return
    if name in entry:
        entry[name] = value
        return
    tail: list[Any] = []
    container = entry if isinstance(entry, Container) else entry.value
    while container.body and isinstance(container.body[-1][1], Comment | Whitespace):
        tail.append(container.body.pop())
    entry.add(name, tomlkit.item(value))
    container.body.extend(reversed(tail))


def _value(kind: type[Struct], name: str, said: str) -> object:
    """A typed text as the value of a field; None for an empty one."""
    types = {field.name: field.type for field in msgspec.structs.fields(kind)}
    if name not in types or name in ("night", "reference", "letter"):
        raise StudyError(f"there is no field {name!r}; allowed are {', '.join(types)}")
    text = said.strip()
    if not text:
        return None
    if SHORT_TIME.fullmatch(text):
        text = f"{text:0>5}:00"
    try:
        given = tomllib.loads(f"x = {text}")["x"] if text[0] in "[{" else text
        value: object = msgspec.convert(given, types[name], strict=False)
    except (msgspec.ValidationError, tomllib.TOMLDecodeError) as error:
        message = str(error)
        raise StudyError(f"{name}: {text!r} is not allowed: {message[:1].lower() + message[1:]}") from error
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return msgspec.to_builtins(value) if isinstance(value, dict) else value


def conditions_of(study: Study) -> tuple[str, ...]:
    """Names of conditions in use, to choose from: those listed first, then as nights have them."""
    names = dict.fromkeys((*study.conditions, *(n.condition for n in study.night)))
    return tuple(name for name in names if name != FILL_IN)


def asked_about(study: Study, name: str) -> str:
    """What is to be asked before a new name of a condition is written; empty for nothing.

    Examples
    --------
    >>> asked_about(Study(pseudonym="P1", conditions=("night guard",)), "Nightguard")
    "'Nightguard' looks like 'night guard', which is in use: is it the same appliance?"
    """
    known = conditions_of(study)
    if name in known or not name:
        return ""
    if means_none(name):
        return f"{name!r} reads like no appliance, which is written 'none': is that what is meant?"
    near = near_names(name, known)
    return f"{name!r} looks like {near[0]!r}, which is in use: is it the same appliance?" if near else ""


def meant_instead(study: Study, name: str) -> str:
    """The name in use that a new one may stand for, as `asked_about` asks."""
    near = near_names(name, conditions_of(study))
    return "none" if means_none(name) else near[0] if near else ""
