"""Files that came into the folder of a study: taken in, asked about, or not kept where they are no recording."""

from __future__ import annotations

import re
from pathlib import Path

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.texts import count_of, file_name
from sleepbrux.practice.nights import stamp
from sleepbrux.practice.state import Practice
from sleepbrux.practice.upload import OWN_ENDINGS
from sleepbrux.study.editing import add_recordings
from sleepbrux.study.file import Study

SET_ASIDE = "set aside"
# a refusal that one of these can lift: the page asks for them
ASKED = re.compile(
    r"`(rate_hz|datasets|time_unit|unit|scale|roles)`|no rate is given|those of sound|give record_duration"
)
BESIDE = {"stages": "sleep stages", "marks": "marks", "sound": "sound"}
PARTS = (".eeg", ".vmrk")  # of a BrainVision recording, whose header names them


def arrived(practice: Practice) -> None:
    """Have what is new looked at."""
    study, home = practice.study, practice.study_file.parent
    fresh = [
        n for n in study.recorded if (home / n.recording).is_file() and practice.verdict(study, n) is None
    ]
    practice.check()
    practice.look(study, tuple(fresh))


def take_in(practice: Practice) -> str:
    """Take recordings that lie in the folder into the study, where no planned night waits for one; what came of it.

    A file that was dropped and is no recording is not kept: the person has the original.
    """
    from sleepbrux.study.checking import unnamed

    study, folder = practice.study, practice.study_file.parent
    planned = any(not night.recording for night in study.night)
    names = () if planned else unnamed(study, folder)
    left_out: tuple[str, ...] = ()
    said = []
    if names:
        with practice.changing(f"added {count_of(len(names), 'recording')}", practice.study_file):
            left_out = add_recordings(practice.study_file, names)
        said.append(f"{count_of(len(names) - len(left_out), 'recording')} added to the study file.")
    whys = {name: next((t for t in left_out if t.startswith(f"{name}: ")), "") for name in names}
    for path in sorted(path for path in practice.dropped if path.parent == folder):
        why = whys.get(path.name) or _refused(practice.study, path)
        if kind := why and beside_kind(practice, path):
            whys[path.name] = ""
            said.append(f"{path.name} holds {BESIDE[kind]}: choose it on the screen of its night.")
            continue
        kept = not why or bool(ASKED.search(why))
        whys[path.name] = why if kept else ""
        if not kept:
            path.unlink(missing_ok=True)
            said.append(f"Not kept: {why}")
    practice.dropped.clear()
    said += [f"Left out: {why}" for why in whys.values() if why]
    arrived(practice)
    return " ".join(said)


def _named(study: Study) -> set[str]:
    """Files that the study names."""
    names = {n.recording for n in study.night} | {r.recording for r in study.reference}
    return names | {name for n in study.night for name in (n.stages, n.sound, n.marks)}


def strangers(study: Study, folder: Path) -> list[Path]:
    """Files of the folder that neither the study names nor this program writes; none of them is opened."""
    names = _named(study)
    return [
        path
        for path in (sorted(folder.iterdir()) if folder.is_dir() else ())
        if path.name not in names
        and not path.name.startswith(".")
        and not path.name.casefold().endswith(OWN_ENDINGS)
        and path.is_file()
    ]


def beside_kind(practice: Practice, path: Path) -> str:
    """What a file holds of a night beside a recording, a word of `BESIDE`, or nothing; looked at once."""
    from sleepbrux.recording.candidates import beside_kind

    known, state = practice.known.beside, stamp(path)
    if path.name not in known or known[path.name][0] != state:
        known[path.name] = (state, beside_kind(path))
    return known[path.name][1]


def besides(practice: Practice, study: Study) -> list[tuple[str, str]]:
    """Files of the folder that belong beside a recording and that no night names, each with its kind."""
    found = (
        (path.name, beside_kind(practice, path)) for path in strangers(study, practice.study_file.parent)
    )
    return [(name, kind) for name, kind in found if kind]


def _refused(study: Study, path: Path) -> str:
    """Why a dropped file is no recording; empty where it is one, or a part of one, or named by the study."""
    from sleepbrux.recording.candidates import candidate
    from sleepbrux.recording.opening import open_recording
    from sleepbrux.study.files import study_hints

    if not path.is_file() or path.name in _named(study):
        return ""
    if path.suffix.lower() in PARTS and list(path.parent.glob("*.[vV][hH][dD][rR]")):
        return ""
    hints = study_hints(study)
    try:
        seen = candidate(path, hints)
        if seen.verdict != "other":
            open_recording(path, hints)
            return "" if seen.verdict == "recording" else f"{file_name(path)}: no recording that is read"
    except SleepbruxError as error:
        text = str(error)
        return text if text.startswith(path.name) else f"{path.name}: {text}"
    return f"{file_name(path)}: {seen.reason}"


def waiting_files(study: Study, folder: Path) -> list[str]:
    """Files of the folder that are recordings, or could be with what a person can say, and are not in the study."""
    if not (paths := strangers(study, folder)):
        return []
    from sleepbrux.recording.candidates import candidate
    from sleepbrux.study.files import study_hints

    hints = study_hints(study)
    seen = [(path, candidate(path, hints)) for path in paths]
    asked = (path.name for path, one in seen if one.verdict == "other" and ASKED.search(one.reason))
    return [*(path.name for path, one in seen if one.verdict == "recording"), *asked]


def lacking(practice: Practice, study: Study, name: str) -> str:
    """Why a recording that waits cannot be read, if it cannot; looked at once for one state of it."""
    from sleepbrux.study.files import study_hints

    path, known = practice.study_file.parent / name, practice.known.lacks
    state = (stamp(path), study_hints(study))
    if name not in known or known[name][0] != state:
        known[name] = (state, _refused(study, path))
    return known[name][1]


def set_aside(practice: Practice, name: str) -> str:
    """Move a file that is not in the study into a folder of its own; what was done.

    Nothing is deleted: the file may be the only one.

    Raises
    ------
    UsageError
        It is not there, or the study names it.
    """
    folder = practice.study_file.parent
    if name not in waiting_files(practice.study, folder):
        raise UsageError("this file is not there any more, or the study names it; load the page again")
    aside = folder / SET_ASIDE
    aside.mkdir(exist_ok=True)
    place = aside / name
    k = 2
    while place.exists():
        place, k = aside / f"{Path(name).stem}-{k}{Path(name).suffix}", k + 1
    (folder / name).rename(place)
    return f"{file_name(Path(name))} was moved to the folder {SET_ASIDE!r}, next to the study file"
