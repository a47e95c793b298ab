"""A study file drafted from a folder of recordings."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from sleepbrux.core.errors import SleepbruxError, StudyError
from sleepbrux.core.texts import file_name
from sleepbrux.recording.candidates import candidate
from sleepbrux.recording.files import twin_of
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import NATURAL, teeth_of
from sleepbrux.study.file import FILL_IN, OWN, PLANNED_NIGHTS, Study
from sleepbrux.study.files import find_file, study_hints, twin_text

NIGHT_S = 5400.0
LETTER_FIELDS = """\
# [letter]                         # what every letter repeats, as it is written here
# dates = true                     # give the days of the nights
# sex = ""
# recorder = ""                    # electrodes, filters too: how it was recorded
# dental_findings = ""             # pain, awake_clenching, caffeine, alcohol too
# [dataset]                        # what a data set for other researchers says
# authors = ["A. Author"]          # license, manufacturer, placement, reference, power_line_hz too"""
# [letter]                         # what every letter repeats, as it is written here
# dates = true                     # give the days of the nights
# sex = ""
# recorder = ""                    # electrodes, filters too: how it was recorded
# dental_findings = ""             # pain, awake_clenching, caffeine, alcohol too
# [dataset]                        # what a data set for other researchers says
# authors = ["A. Author"]          # license, manufacturer, placement, reference, power_line_hz too"""
NIGHT_FIELDS = """\
# appliance_in = 22:55:00      # clock times of insertion and removal
# appliance_out = 06:40:00
# days_since_first_worn = 0
# setting_mm = 0.0             # or setting_pct
# lights_off = 23:05:00        # where no mark says it; both or neither
# lights_on = 06:35:00
# morning_jaw_pain = 0         # 0–10; morning_headache, perceived_sleep too
# alcohol = ""                 # caffeine, medication, breathing_device, electrode_note, note too"""


@dataclass(frozen=True)
class StudyDraft:
    """A drafted study file, and the files of the folder that are not in it, with the reason.

    ``nights`` have a recording; ``planned`` ones are still to be made.
    """

    text: str
    nights: int
    references: int
    left_out: tuple[str, ...]
    planned: int = 0


def _is_night(recording: Recording) -> bool:
    kinds = {classify(m.text) for m in recording.marks}
    return recording.duration_s >= NIGHT_S or bool(kinds & {"lights_off", "lights_on"})


def _recordings(folder: Path) -> tuple[list[tuple[str, Recording]], list[str]]:
    """Recordings of a folder, and what was left out."""
    found: list[tuple[str, Recording]] = []
    left_out = []
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
        if twin := twin_of(path, [folder / name for name, _ in found]):
            left_out.append(twin_text(path.name, twin.name))
            continue
        try:
            found.append((path.name, open_recording(path)))
        except SleepbruxError as error:
            left_out.append(f"{path.name}: {error}")
    return found, left_out


def _reference_lines(id_: str, name: str, recording: Recording) -> list[str]:
    """The entry of a chair recording."""
    clenches = [m for m in recording.marks if classify(m.text) == "clench"]
    said = {teeth_of(m.text) for m in clenches}
    teeth = "natural" if NATURAL in said or len(said) != 1 else said.pop()
    lines = [
        "",
        "[[reference]]",
        f"id = {json.dumps(id_)}",
        f"recording = {json.dumps(name, ensure_ascii=False)}",
        f"teeth = {json.dumps(teeth, ensure_ascii=False)}  # or the appliance that was in",
        'placement = "other placement"   # electrodes of the chair, not of the night',
    ]
    if recording.start:
        lines.append(f"date = {recording.start:%Y-%m-%d}")
    if not clenches:
        lines.append("# no mark names a clench: run sleepbrux reference on this recording first")
    return lines


def _night_lines(id_: str, name: str, recording: Recording, chair: str) -> list[str]:
    """The entry of a night, scored against a chair recording where it has no clenches of its own."""
    own = len([m for m in recording.marks if classify(m.text) == "clench"]) > 1
    lines = [
        "",
        "[[night]]",
        f"id = {json.dumps(id_)}",
        f"recording = {json.dumps(name, ensure_ascii=False)}",
    ]
    if recording.start:
        lines.append(f"date = {recording.start:%Y-%m-%d}")
    lines.append(f'condition = "{FILL_IN}"           # "none", or the appliance that was worn')
    kind = OWN if own or not chair else chair
    why = "clenches marked in the night" if own else "no mark names a clench in this night"
    return [*lines, f"reference = {json.dumps(kind)}             # {why}", NIGHT_FIELDS]


def _in_order(found: list[tuple[str, Recording]]) -> list[tuple[str, Recording]]:
    """Recordings by their start, then by name."""
    return sorted(found, key=lambda pair: (str(pair[1].start or ""), pair[0]))


def added(study: Study, folder: Path, names: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """Entries for further recordings of a study, to stand at the end of its file, and what was left out.

    Raises
    ------
    StudyError
        The study names one already.
    """
    known = {n.recording for n in study.night} | {r.recording for r in study.reference}
    for name in names:
        if name in known:
            raise StudyError(f"{name}: the study names it already")
    hints = study_hints(study)
    opened: list[tuple[str, Recording]] = []
    left_out = []
    for name in names:
        taken = [folder / other for other in (*sorted(known), *(other for other, _ in opened)) if other]
        if twin := twin_of(folder / name, taken):
            left_out.append(twin_text(name, twin.name))
            continue
        try:
            opened.append((name, open_recording(find_file(folder, name, name), hints)))
        except SleepbruxError as error:
            text = str(error)
            left_out.append(text if text.startswith(name) else f"{name}: {text}")
    found = _in_order(opened)
    lines: list[str] = []
    ids = {n.id for n in study.night} | {r.id for r in study.reference}
    chair = next((r.id for r in study.reference if r.natural), "")
    for name, recording in (pair for pair in found if not _is_night(pair[1])):
        id_ = _free("chair-{}", ids)
        lines += _reference_lines(id_, name, recording)
        chair = chair or id_
    for name, recording in (pair for pair in found if _is_night(pair[1])):
        lines += _night_lines(_free("night-{:02d}", ids), name, recording, chair)
    return "\n".join(lines) + "\n" if lines else "", tuple(left_out)


def _free(form: str, ids: set[str]) -> str:
    """The first id of a form that no entry has; it is one from now on."""
    id_ = next(name for k in count(1) if (name := form.format(k)) not in ids)
    ids.add(id_)
    return id_


def draft(folder: Path, *, conditions: Sequence[str] = (), nights: int = PLANNED_NIGHTS) -> StudyDraft:
    """Draft a study file from the recordings in a folder; nothing of a header's identity is taken.

    Where no recording of a night is there, nights are planned.

    Parameters
    ----------
    conditions
        Names of what will be worn; without them each night is to be filled in.
    nights
        Planned nights under each condition; as many in all without conditions.
    """
    found, left_out = _recordings(folder)
    found = _in_order(found)
    recorded = [(name, r) for name, r in found if _is_night(r)]
    chair = [(name, r) for name, r in found if not _is_night(r)]
    names = ", ".join(json.dumps(c, ensure_ascii=False) for c in conditions)
    lines = [
        f"# A study: one person. Replace each {FILL_IN}; lines that begin with # are optional.",
        f'pseudonym = "{FILL_IN}"           # no name, no hospital number',
        f'study_id = "{secrets.token_hex(4)}"          # tells two studies of one name apart: leave it as it is',
        'primary_outcome = "episodes_per_hour"  # chosen before the nights are scored',
        'criterion = "phasic_tonic_10mvc"',
        f"conditions = [{names}]"
        if names
        else '# conditions = ["none"]            # every name once, as it is meant; "none": no appliance',
        '# baseline = "none"',
        '# age_years = 45                  # with sex = "female" or "male": read where a night has an ECG',
        '# order = "as it came"             # planned phases, randomised nights, randomised blocks',
        "",
        LETTER_FIELDS,
    ]
    for k, (name, recording) in enumerate(chair, start=1):
        lines += _reference_lines(f"chair-{k}", name, recording)
    for k, (name, recording) in enumerate(recorded, start=1):
        lines += _night_lines(f"night-{k:02d}", name, recording, "chair-1" if chair else "")
    planned = [] if recorded else list(conditions or [FILL_IN]) * nights
    for k, condition in enumerate(planned, start=1):
        lines += [
            "",
            "[[night]]",
            f'id = "night-{k:02d}"',
            'recording = ""                  # name of the file, once it lies in this folder',
            f"condition = {json.dumps(condition, ensure_ascii=False)}           # what is worn",
            'reference = "own"               # three clenches before sleep, each night',
            NIGHT_FIELDS,
        ]
    return StudyDraft("\n".join(lines) + "\n", len(recorded), len(chair), tuple(left_out), len(planned))
