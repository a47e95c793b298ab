"""The study file: one person, the reference clenches, the nights and what was worn in each."""

from __future__ import annotations

import hashlib
import re
from datetime import date, time
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from sleepbrux.core.arguments import PATH, check
from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import own_stem, read_text, safe_stem, toml_table
from sleepbrux.core.provenance import EARLIER_MEASURES
from sleepbrux.core.texts import plain_name, unseen_in_name
from sleepbrux.study.dataset import StudyDataset

Name = Annotated[str, Meta(min_length=1, max_length=80)]
Line = Annotated[str, Meta(max_length=300)]
ZeroToTen = Annotated[float, Meta(ge=0, le=10)]
Order = Literal["as it came", "planned phases", "randomised nights", "randomised blocks"]
OWN = "own"
NO_APPLIANCE = "none"
FILL_IN = "FILL IN"
PLANNED_NIGHTS = 4


class StudyReference(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A clench recording, or stated levels in µV by channel label.

    ``teeth`` is ``"natural"``, or the appliance that was in; ``placement`` says whether electrodes and
    recorder were those of the nights that are scored against it. ``statistic`` makes a level of the
    trials of a recording. ``effort_pct`` is what the person was asked for, in % of a maximal effort.
    ``convert_to`` asks for the other kind of µV (RMS is √(π/2) times mean rectified for Gaussian noise).
    """

    id: Name
    recording: str = ""
    mvc_uv: dict[str, Annotated[float, Meta(gt=0)]] = {}
    rest_uv: dict[str, Annotated[float, Meta(gt=0)]] = {}
    uv_kind: Literal["rms", "rectified"] = "rms"
    convert_to: Literal["", "rms", "rectified"] = ""
    statistic: Literal["mean_best_1s", "highest_best_1s", "mean_best_half_s", "mean_peak", "mean_plateau"] = (
        "mean_best_1s"
    )
    effort_pct: Annotated[float, Meta(gt=0, le=100)] = 100.0
    teeth: Name
    placement: Literal["same electrodes", "other placement", "not stated"] = "not stated"
    date: date | None = None

    @property
    def natural(self) -> bool:
        """Whether the clench was made on natural teeth."""
        return self.teeth.casefold() in ("natural", "natural teeth")


class StudyNight(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One night: its recording, what was worn, and which reference it is scored against.

    A ``recording`` that is empty is still to be made: the night is planned.
    ``reference`` is the id of a reference, or ``"own"`` for clenches marked in the night itself.
    ``lights_off`` and ``lights_on`` are local clock times and come before marks in the recording.
    ``appliance_in`` and ``appliance_out`` are local clock times of insertion and removal; without them
    the appliance counts as worn all night. ``block`` is the block or pair of a randomised design.
    ``stages`` and ``sound`` are files of sleep stages and of sound that belong to the recording;
    ``sound_start_s`` is the second of the recording at which the sound begins. ``marks`` is a table of marks
    (onset, duration, text); ``sync`` pairs seconds of the other device with seconds of the recording, at
    events that both recorded.
    ``channels`` are scored in this night instead of the study's, as where one side was lost.
    What a person says of the night (pain, headache, sleep) runs from 0 to 10.
    """

    id: Name
    recording: str
    condition: Name
    reference: Name = OWN
    channels: tuple[str, ...] = ()
    date: date | None = None
    lights_off: time | None = None
    lights_on: time | None = None
    stages: str = ""
    sound: str = ""
    marks: str = ""
    sync: tuple[tuple[float, float], ...] = ()
    sound_start_s: float | None = None
    appliance_in: time | None = None
    appliance_out: time | None = None
    days_since_first_worn: Annotated[int, Meta(ge=0)] | None = None
    setting_mm: float | None = None
    setting_pct: float | None = None
    block: int | None = None
    morning_jaw_pain: ZeroToTen | None = None
    morning_headache: ZeroToTen | None = None
    perceived_sleep: ZeroToTen | None = None
    alcohol: str = ""
    caffeine: str = ""
    medication: str = ""
    breathing_device: str = ""
    electrode_note: str = ""
    note: str = ""


class LetterHistory(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Entries of a letter that stay the same from one to the next: how it was recorded, and the history."""

    sex: Line = ""
    recorder: Line = ""
    electrodes: Line = ""
    filters: Line = ""
    dental_findings: Line = ""
    pain: Line = ""
    awake_clenching: Line = ""
    caffeine: Line = ""
    alcohol: Line = ""


class StudyLetter(LetterHistory, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What every letter about the person repeats as it is entered here: printed, never read as a measurement.

    ``dates`` shows the days of the nights in the letter. ``recorder``, ``electrodes`` and ``filters`` say how
    it was recorded; the other texts are history. No name belongs here.
    """

    dates: bool = False


class Study(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A person's study.

    Attributes
    ----------
    pseudonym
        What outputs call the person.
    study_id
        Drawn when the file is drafted, and never changed: tells two studies of one pseudonym apart.
    primary_outcome
        Name of the one measure that was chosen before scoring.
    criterion
        Id of a rule set, or the path of a rule file.
    channels
        Labels to score; empty: every jaw muscle.
    unit
        Unit of the samples where the headers do not say, or say it wrongly; empty: as written.
    scale_uv, rate_hz, time_unit, datasets
        Of recordings in CSV, WAV or HDF5, where the files do not say: µV for a stored value of 1 by
        channel label, samples a second, unit of the time column, data sets.
    record_duration_s
        Seconds of a data record, for EDF and BDF files whose headers state none or a wrong one.
    conditions
        Every name of a condition as it is meant to be written; where given, a night under another name is
        refused, and names that look alike are taken as different. Empty: as the nights have them.
    roles
        What channels are, by label, whatever the labels say: ``ch1 = "masseter left"``.
    age_years, sex
        Of the person: what the heart beats say of being awake may rest on them. Empty: not told.
    positions
        Word for each code of a position channel, such as ``1 = "supine"``.
    baseline
        The condition that the others are compared with.
    order
        How the order of the conditions came about.
    looks
        Nights in each condition at which the comparison is looked at, set beforehand and rising; empty: one
        look, when all nights are in.
    score_against_appliance_clench
        Asks for nights to be scored against a clench with an appliance in, where one names such a
        reference; the reading against natural teeth is shown as well.
    letter
        What every letter about the person repeats.
    dataset
        What exports say of the data set and of how it was recorded.
    """

    pseudonym: Name
    study_id: Annotated[str, Meta(pattern=r"^([0-9a-z-]{4,40})?$")] = ""
    primary_outcome: Name = "episodes_per_hour"
    criterion: Name = "phasic_tonic_10mvc"
    conditions: tuple[Name, ...] = ()
    channels: tuple[str, ...] = ()
    unit: Literal["", "uV", "mV", "V", "nV"] = ""
    scale_uv: dict[str, float] = {}
    rate_hz: Annotated[float, Meta(gt=0)] | None = None
    time_unit: Literal["", "s", "ms", "us"] = ""
    datasets: tuple[str, ...] = ()
    record_duration_s: Annotated[float, Meta(gt=0)] | None = None
    roles: dict[str, str] = {}
    age_years: Annotated[float, Meta(gt=0, le=120)] | None = None
    sex: Literal["", "female", "male"] = ""
    positions: dict[Annotated[str, Meta(pattern=r"^-?[0-9]{1,4}$")], Name] = {}
    baseline: Name = NO_APPLIANCE
    order: Order = "as it came"
    looks: tuple[Annotated[int, Meta(ge=4)], ...] = ()
    score_against_appliance_clench: bool = False
    letter: StudyLetter = StudyLetter()
    dataset: StudyDataset = StudyDataset()
    reference: tuple[StudyReference, ...] = ()
    night: tuple[StudyNight, ...] = ()

    @property
    def recorded(self) -> tuple[StudyNight, ...]:
        """The nights that name a recording."""
        return tuple(night for night in self.night if night.recording)


def load_study(path: str | Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path
        The file, in TOML.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        In one sentence: file, field, what was found and what is allowed.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "study.toml"
    ...     _ = file.write_text('pseudonym = "P-01"')
    ...     load_study(file).criterion
    'phasic_tonic_10mvc'
    """
    check(path=(path, PATH))
    path = Path(path)
    return study_of_text(study_text(path), path.name)


def study_text(path: Path) -> str:
    """The text of a study file."""
    return read_text(path, StudyError, "study file (TOML)")


def study_of_text(text: str, name: str) -> Study:
    """The study in the text of a study file; see `load_study`."""
    table = toml_table(text, name, StudyError, ("note",))
    outcome = table.get("primary_outcome")
    if isinstance(outcome, str) and outcome in EARLIER_MEASURES:
        table["primary_outcome"] = EARLIER_MEASURES[outcome]
    _in_plain_names(table, name)
    try:
        study = msgspec.convert(table, Study)
    except msgspec.ValidationError as error:
        raise StudyError(f"{name}: {_at_fault(str(error), table)}") from error
    _check(study, name)
    return study


_NAMES = ("pseudonym", "baseline", "id", "condition", "reference", "teeth")


def _in_plain_names(table: dict[str, Any], name: str) -> None:
    """Put the names of persons, nights, conditions, references and appliances into their one form.

    Raises
    ------
    StudyError
        A name holds a character that cannot be seen.
    """
    for kind in ("night", "reference"):
        for k, entry in enumerate(_list(table.get(kind))):
            if isinstance(entry, dict):
                entry |= {f: _in_plain_form(v, f"{name}: {kind}[{k}].{f}") for f, v in _named(entry)}
    table |= {f: _in_plain_form(v, f"{name}: {f}") for f, v in _named(table)}
    if conditions := _list(table.get("conditions")):
        table["conditions"] = [
            _in_plain_form(v, f"{name}: conditions[{k}]") if isinstance(v, str) else v
            for k, v in enumerate(conditions)
        ]


def _named(entry: dict[str, Any]) -> list[tuple[str, str]]:
    return [(field, entry[field]) for field in _NAMES if isinstance(entry.get(field), str)]


def _in_plain_form(said: str, place: str) -> str:
    if sign := unseen_in_name(said):
        raise StudyError(f"{place} holds the control character {sign}; leave it out")
    return plain_name(said)


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _at_fault(message: str, table: dict[str, Any]) -> str:
    """What is wrong in which field: the path with the night's own id, and what is allowed there."""
    what, _, place = message.partition(" - at `$")
    place = place.rstrip("`").lstrip(".")
    table_of = re.match(r"(letter|dataset)\b", place)
    tables: dict[str, type[Struct]] = {"letter": StudyLetter, "dataset": StudyDataset}
    kind: type[Struct] = tables[table_of[1]] if table_of else Study
    for name, sort in (("night", StudyNight), ("reference", StudyReference)):
        found = re.match(rf"{name}\[(\d+)\]", place)
        if found:
            kind = sort
            entry = table[name][int(found[1])]
            said = entry.get("id") if isinstance(entry, dict) else None
            place = place.replace(found[0], f"{found[0]} ({said})" if said else found[0], 1)
    unknown = re.fullmatch(r"Object contains unknown field `(.*)`", what)
    if unknown:
        allowed = ", ".join(kind.__struct_fields__)
        return f"{place + ': ' if place else ''}there is no field {unknown[1]!r}; allowed are {allowed}"
    missing = re.fullmatch(r"Object missing required field `(.*)`", what)
    if missing:
        return f"{place + ': ' if place else ''}the field {missing[1]!r} is missing; write it"
    return f"{place}: {what[:1].lower()}{what[1:]}; correct that field" if place else what


def _check(study: Study, name: str) -> None:
    for kind, ids in (
        ("night", [n.id for n in study.night]),
        ("reference", [r.id for r in study.reference]),
    ):
        double = next((i for i in ids if ids.count(i) > 1), None)
        if double:
            raise StudyError(f"{name}: {kind} id {double!r} is there twice; ids must differ")
    if list(study.looks) != sorted(set(study.looks)) or len(study.looks) == 1:
        raise StudyError(
            f"{name}: looks is {list(study.looks)}; it must be two or more rising numbers of nights in each "
            "condition, such as [6, 9, 12], or be left out"
        )
    known = {r.id for r in study.reference} | {OWN}
    for night in study.night:
        if night.reference not in known:
            raise StudyError(
                f"{name}: night {night.id!r} has reference {night.reference!r}; there are "
                + ", ".join(sorted(known))
            )
    _check_conditions(study, name)
    for reference in study.reference:
        if bool(reference.recording) == bool(reference.mvc_uv):
            raise StudyError(f"{name}: reference {reference.id!r} needs either recording or mvc_uv, not both")
    for night in study.night:
        used = next((r for r in study.reference if r.id == night.reference), None)
        if used and not used.natural and not study.score_against_appliance_clench:
            raise StudyError(
                f"{name}: night {night.id!r} names reference {used.id!r}, which was made with "
                f"{used.teeth!r} between the teeth; a night is scored against natural teeth, unless "
                "score_against_appliance_clench = true asks for the other"
            )


def _check_conditions(study: Study, name: str) -> None:
    for night in study.night:
        if study.conditions and night.condition not in (*study.conditions, FILL_IN):
            raise StudyError(
                f"{name}: night {night.id!r} has condition {night.condition!r}; conditions lists "
                f"{', '.join(study.conditions)}: write it as there, or add it"
            )


# What is said of a night beside its scoring: it may be added or mended after the night was scored.
_BESIDE = (
    "condition",
    "date",
    "appliance_in",
    "appliance_out",
    "days_since_first_worn",
    "setting_mm",
    "setting_pct",
    "block",
    "morning_jaw_pain",
    "morning_headache",
    "perceived_sleep",
    "alcohol",
    "caffeine",
    "medication",
    "breathing_device",
    "electrode_note",
    "note",
)
_SCORED_BY = (
    "pseudonym",
    "channels",
    "unit",
    "scale_uv",
    "rate_hz",
    "time_unit",
    "datasets",
    "record_duration_s",
    "roles",
    "age_years",
    "sex",
    "positions",
)


def entry_digest(study: Study, night: StudyNight) -> str:
    """SHA-256 over what a study file says of a night as far as it is scored by it.

    Person, recording, reference, lights, files beside it, and how recordings are read. Not the rule set,
    which a reader can change, nor what may be said later: condition, date, what the person told. A field
    that is left at its default does not count, so that a new one changes no digest.
    """
    used = [r for r in study.reference if r.id == night.reference]
    if used and not used[0].natural:  # the reading beside it is against one on natural teeth
        used += [r for r in study.reference if r.natural][:1]
    said = (
        {name: value for name, value in _stated(study).items() if name in _SCORED_BY},
        {name: value for name, value in _stated(night).items() if name not in _BESIDE},
        [_stated(reference) for reference in used],
    )
    return hashlib.sha256(msgspec.json.encode(said, order="sorted")).hexdigest()


@cache
def _fields(kind: type[Struct]) -> tuple[msgspec.structs.FieldInfo, ...]:
    return msgspec.structs.fields(kind)


def _stated(entry: Struct) -> dict[str, object]:
    """Fields of an entry that do not have their default."""
    found: dict[str, object] = {}
    for field in _fields(type(entry)):
        value = getattr(entry, field.name)
        default = field.default
        if default is msgspec.NODEFAULT and field.default_factory is not msgspec.NODEFAULT:
            default = field.default_factory()
        if value != default:
            found[field.name] = value
    return found


def night_stems(night: StudyNight) -> tuple[str, ...]:
    """What the names of a night's files may begin with; the first is what scoring gives them.

    No two ids have one. Then the name of earlier versions, which two ids could share, and that of the
    recording, for one that was scored without the study file.
    """
    names = (own_stem(night.id), safe_stem(night.id), safe_stem(Path(night.recording).stem))
    return tuple(dict.fromkeys(names))


def person_folder(study: Study) -> str:
    """Folder of a person's results among those of others; no two pseudonyms have one."""
    return own_stem(study.pseudonym)


def result_folder(study: Study, folder: Path) -> Path:
    """Where the results of a person stand: a folder of their own below ``folder``, or else that."""
    for name in (person_folder(study), safe_stem(study.pseudonym)):
        if (folder / name).is_dir():
            return folder / name
    return folder


def in_order(study: Study) -> tuple[list[StudyNight], str]:
    """Recorded nights by date where every one has a date, else as the study file lists them."""
    nights = study.recorded
    dates = {night.id: night.date for night in nights if night.date is not None}
    if len(dates) == len(nights):
        return sorted(nights, key=lambda night: dates[night.id]), "by date"
    return list(nights), "as listed in the study file (not every night has a date)"
