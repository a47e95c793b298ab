"""What a person can do on the page: each changes files by the functions that the commands call."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.files import own_stem, safe_stem, write_text
from sleepbrux.core.texts import count_of, plain_name, unseen_in_name
from sleepbrux.criteria import criterion_ids
from sleepbrux.practice import trials
from sleepbrux.practice.arriving import arrived, set_aside, take_in
from sleepbrux.practice.doing import Done, Fields, number_in
from sleepbrux.practice.folders import folders_in
from sleepbrux.practice.nights import NightRow, stamp
from sleepbrux.practice.state import LETTER_FIELDS, STUDY_NAME, Practice, beside, content
from sleepbrux.practice.worker import Job
from sleepbrux.study.editing import (
    Place,
    asked_about,
    meant_instead,
    new_study,
    set_fields,
)
from sleepbrux.study.file import StudyLetter, StudyNight
from sleepbrux.study.persons import name_like, person_words

NIGHT_FIELDS = tuple(name for name in StudyNight.__struct_fields__ if name not in ("id", "sync", "channels"))
STUDY_FIELDS = (
    "criterion",
    "unit",
    "rate_hz",
    "time_unit",
    "record_duration_s",
    "roles",
    "age_years",
    "sex",
    "baseline",
    "primary_outcome",
    "order",
)
KINDS = ("csv", "json", "edf", "fhir", "study")


def to_folder(practice: Practice, fields: Fields) -> Done:
    """Look into a folder of the list, or open the study in it."""
    found = folders_in(practice.folder)
    k = number_in(fields)
    if k >= len(found) or found[k].name != fields.get("name"):
        raise UsageError("the folders were changed; choose again")
    if found[k].study:
        practice.open(found[k].path / STUDY_NAME)
        return Done(at="nights")
    practice.folder = found[k].path
    return Done(at="people")


def up(practice: Practice, _: Fields) -> Done:
    """Look into the folder above."""
    practice.folder = practice.folder.parent
    return Done(at="people")


def leave_study(practice: Practice, _: Fields) -> Done:
    """Close the study and show the folder that it lies in."""
    folder = practice.study_file.parent
    practice.close()
    practice.folder = folder if folder == practice.home else folder.parent
    return Done(at="people")


def open_here(practice: Practice, _: Fields) -> Done:
    """Open the study of the folder that is shown."""
    practice.open(practice.folder / STUDY_NAME)
    return Done(at="nights")


def start_study(practice: Practice, fields: Fields) -> Done:
    """Draft a study from the recordings of this folder, or an empty one in a new folder."""
    code = plain_name(fields.get("pseudonym", ""))
    if not code or unseen_in_name(code):
        raise UsageError("write a code for the person, such as P-01: no name, no hospital number")
    folder = practice.folder
    here = sorted(folder.iterdir()) if fields.get("where") != "new" else ()
    if why := name_like(code, [person_words(path) for path in here if path.is_file()]):
        raise UsageError(why)
    if not any(c.isdigit() for c in code) and fields.get("meant") != "yes":
        return Done(
            ask=f"{code!r} has no digit and may be a name. Every page and letter shows the code; is it one?",
            answers=(("yes, it is a code", dict(fields) | {"meant": "yes"}),),
        )
    if fields.get("where") == "new":
        folder = folder / own_stem(code)
        folder.mkdir(exist_ok=True)
    left_out = new_study(folder / STUDY_NAME, pseudonym=code, nights=0)
    practice.open(folder / STUDY_NAME)
    arrived(practice)
    return Done("; ".join(f"left out: {text}" for text in left_out), at="nights")


def set_night(practice: Practice, fields: Fields) -> Done:
    """Write fields of one night; a new name of a condition is asked about where it is near one in use."""
    night = practice.night(number_in(fields))
    given = {name: text for name, text in fields.items() if name in NIGHT_FIELDS}
    name = plain_name(given.get("condition", ""))
    meant = fields.get("meant") == "yes"
    if not name:
        given.pop("condition", None)
    elif (question := asked_about(practice.study, name)) and not meant:
        known = meant_instead(practice.study, name)
        again = dict(fields)
        return Done(
            ask=question,
            answers=(
                (f"yes, write {known!r}", again | {"condition": known}),
                (f"no, {name!r} is another", again | {"meant": "yes"}),
            ),
        )
    if not given:
        return Done()
    _name_condition(practice, given)
    with practice.changing(f"{night.id}: {', '.join(given)}", practice.study_file):
        set_fields(practice.study_file, Place("night", (night.id,)), given)
    return Done(f"{night.id}: written to the study file")


def _name_condition(practice: Practice, given: Fields) -> None:
    """Add a new name to the list of conditions, where the study has one."""
    study = practice.study
    name = plain_name(given.get("condition", ""))
    if name and study.conditions and name not in study.conditions:
        listed = ", ".join(msgspec.json.encode(c).decode() for c in (*study.conditions, name))
        set_fields(practice.study_file, Place(), {"conditions": f"[{listed}]"})


def set_study(practice: Practice, fields: Fields) -> Done:
    """Write fields of the study: what recordings do not say of themselves, and what is compared."""
    given = {name: text for name, text in fields.items() if name in STUDY_FIELDS}
    if "criterion" in given and given["criterion"] not in criterion_ids():
        raise UsageError(f"there are no rules {given['criterion']!r}; choose among those that are listed")
    label, role = fields.get("label", "").strip(), fields.get("role", "").strip()
    if label and role:
        roles = dict(practice.study.roles) | {label: role}
        pairs = ", ".join(f"{_quoted(k)} = {_quoted(v)}" for k, v in roles.items())
        given["roles"] = f"{{{pairs}}}"
    given |= _lists(practice, fields)
    with practice.changing(f"study: {', '.join(given)}", practice.study_file):
        set_fields(practice.study_file, Place(), given)
    return Done(" ".join(filter(None, ("written to the study file.", take_in(practice)))))


def _lists(practice: Practice, fields: Fields) -> dict[str, str]:
    """Data sets and scale, typed in plain words, as the study file writes them."""
    found = {}
    if sets := [name.strip() for name in fields.get("data_sets", "").split(",") if name.strip()]:
        found["datasets"] = f"[{', '.join(_quoted(name) for name in sets)}]"
    channel, scale = fields.get("scaled", "").strip(), fields.get("scale", "").strip()
    if channel and scale:
        if not re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", scale):
            raise UsageError(f"µV for a stored value of 1: {scale!r} is no number; write it as 0.195")
        others = {k: repr(v) for k, v in practice.study.scale_uv.items() if k != channel}
        pairs = ", ".join(f"{_quoted(k)} = {v}" for k, v in (others | {channel: scale}).items())
        found["scale_uv"] = f"{{{pairs}}}"
    return found


def _quoted(text: str) -> str:
    return msgspec.json.encode(text).decode()


def set_letter(practice: Practice, fields: Fields) -> Done:
    """Write what every letter repeats."""
    given = {name: text for name, text in fields.items() if name in StudyLetter.__struct_fields__}
    with practice.changing(f"letter: {', '.join(given)}", practice.study_file):
        set_fields(practice.study_file, Place("letter"), given)
    return preview(practice, {})


def add_new(practice: Practice, _: Fields) -> Done:
    """Take recordings that lie in the folder into the study."""
    return Done(take_in(practice) or "every recording in the folder is in the study")


def aside(practice: Practice, fields: Fields) -> Done:
    """Put a file that is not in the study out of the way."""
    return Done(set_aside(practice, fields.get("name", "")))


def look_again(practice: Practice, _: Fields) -> Done:
    """Have every recording looked at."""
    practice.known.verdicts.clear()
    practice.known.findings = (None, [])
    arrived(practice)
    return Done()


def find_clenches(practice: Practice, fields: Fields) -> Done:
    """Have the clenches of a recording looked for."""
    source = _source(practice, number_in(fields))
    state = _clench_stamp(practice, source.recording)

    known = practice.known  # of this study, whichever is open when the job is done

    def keep(job: Job) -> None:
        known.clenches[source.recording] = (state, job.result)

    practice.worker.ask(
        "clenches",
        f"looking for the clenches of {source.about}",
        done=keep,
        file=str(practice.study_file),
        recording=source.recording,
        teeth="natural teeth" if source.teeth == "natural" else source.teeth,
    )
    return Done()


def _clench_stamp(practice: Practice, recording: str) -> object:
    path = practice.study_file.parent / recording
    return stamp(path, beside(path))


def _source(practice: Practice, number: int) -> Any:
    sources = practice.clench_sources(practice.study)
    if number >= len(sources):
        raise UsageError("there is no such recording any more; the study file was changed")
    return sources[number]


def clench_look(practice: Practice, recording: str) -> dict[str, Any] | None:
    """What was found of a recording's clenches, as long as it is the same."""
    found = practice.known.clenches.get(recording)
    return found[1] if found is not None and found[0] == _clench_stamp(practice, recording) else None


def accept_clenches(practice: Practice, fields: Fields) -> Done:
    """Accept the clenches that were chosen, where they were moved to, by name."""
    source = _source(practice, number_in(fields))
    path = practice.study_file.parent / source.recording
    numbers = tuple(int(k) for k in fields.get("numbers", "").split(",") if k.isdecimal())
    if not numbers:
        raise UsageError("no clench is taken; take two or more, then accept them")
    if not fields.get("by", "").strip():
        raise UsageError("write your initials; they stand under the clenches that are accepted")
    made = [
        practice.results / f"{safe_stem(path.name)}{end}" for end in (".reference.json", ".reference.html")
    ]
    before = {file: content(file) for file in (beside(path), *made)}

    known, undo = practice.known, practice.undo  # of this study, whichever is open when the job is done

    def keep(job: Job) -> None:
        practice.changed_files(undo, f"clenches of {source.about}", before)
        known.clenches[source.recording] = (
            stamp(path, beside(path)),
            job.result,
        )
        if practice.known is known:
            practice.check()

    practice.worker.ask(
        "accept",
        f"writing the clenches of {source.about}",
        done=keep,
        file=str(practice.study_file),
        recording=source.recording,
        numbers=numbers,
        moved=_moves(fields.get("moved", "")),
        by=fields["by"].strip(),
        teeth=fields.get("teeth", "").strip() or "natural",
        steps=practice.clench_steps,
    )
    return Done()


def _moves(text: str) -> dict[int, tuple[float, float]]:
    """``"2=52.8:55.9;3=…"`` as the page sends it."""
    found = {}
    for part in filter(None, text.split(";")):
        number, _, edges = part.partition("=")
        try:
            start, stop = (float(edge) for edge in edges.split(":"))
            found[int(number)] = (start, stop)
        except ValueError:
            raise UsageError("the page sent edges that are no numbers; load it again") from None
    return found


def score(practice: Practice, fields: Fields) -> Done:
    """Score what is due; nights that would be scored anew are named first, with the reason."""
    study = practice.study
    rows = [row for row in practice.rows(study) if row.there]
    due = [row for row in rows if not row.scored or row.outdated or fields.get("all") == "yes"]
    anew = [row for row in due if row.scored]
    if not due:
        return Done("every night is scored as the study file says")
    if anew and fields.get("meant") != "yes":
        why = "; ".join(f"{row.id}: {row.outdated or 'asked for'}" for row in anew)
        reviewed = [row.id for row in anew if row.decisions and row.stale]
        more = f" Decisions of {', '.join(reviewed)} may no longer fit the new scoring." if reviewed else ""
        return Done(
            ask=f"{count_of(len(anew), 'night')} will be scored anew. {why}.{more}",
            answers=(("score anew", dict(fields) | {"meant": "yes"}),),
        )
    states = {n.id: practice.night_stamp(study, n) for n in study.recorded}

    known = practice.known  # of this study, whichever is open when the job is done

    def keep(job: Job) -> None:
        for name, verdict in job.result["verdicts"].items():
            known.verdicts[name] = (states.get(name), verdict)
        known.last = " ".join([f"{count_of(job.result['scored'], 'night')} scored.", *job.result["failed"]])

    practice.worker.ask(
        "score",
        f"scoring {count_of(len(due), 'night')}",
        done=keep,
        file=str(practice.study_file),
        nights=tuple(row.id for row in due),
    )
    return Done(at="score")


def cancel(practice: Practice, _: Fields) -> Done:
    """End what is being done."""
    practice.worker.cancel()
    return Done("cancelled; what was written before is whole")


def compare(practice: Practice, _: Fields) -> Done:
    """Compare the conditions."""
    study = practice.study
    if len({row.condition for row in practice.rows(study) if row.scored}) < 2:
        raise UsageError("there is nothing to compare yet: score nights under two conditions first")
    state = practice.archive_stamp(practice.rows(study))

    known = practice.known  # of this study, whichever is open when the job is done

    def keep(job: Job) -> None:
        known.compared = (state, job.result)

    finish_reviews(practice)
    practice.worker.ask("compare", "comparing the conditions", done=keep, file=str(practice.study_file))
    return Done()


def finish_reviews(practice: Practice, rows: Sequence[NightRow] | None = None) -> None:
    """Have the reviewed reports written where a reader has decided something since."""
    rows = practice.rows(practice.study) if rows is None else rows
    archives = tuple(str(row.archive) for row in rows if row.scored and not row.written)
    if archives and not practice.worker.busy("reviewed"):
        practice.worker.ask("reviewed", "writing the reviewed reports", archives=archives)


def save_letter(practice: Practice, fields: Fields) -> Done:
    """Write the letter's fields next to the study file, and have the preview made."""
    from sleepbrux.report.letter import fields_text, load_fields
    from sleepbrux.report.letter.fields import ABOUT

    entered = dict(practice.letter_fields()) | {
        k: v.replace("\r\n", "\n") for k, v in fields.items() if k in ABOUT
    }
    made = load_fields(None, tuple(f"{name}={text}" for name, text in entered.items()))
    path = practice.study_file.with_name(LETTER_FIELDS)
    if made != load_fields(path if path.is_file() else None):
        with practice.changing("letter: " + ", ".join(k for k in fields if k in ABOUT), path):
            write_text(path, fields_text(made))
    return preview(practice, fields)


def preview(practice: Practice, _: Fields) -> Done:
    """Have the letter made anew for the preview."""
    state = letter_stamp(practice)

    known = practice.known  # of this study, whichever is open when the job is done

    def keep(job: Job) -> None:
        known.letter = (state, job.result)

    finish_reviews(practice)
    practice.worker.ask("letter", "setting the letter", done=keep, **_letter_given(practice))
    return Done()


def _letter_given(practice: Practice) -> dict[str, Any]:
    rows = practice.rows(practice.study)
    return {
        "file": str(practice.study_file),
        "fields": dict(practice.letter_fields()),
        "stamp": repr(practice.archive_stamp(rows)),
    }


def letter_stamp(practice: Practice) -> object:
    """The state of all that a letter is written from."""
    rows = practice.rows(practice.study)
    return (practice.archive_stamp(rows), stamp(practice.study_file.with_name(LETTER_FIELDS)))


def write_letter(practice: Practice, _: Fields) -> Done:
    """Write the letter as PDF and HTML next to the study file."""
    practice.worker.ask("write_letter", "writing the letter", **_letter_given(practice))
    return Done()


def write_sheets(practice: Practice, _: Fields) -> Done:
    """Write the sheets for chair and patient."""
    practice.worker.ask("sheets", "setting the sheets", file=str(practice.study_file))
    return Done()


def export(practice: Practice, fields: Fields) -> Done:
    """Write files for other programs."""
    kinds = tuple(kind for kind in KINDS if fields.get(kind) == "yes")
    archives = tuple(str(row.archive) for row in practice.rows(practice.study) if row.scored)
    if not archives or not kinds:
        raise UsageError("choose kinds of files, and score a night first")
    practice.worker.ask(
        "export",
        "writing files for other programs",
        file=str(practice.study_file),
        archives=archives,
        kinds=kinds,
    )
    return Done()


def undo(practice: Practice, _: Fields) -> Done:
    """Take the last change back."""
    return Done(f"taken back: {practice.take_back()}")


def open_path(practice: Practice, folder: Path) -> None:
    """Show a folder that a second start names: its study, or what is in it."""
    if not folder.is_dir():
        raise StudyError(f"{folder.name}: there is no such folder")
    if (folder / STUDY_NAME).is_file():
        practice.open(folder / STUDY_NAME)
    else:
        practice.close()
        practice.folder = folder


ACTIONS: dict[str, Callable[[Practice, Fields], Done]] = {
    "folder": to_folder,
    "up": up,
    "open": open_here,
    "leave": leave_study,
    "start": start_study,
    "night": set_night,
    "study": set_study,
    "letter-study": set_letter,
    "add": add_new,
    "aside": aside,
    "look": look_again,
    "clenches": find_clenches,
    "accept": accept_clenches,
    "score": score,
    "cancel": cancel,
    "compare": compare,
    "letter": save_letter,
    "preview": preview,
    "write-letter": write_letter,
    "sheets": write_sheets,
    "export": export,
    "plan": trials.plan,
    "clench-test": trials.compare_clenches,
    "sample": trials.sample,
    "undo": undo,
}
