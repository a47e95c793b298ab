"""What a study file still lacks, read from the file and the headers of its recordings."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from fractions import Fraction
from pathlib import Path
from typing import Literal, get_args

from sleepbrux.core.errors import ReferenceLevelError, SleepbruxError, StudyError
from sleepbrux.core.spans import Grid
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.candidates import candidate
from sleepbrux.recording.files import twin_of
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import NATURAL, cues_of, load_proposal
from sleepbrux.study.condition_names import alike, means_none
from sleepbrux.study.file import FILL_IN, NO_APPLIANCE, OWN, Study, StudyNight
from sleepbrux.study.files import find_file, study_hints, twin_text
from sleepbrux.study.persons import CODE, name_like, of_other_persons, other_person_text, person_words
from sleepbrux.study.wear import worn

MOST_NAMED = 4
Severity = Literal["missing", "question", "limit", "note"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)


@dataclass(frozen=True)
class StudyFinding:
    """One thing that a study file lacks.

    Attributes
    ----------
    severity
        ``"missing"`` where a night cannot be scored or compared as the study means it, ``"question"`` where
        the file may not say what is meant, ``"limit"`` where a result is affected, else ``"note"``.
    where
        Field, as a path.
    text
        What is lacking and what to do.
    look_at
        Recording whose clenches are to be looked for; empty for none.
    detail
        What differs from entry to entry in the same finding; empty for none.
    """

    severity: Severity
    where: str
    text: str
    look_at: str = ""
    detail: str = ""

    @property
    def whole(self) -> str:
        """Text with its detail."""
        return f"{self.text}: {self.detail}" if self.detail else self.text


def check(study: Study, folder: Path) -> list[StudyFinding]:
    """What a study lacks, read from the file and the headers of its recordings; no signal is read."""
    found = list(_study_findings(study))
    kinds: dict[str, set[bool]] = {}
    for k, reference in enumerate(study.reference):
        where = f"reference[{k}] ({reference.id})"
        if reference.placement == "not stated":
            found.append(
                StudyFinding(
                    "note",
                    f"{where}.placement",
                    "not stated; say whether the electrodes were those of the nights",
                )
            )
        if reference.date is None:
            found.append(StudyFinding("note", f"{where}.date", "not given"))
        if reference.recording:
            found += _reference_findings(study, folder, k)
    seen: dict[str, str] = {}
    for k, night in enumerate(study.night):
        where = f"night[{k}] ({night.id})"
        if not night.recording:
            found += _planned(night, where)
            continue
        if night.recording in seen:
            found.append(
                StudyFinding(
                    "missing",
                    f"{where}.recording",
                    f"{night.recording!r} belongs to {seen[night.recording]} too",
                )
            )
        seen.setdefault(night.recording, night.id)
        kinds.setdefault(night.condition, set()).add(night.reference == OWN)
        found += _night_findings(study, night, folder, where)
    if len(set().union(*kinds.values())) > 1:
        found.append(
            StudyFinding(
                "limit",
                "night[].reference",
                "some nights are scored against their own "
                "clenches and some against the chair's: they cannot be compared",
            )
        )
    found += [*_twins(study, folder), *_named(study, folder)]
    found += [
        StudyFinding("question", f"recording of {id_}", other_person_text(name, usual))
        for id_, name, usual in of_other_persons(study, folder)
    ]
    if len(study.recorded) < len(study.night):
        found += _unnamed(study, folder)
    return found


def _named(study: Study, folder: Path) -> Iterator[StudyFinding]:
    """Whether the code of the person is in the headers of the recordings as a name is."""
    recordings = [n.recording for n in study.recorded] + [r.recording for r in study.reference if r.recording]
    words = [person_words(folder / name) for name in recordings]
    if CODE.fullmatch(study.pseudonym) and (why := name_like(study.pseudonym, words)):
        yield StudyFinding("question", "pseudonym", why)


def _twins(study: Study, folder: Path) -> Iterator[StudyFinding]:
    """Recordings that are there twice under two names."""
    seen: list[Path] = []
    for k, night in enumerate(study.night):
        path = folder / night.recording
        if night.recording and (twin := twin_of(path, seen)):
            where = f"night[{k}] ({night.id}).recording"
            yield StudyFinding("missing", where, twin_text(night.recording, twin.name))
        seen.append(path)


def _planned(night: StudyNight, where: str) -> Iterator[StudyFinding]:
    """What a night lacks that is still to be recorded."""
    if night.condition == FILL_IN:
        yield StudyFinding("missing", f"{where}.condition", "still to be filled in")
    yield StudyFinding("note", f"{where}.recording", "not recorded yet")


def unnamed(study: Study, folder: Path) -> list[str]:
    """Recordings that lie in the folder and that no entry names."""
    used = {n.recording for n in study.night} | {r.recording for r in study.reference}
    used |= {name for n in study.night for name in (n.stages, n.sound, n.marks)}
    hints = study_hints(study)
    return [
        path.name
        for path in (sorted(folder.iterdir()) if folder.is_dir() else ())
        if path.name not in used and path.is_file() and candidate(path, hints).verdict == "recording"
    ]


def _unnamed(study: Study, folder: Path) -> Iterator[StudyFinding]:
    """Recordings that lie in the folder while nights are still without one."""
    if names := unnamed(study, folder):
        yield StudyFinding(
            "note",
            "night[].recording",
            f"recordings in this folder that no entry names: {', '.join(names)}",
        )


def told(findings: Sequence[StudyFinding]) -> list[StudyFinding]:
    """Findings in the order of what they do to a result; the same word about several entries once."""
    groups: dict[tuple[Severity, str, str, str], list[StudyFinding]] = {}
    for one in findings:
        entry = _ENTRY.fullmatch(one.where)
        kind, field = (entry["kind"], entry["field"] or "") if entry else ("", one.where)
        groups.setdefault((one.severity, kind, field, one.text), []).append(one)
    merged = [
        group[0]
        if len(group) == 1
        else StudyFinding(
            severity,
            f"{kind}s {_ids(group, severity)}: {field.lstrip('.')}",
            text,
            group[0].look_at,
            ", ".join(one.detail for one in group if one.detail),
        )
        for (severity, kind, field, text), group in groups.items()
    ]
    return sorted(merged, key=lambda one: SEVERITIES.index(one.severity))


_ENTRY = re.compile(r"(?P<kind>night|reference)\[\d+\] \((?P<id>.*?)\)(?P<field>\..*)?")


def _ids(group: Sequence[StudyFinding], severity: Severity) -> str:
    """The entries of a group; where nothing has to be mended, the first of many."""
    found = [entry["id"] for one in group if (entry := _ENTRY.fullmatch(one.where))]
    if severity in ("limit", "note") and len(found) > MOST_NAMED:
        return f"{', '.join(found[:MOST_NAMED])} and {len(found) - MOST_NAMED} more"
    return ", ".join(found)


def name_questions(study: Study) -> Iterator[StudyFinding]:
    """Names of conditions that may not say what is meant; none where the study lists them."""
    if study.conditions:
        return
    names = [n for n in dict.fromkeys(n.condition for n in study.night) if n != FILL_IN]
    for name in filter(means_none, names):
        yield StudyFinding(
            "question",
            "night[].condition",
            f"{name!r} reads like no appliance, and counts as an "
            f'appliance of that name; write condition = "{NO_APPLIANCE}", or list the name in '
            "conditions = [...] if it is one",
        )
    groups: list[list[str]] = []
    for name in (n for n in names if n != NO_APPLIANCE and not means_none(n)):
        near = next((g for g in groups if any(alike(name, other) for other in g)), None)
        if near is None:
            groups.append([name])
        else:
            near.append(name)
    for group in (g for g in groups if len(g) > 1):
        yield StudyFinding(
            "question",
            "night[].condition",
            f"{', '.join(map(repr, group))} look like names "
            "of one appliance, and count as different ones; write one name, or list them in "
            "conditions = [...] if they differ",
        )


def _study_findings(study: Study) -> Iterator[StudyFinding]:
    if study.pseudonym == FILL_IN:
        yield StudyFinding("missing", "pseudonym", "still to be filled in")
    try:
        load_criterion(study.criterion)
    except SleepbruxError as error:
        yield StudyFinding("missing", "criterion", str(error))
    yield from name_questions(study)
    conditions = {n.condition for n in study.night} - {FILL_IN}
    asked = study.baseline == NO_APPLIANCE and any(map(means_none, conditions - set(study.conditions)))
    if study.baseline not in conditions and len(conditions) > 1 and not asked:
        yield StudyFinding(
            "question",
            "baseline",
            f"no night has the condition {study.baseline!r}, with which "
            f"the others would be compared; there are {', '.join(sorted(conditions))}",
        )


def _opened(study: Study, folder: Path, name: str, where: str) -> tuple[Recording | None, list[StudyFinding]]:
    if not (folder / name).is_file():
        text = "not next to the study file"
        return None, [StudyFinding("missing", f"{where}.recording", text, detail=name)]
    try:
        path = find_file(folder, name, where)
        recording = open_recording(path, study_hints(study))
    except SleepbruxError as error:
        return None, [StudyFinding("missing", f"{where}.recording", str(error))]
    known = {c.label for c in recording.channels}
    lost = [label for label in study.channels if label not in known]
    if lost:
        return recording, [
            StudyFinding(
                "missing",
                f"{where}.recording",
                f"{name} has no channel {lost[0]!r}; there are " + ", ".join(sorted(known)),
            )
        ]
    return recording, []


def _clench_findings(recording: Recording, path: Path, where: str, teeth: str) -> list[StudyFinding]:
    """Whether the clenches of a recording can be found, without reading its signal."""
    try:
        proposal = load_proposal(path)
    except ReferenceLevelError as error:
        return [StudyFinding("missing", f"{where}.recording", str(error))]
    cues = cues_of(recording.marks, proposal, teeth=teeth)
    if cues is None:
        return [
            StudyFinding(
                "missing",
                f"{where}.reference",
                f"no two clenches with {teeth} are marked in "
                f"{path.name}; look for them with sleepbrux reference, and accept what it finds",
                path.name,
            )
        ]
    if not cues.confirmed:
        return [
            StudyFinding(
                "missing",
                f"{where}.reference",
                "the clenches were detected automatically and are not "
                f"confirmed; look at them with sleepbrux reference {path.name}, and accept them",
                path.name,
            )
        ]
    return []


def _reference_findings(study: Study, folder: Path, k: int) -> list[StudyFinding]:
    reference = study.reference[k]
    where = f"reference[{k}] ({reference.id})"
    recording, found = _opened(study, folder, reference.recording, where)
    if recording is None:
        return found
    teeth = NATURAL if reference.natural else reference.teeth
    return found + _clench_findings(recording, folder / reference.recording, where, teeth)


def _night_findings(study: Study, night: StudyNight, folder: Path, where: str) -> list[StudyFinding]:
    found = _entry_findings(night, where)
    recording, more = _opened(study, folder, night.recording, where)
    found += more
    if recording is None:
        return found
    if night.reference == OWN:
        found += _clench_findings(recording, folder / night.recording, where, NATURAL)
    return found + _recording_findings(night, recording, where)


def _entry_findings(night: StudyNight, where: str) -> list[StudyFinding]:
    """What an entry lacks by itself."""
    found = []
    if night.condition == FILL_IN:
        found.append(StudyFinding("missing", f"{where}.condition", "still to be filled in"))
    elif night.condition != NO_APPLIANCE:
        if night.appliance_in is None or night.appliance_out is None:
            found.append(
                StudyFinding(
                    "limit",
                    f"{where}.appliance_in, appliance_out",
                    "time missing: assumed worn",
                )
            )
        if night.days_since_first_worn is None:
            found.append(
                StudyFinding(
                    "note",
                    f"{where}.days_since_first_worn",
                    "not given; the first days with an appliance differ from later ones",
                )
            )
    elif night.appliance_in or night.appliance_out:
        found.append(StudyFinding("missing", f"{where}.appliance_in", "given, but the condition is none"))
    if bool(night.lights_off) != bool(night.lights_on):
        found.append(StudyFinding("missing", f"{where}.lights_off, lights_on", "one without the other"))
    empty = [name for name in ("morning_jaw_pain", "morning_headache") if getattr(night, name) is None]
    if empty:
        found.append(StudyFinding("note", f"{where}.{', '.join(empty)}", "not given"))
    return found


def _recording_findings(night: StudyNight, recording: Recording, where: str) -> list[StudyFinding]:
    """Whether an entry and its recording agree."""
    found = []
    kinds = {classify(m.text) for m in recording.marks}
    if night.lights_off is None and not {"lights_off", "lights_on"} <= kinds:
        found.append(
            StudyFinding(
                "missing",
                f"{where}.lights_off, lights_on",
                "neither given nor both marked in the recording: time awake would count",
            )
        )
    if night.date is None:
        found.append(
            StudyFinding("limit", f"{where}.date", "not given: nights are taken in the order of the file")
        )
    elif recording.start is not None:
        days = {recording.start.date(), recording.start.date() - timedelta(days=1)}
        if night.date not in days:
            found.append(
                StudyFinding(
                    "missing",
                    f"{where}.date",
                    f"{night.date}, but {night.recording} starts on "
                    f"{recording.start:%Y-%m-%d}: is it the right file?",
                )
            )
    try:
        grid = Grid(Fraction(1), max(round(recording.duration_s), 1))
        worn(night, grid.all(), recording.start_clock)
    except StudyError as error:
        found.append(StudyFinding("missing", f"{where}.appliance_in, appliance_out", str(error)))
    return found
