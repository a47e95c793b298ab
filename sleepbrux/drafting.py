"""A study file drafted from a folder of recordings, and what a study file still lacks."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from fractions import Fraction
from pathlib import Path
from typing import Literal

from sleepbrux.calibration import NATURAL, cues_of, load_proposal, teeth_of
from sleepbrux.criteria import load_criterion
from sleepbrux.errors import ReferenceLevelError, SleepbruxError, StudyError
from sleepbrux.recording.candidates import candidate
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.scoring import find_file, study_hints
from sleepbrux.spans import Grid
from sleepbrux.study import NO_APPLIANCE, OWN, Study, StudyNight
from sleepbrux.texts import file_name
from sleepbrux.wear import worn

NIGHT_S = 5400.0
FILL_IN = "FILL IN"
Severity = Literal["missing", "note"]

NIGHT_FIELDS = """\
# appliance_in = 22:55:00      # clock times of insertion and removal
# appliance_out = 06:40:00
# days_since_first_worn = 0
# setting_mm = 0.0             # or setting_pct
# lights_off = 23:05:00        # where no mark says it; both or neither
# lights_on = 06:35:00
# morning_jaw_pain = 0         # 0-10; morning_headache, perceived_sleep too
# alcohol = ""                 # caffeine, medication, breathing_device, electrode_note, note too"""


@dataclass(frozen=True)
class Finding:
    """One thing that a study file lacks.

    Attributes
    ----------
    severity
        ``"missing"`` where a night cannot be scored or compared as the study means it, else ``"note"``.
    where
        Field, as a path.
    text
        What is lacking and what to do.
    """

    severity: Severity
    where: str
    text: str


@dataclass(frozen=True)
class Draft:
    """A drafted study file, and the files of the folder that are not in it, with the reason."""

    text: str
    nights: int
    references: int
    left_out: tuple[str, ...]


def _is_night(recording: Recording) -> bool:
    kinds = {classify(m.text) for m in recording.marks}
    return recording.duration_s >= NIGHT_S or bool(kinds & {"lights_off", "lights_on"})


def _recordings(folder: Path) -> tuple[list[tuple[str, Recording]], list[str]]:
    """Recordings of a folder, and what was left out."""
    found, left_out = [], []
    for path in sorted(folder.iterdir()):
        seen = candidate(path)
        if seen.verdict == "other":
            left_out.append(f"{file_name(path)}: {seen.reason}")
        if seen.verdict != "recording":
            continue
        if file_name(path) != path.name:
            left_out.append(
                f"{file_name(path)}: its name has characters that no study file can hold; rename it"
            )
            continue
        try:
            found.append((path.name, open_recording(path)))
        except SleepbruxError as error:
            left_out.append(f"{path.name}: {error}")
    return found, left_out


def draft(folder: Path) -> Draft:
    """Draft a study file from the recordings in a folder; nothing of a header's identity is taken.

    Raises
    ------
    StudyError
        No recording of a night.
    """
    found, left_out = _recordings(folder)
    found.sort(key=lambda pair: (str(pair[1].start or ""), pair[0]))
    nights = [(name, r) for name, r in found if _is_night(r)]
    chair = [(name, r) for name, r in found if not _is_night(r)]
    if not nights:
        raise StudyError(
            f"{folder.name or folder}: no recording of {NIGHT_S / 3600:g} h or more, or with lights marks, "
            "was found; name the folder that holds the nights"
        )
    lines = [
        "# A study: one person. Drafted by the program: every FILL IN wants a word, every # may be used.",
        f'pseudonym = "{FILL_IN}"           # no name, no hospital number',
        'primary_outcome = "episodes_per_hour"  # chosen before the nights are scored',
        'criterion = "phasic_tonic_10mvc"',
        '# baseline = "none"',
        '# order = "as it came"             # planned phases, randomised nights, randomised blocks',
    ]
    for k, (name, recording) in enumerate(chair, start=1):
        clenches = [m for m in recording.marks if classify(m.text) == "clench"]
        said = {teeth_of(m.text) for m in clenches}
        teeth = "natural" if NATURAL in said or len(said) != 1 else said.pop()
        lines += ["", "[[reference]]", f'id = "chair-{k}"', f"recording = {json.dumps(name)}",
                  f"teeth = {json.dumps(teeth, ensure_ascii=False)}  # or the appliance that was in",
                  'placement = "other placement"   # electrodes of the chair, not of the night']  # fmt: skip
        if recording.start:
            lines.append(f"date = {recording.start:%Y-%m-%d}")
        if not clenches:
            lines.append(
                "# no mark names a clench: run sleepbrux reference on this recording first"
            )
    for k, (name, recording) in enumerate(nights, start=1):
        own = len([m for m in recording.marks if classify(m.text) == "clench"]) > 1
        lines += ["", "[[night]]", f'id = "night-{k:02d}"',
                  f"recording = {json.dumps(name, ensure_ascii=False)}"]  # fmt: skip
        if recording.start:
            lines.append(f"date = {recording.start:%Y-%m-%d}")
        lines.append(f'condition = "{FILL_IN}"           # "none", or the appliance that was worn')
        kind = OWN if own or not chair else "chair-1"
        why = "clenches marked in the night" if own else "no mark names a clench in this night"
        lines += [f'reference = "{kind}"             # {why}', NIGHT_FIELDS]
    return Draft("\n".join(lines) + "\n", len(nights), len(chair), tuple(left_out))


def check(study: Study, folder: Path) -> list[Finding]:
    """What a study lacks, read from the file and the headers of its recordings; no signal is read."""
    found = list(_study_findings(study))
    kinds: dict[str, set[bool]] = {}
    for k, reference in enumerate(study.reference):
        where = f"reference[{k}] ({reference.id})"
        if reference.placement == "not stated":
            found.append(Finding("note", f"{where}.placement", "not stated; say whether the electrodes were "
                                 "those of the nights"))  # fmt: skip
        if reference.date is None:
            found.append(Finding("note", f"{where}.date", "not given"))
        if reference.recording:
            found += _reference_findings(study, folder, k)
    seen: dict[str, str] = {}
    for k, night in enumerate(study.night):
        where = f"night[{k}] ({night.id})"
        if night.recording in seen:
            found.append(Finding("missing", f"{where}.recording",
                                 f"{night.recording!r} belongs to {seen[night.recording]} too"))  # fmt: skip
        seen.setdefault(night.recording, night.id)
        kinds.setdefault(night.condition, set()).add(night.reference == OWN)
        found += _night_findings(study, night, folder, where)
    if len(set().union(*kinds.values())) > 1:
        found.append(Finding("note", "night[].reference", "some nights stand on their own clenches and some "
                             "on the chair's: such conditions cannot be compared"))  # fmt: skip
    return found


def _study_findings(study: Study) -> Iterator[Finding]:
    if study.pseudonym == FILL_IN:
        yield Finding("missing", "pseudonym", "still to be filled in")
    try:
        load_criterion(study.criterion)
    except SleepbruxError as error:
        yield Finding("missing", "criterion", str(error))
    conditions = {n.condition for n in study.night}
    if study.baseline not in conditions and len(conditions) > 1:
        yield Finding("note", "baseline", f"no night has the condition {study.baseline!r}, with which the "
                      f"others would be compared; there are {', '.join(sorted(conditions))}")  # fmt: skip


def _opened(
    study: Study, folder: Path, name: str, where: str
) -> tuple[Recording | None, list[Finding]]:
    try:
        path = find_file(folder, name, where)
        recording = open_recording(path, study_hints(study))
    except SleepbruxError as error:
        return None, [Finding("missing", f"{where}.recording", str(error))]
    known = {c.label for c in recording.channels}
    lost = [label for label in study.channels if label not in known]
    if lost:
        return recording, [
            Finding("missing", f"{where}.recording", f"{name} has no channel {lost[0]!r}; there are "
                    + ", ".join(sorted(known)))
        ]  # fmt: skip
    return recording, []


def _clench_findings(recording: Recording, path: Path, where: str, teeth: str) -> list[Finding]:
    """Whether the clenches of a recording can be found, without reading its signal."""
    try:
        proposal = load_proposal(path)
    except ReferenceLevelError as error:
        return [Finding("missing", f"{where}.recording", str(error))]
    cues = cues_of(recording.marks, proposal, teeth=teeth)
    if cues is None:
        return [
            Finding("missing", f"{where}.reference", f"no two clenches with {teeth} are marked in "
                    f"{path.name}; run sleepbrux reference {path.name}, and accept what it finds")
        ]  # fmt: skip
    if not cues.confirmed:
        return [
            Finding("missing", f"{where}.reference", "the clenches were found by the program and nobody has "
                    f"accepted them; look at them: sleepbrux reference {path.name} --accept-by NAME")
        ]  # fmt: skip
    return []


def _reference_findings(study: Study, folder: Path, k: int) -> list[Finding]:
    reference = study.reference[k]
    where = f"reference[{k}] ({reference.id})"
    recording, found = _opened(study, folder, reference.recording, where)
    if recording is None:
        return found
    teeth = NATURAL if reference.natural else reference.teeth
    return found + _clench_findings(recording, folder / reference.recording, where, teeth)


def _night_findings(study: Study, night: StudyNight, folder: Path, where: str) -> list[Finding]:
    found = _entry_findings(night, where)
    recording, more = _opened(study, folder, night.recording, where)
    found += more
    if recording is None:
        return found
    if night.reference == OWN:
        found += _clench_findings(recording, folder / night.recording, where, NATURAL)
    return found + _recording_findings(night, recording, where)


def _entry_findings(night: StudyNight, where: str) -> list[Finding]:
    """What an entry lacks by itself."""
    found = []
    if night.condition == FILL_IN:
        found.append(Finding("missing", f"{where}.condition", "still to be filled in"))
    elif night.condition != NO_APPLIANCE:
        if night.appliance_in is None or night.appliance_out is None:
            found.append(Finding("note", f"{where}.appliance_in, appliance_out", "not both given: the "
                                 "appliance counts as worn where a time is missing"))  # fmt: skip
        if night.days_since_first_worn is None:
            found.append(Finding("note", f"{where}.days_since_first_worn", "not given; the first days with "
                                 "an appliance differ from later ones"))  # fmt: skip
    elif night.appliance_in or night.appliance_out:
        found.append(
            Finding("missing", f"{where}.appliance_in", "given, but the condition is none")
        )
    if bool(night.lights_off) != bool(night.lights_on):
        found.append(Finding("missing", f"{where}.lights_off, lights_on", "one without the other"))
    empty = [
        name for name in ("morning_jaw_pain", "morning_headache") if getattr(night, name) is None
    ]
    if empty:
        found.append(Finding("note", f"{where}.{', '.join(empty)}", "not given"))
    return found


def _recording_findings(night: StudyNight, recording: Recording, where: str) -> list[Finding]:
    """Whether an entry and its recording agree."""
    found = []
    kinds = {classify(m.text) for m in recording.marks}
    if night.lights_off is None and not {"lights_off", "lights_on"} <= kinds:
        found.append(Finding("missing", f"{where}.lights_off, lights_on", "neither given nor both marked in "
                             "the recording: time awake would count"))  # fmt: skip
    if night.date is None:
        found.append(Finding("note", f"{where}.date", "not given"))
    elif recording.start is not None:
        days = {recording.start.date(), recording.start.date() - timedelta(days=1)}
        if night.date not in days:
            found.append(Finding("missing", f"{where}.date", f"{night.date}, but {night.recording} starts on "
                                 f"{recording.start:%Y-%m-%d}: is it the right file?"))  # fmt: skip
    try:
        grid = Grid(Fraction(1), max(round(recording.duration_s), 1))
        worn(night, grid.all(), recording.start_clock)
    except StudyError as error:
        found.append(Finding("missing", f"{where}.appliance_in, appliance_out", str(error)))
    return found
