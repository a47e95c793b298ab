"""A study file drafted from a folder of recordings, and what a study file still lacks."""

from __future__ import annotations

import json
import re
import secrets
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from difflib import SequenceMatcher
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import Literal, get_args

from sleepbrux.core.errors import ReferenceLevelError, SleepbruxError, StudyError
from sleepbrux.core.spans import Grid
from sleepbrux.core.texts import file_name
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.candidates import candidate
from sleepbrux.recording.files import twin_of
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import NATURAL, cues_of, load_proposal, teeth_of
from sleepbrux.study.file import FILL_IN, NO_APPLIANCE, OWN, Study, StudyNight
from sleepbrux.study.files import find_file, study_hints
from sleepbrux.study.persons import CODE, name_like, of_other_persons, other_person_text, person_words
from sleepbrux.study.wear import worn

NIGHT_S = 5400.0
PLANNED_NIGHTS, MOST_NAMED = 4, 4
Severity = Literal["missing", "question", "limit", "note"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
# what a name begins with, or is, that means no appliance; whole words, without accents and capitals
_NONE_FIRST = """
no non not none nothing nil without
ohne kein keine keiner keinen keines nichts nix
sans aucun aucune rien pas
sin ninguno ninguna ningun nada
senza nessuno nessuna nessun niente nulla
geen zonder niets
sem nenhum nenhuma nao
bez
"""
NONE_FIRST = frozenset(_NONE_FIRST.split())
NONE_WHOLE = {
    "na",
    "off",
    "natural",
    "natural teeth",
    "baseline",
    "control",
    "0",
    "leer",
    "kontrolle",
    "naturliche zahne",
    "dents naturelles",
    "dientes naturales",
    "denti naturali",
    "natuurlijke tanden",
    "dentes naturais",
}
ALIKE = 0.85

LETTER_FIELDS = """\
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


def twin_text(name: str, other: str) -> str:
    """What is said of a recording that is there under another name."""
    return (
        f"{name}: the same recording as {other}, byte for byte; it counts once: if it is another night, copy that "
        "night's file from the recorder"
    )


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


def _words(name: str) -> list[str]:
    """Words of a name without accents, capitals and signs."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    return re.findall(r"[^\W_]+", "".join(c for c in plain if not unicodedata.combining(c)))


def means_none(name: str) -> bool:
    """Whether a condition reads like "no appliance" and is not written so.

    Examples
    --------
    >>> [means_none(name) for name in ("None", "no splint", "-", "none", "normal splint", "pas de gouttière")]
    [True, True, True, False, False, True]
    """
    words = _words(name)
    if name == NO_APPLIANCE:
        return False
    return not words or words[0] in NONE_FIRST or bool({" ".join(words), "".join(words)} & NONE_WHOLE)


def alike(one: str, other: str) -> bool:
    """Whether two names may be spellings of one: other letters or order, or a leading word more.

    Examples
    --------
    >>> alike("night guard", "Nightguard"), alike("guard 1", "guard 2"), alike("splint", "guard")
    (True, False, False)
    >>> alike("guard", "night guard"), alike("guard", "2 guard"), alike("upper guard", "lower guard")
    (True, False, False)
    """
    a, b = _words(one), _words(other)
    if "".join(a) == "".join(b) or sorted(a) == sorted(b):
        return True
    shorter, longer = sorted((a, b), key=len)
    if shorter and longer[1:] == shorter and len(longer[0]) > 1 and not longer[0].isdecimal():
        return True  # a leading word more: "guard", "night guard"
    # a number, or a letter that stands alone, is what tells two appliances apart
    marks = [[w for w in words if len(w) == 1 or w.isdecimal()] for words in (a, b)]
    if marks[0] != marks[1]:
        return False
    return SequenceMatcher(None, "".join(a), "".join(b), autojunk=False).ratio() >= ALIKE


def near_names(name: str, known: Sequence[str]) -> list[str]:
    """Names in use of which another may be a spelling."""
    return [other for other in known if other not in (name, NO_APPLIANCE) and alike(name, other)]


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
