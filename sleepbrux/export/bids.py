"""Nights as BIDS: events for every night, and an EMG data set where the recordings are at hand.

From archives alone it is a derivative data set that holds events only; with the recordings it is a raw
one (BIDS 1.11, data type ``emg``) that holds a copy of each, with its header written anew
(`sleepbrux.recording.deidentify.nameless_copy`). What the recording does not say (placement, reference, filters of
the recorder, mains) is written as ``n/a`` or "not stated", never guessed.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import clear_abandoned, flush_folder, temporary_name, write_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.columns import BIDS_EVENTS
from sleepbrux.export.events import EVENT_TYPES, Event, event_cells, events
from sleepbrux.export.summary import report_id
from sleepbrux.export.tables import safe_text
from sleepbrux.recording.deidentify import nameless_copy
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.scoring.night import Night
from sleepbrux.study.dataset import StudyDataset, only_dataset
from sleepbrux.study.file import Study, StudyLetter

VERSION = "1.11.0"
BIDS_UNITS = {"s": "s", "µV": "uV"}
UNITS = ("uV", "mV", "V", "nV")
OLDEST_AGE = 89
# Channels are typed by their label, as when a recording is opened; a movement or sound channel is MISC.
CHANNEL_TYPES = {
    **dict.fromkeys(("jaw", "chin", "leg", "arm", "neck", "emg"), "EMG"),
    "ecg": "ECG",
    "eeg": "EEG",
    "eog": "EOG",
    "respiration": "RESP",
}
HED_VERSION = "8.4.0"
# HED has no term for bruxism: events are features computed from the data, under this program's own labels. Each event
# is one group with its channel, so that two that begin together stay two.
HED = {
    name: f"(Time-block, Label/{name.replace(' ', '-')}, {{channel}})"
    if name in ("Analysed window", "Not scorable")
    else f"(Data-feature, (Computed-feature, Label/Sleepbrux_{name.replace(' ', '-').lower()}), {{channel}})"
    for name in EVENT_TYPES
}
NOT_STATED = "not stated in the recording"
README = """# Jaw-muscle EMG of nights

Made by sleepbrux {version}. Each night has its events (window, episodes, bursts of each channel, time
that cannot be scored) in `*_events.tsv`; `*_events.json` explains every column and type. Onsets count
from the first sample, gaps counted. Episodes are counts of muscle activity, not of tooth grinding.
{data}
{purpose}
"""


def _json(path: Path, table: dict[str, Any]) -> None:
    write_text(path, json.dumps(table, ensure_ascii=False, indent=2) + "\n")


def label(text: str) -> str:
    """Letters and digits of a text, as BIDS asks for in a name; empty where it has none.

    Examples
    --------
    >>> label("P-01"), label("night_2"), label("Петр")
    ('P01', 'night2', '')
    """
    return re.sub(r"[^A-Za-z0-9]", "", text)


def labels_of(texts: Iterable[str]) -> dict[str, str]:
    """A BIDS name for each text, none twice, upper and lower case alike.

    What shares its letters and digits with another text, or has none, is given a part of its SHA-256.

    Examples
    --------
    >>> labels_of(["P-01", "P-02"])
    {'P-01': 'P01', 'P-02': 'P02'}
    >>> labels_of(["P-01", "P0-1", "Петр"])
    {'P-01': 'P01x6bd012', 'P0-1': 'P01x9fd683', 'Петр': 'x0229c5'}
    """
    every = dict.fromkeys(texts)
    counts = Counter(label(text).casefold() for text in every)
    return {
        text: label(text)
        if label(text) and counts[label(text).casefold()] == 1
        else f"{label(text)}x{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:6]}"
        for text in every
    }


def _text(value: str) -> str:
    return safe_text(re.sub(r"\s", " ", value)) or "n/a"


def _row(event: Event) -> str:
    return "\t".join(re.sub(r"\s", " ", cell) for cell in event_cells(event, "n/a"))


def events_tsv(night: Night, kinds: str = "all") -> str:
    """Events of a night: tab-separated, ``n/a`` where there is no value."""
    return "\n".join(["\t".join(BIDS_EVENTS), *map(_row, events(night, kinds))]) + "\n"


def events_json(night: Night) -> dict[str, Any]:
    """What the columns of `events_tsv` and the types in it mean, and by which rules."""
    table: dict[str, Any] = {
        name: {
            "Description": column.meaning,
            **({"Units": BIDS_UNITS[column.unit]} if column.unit in BIDS_UNITS else {}),
        }
        for name, column in BIDS_EVENTS.items()
    }
    table["trial_type"] |= {"Levels": EVENT_TYPES, "HED": HED}
    cells = [re.sub(r"\s", " ", safe_text(frames.channel.label)) for frames in night.swept.frames]
    table["channel"] |= {
        "Levels": dict.fromkeys(cells, "a scored channel, as channels.tsv has it where there are signals"),
        "HED": {cell: f"Label/Channel-{k}" for k, cell in enumerate(cells, start=1)},
    }
    table["SleepbruxRules"] = {
        "Description": f"Scored by sleepbrux {__version__}: {night.criterion.title}. Window: {night.window.basis}. "
        f"{PURPOSE}",
        "Criterion": night.criterion.id,
        "CriterionSHA256": night.criterion.digest(),
        "InputSHA256": night.swept.digest,
        "ReportId": report_id(night),
    }
    return table


def _channels_tsv(copy: Path) -> str:
    """Every signal of a copy, in the order of the file."""
    rows = ["name\ttype\tunits\tsampling_frequency\tlow_cutoff\thigh_cutoff\ttarget_muscle"]
    for c in open_edf(copy).channels:
        unit = c.unit if c.unit in UNITS else "n/a"
        muscle = " ".join(w for w in (c.side, c.muscle) if w) if c.muscle else "n/a"
        rate = f"{float(c.rate):g}"
        rows.append(
            f"{_text(c.label)}\t{CHANNEL_TYPES.get(c.role, 'MISC')}\t{unit}\t{rate}\tn/a\tn/a\t{muscle}"
        )
    return "\n".join(rows) + "\n"


def _filled(**fields: Any) -> dict[str, Any]:
    """Fields that say something."""
    return {
        name: list(v) if isinstance(v, tuple) else v for name, v in fields.items() if v not in ("", (), None)
    }


def _emg_json(night: Night, channels: str, form: BidsForm, letter: StudyLetter) -> dict[str, Any]:
    swept, said = night.swept, form.dataset
    types = [row.split("\t")[1] for row in channels.splitlines()[1:]]
    filters = said.hardware_filters or letter.filters
    return {
        "TaskName": "sleep",
        "TaskDescription": "A night at home, recorded without attendance.",
        "SamplingFrequency": max(float(f.channel.rate) for f in swept.frames),
        "EMGPlacementScheme": "Other",
        "EMGPlacementSchemeDescription": said.placement or letter.electrodes or NOT_STATED,
        "EMGReference": said.reference or NOT_STATED,
        "EMGChannelCount": types.count("EMG"),
        "PowerLineFrequency": said.power_line_hz or "n/a",
        "RecordingType": "discontinuous" if swept.gaps else "continuous",
        "RecordingDuration": round(swept.duration_s, 3),
        "SoftwareFilters": "n/a",
        "HardwareFilters": {"as entered": {"description": filters}} if filters else "n/a",
        **_filled(
            Instructions=said.instructions,
            InstitutionName=said.institution_name,
            InstitutionAddress=said.institution_address,
            InstitutionalDepartmentName=said.institutional_department_name,
            Manufacturer=said.manufacturer,
            ManufacturersModelName=said.manufacturers_model_name or letter.recorder,
            SoftwareVersions=said.software_versions,
            ElectrodeManufacturer=said.electrode_manufacturer,
            ElectrodeManufacturersModelName=said.electrode_manufacturers_model_name,
            ElectrodeMaterial=said.electrode_material,
            ElectrodeType=said.electrode_type,
            InterelectrodeDistance=said.interelectrode_distance_mm,
            EMGGround=said.ground,
            SkinPreparation=said.skin_preparation,
        ),
    }


def _who(name: str, night: Night) -> tuple[str, str]:
    """Person and night as they are called."""
    about = dict(night.about)
    return about.get("person") or name, about.get("night") or "1"


@dataclass(frozen=True)
class BidsForm:
    """What a data set holds and says beyond the nights.

    Attributes
    ----------
    events
        Which events: see `export.events.SELECTIONS`.
    studies
        Study files of the persons: what they say of the set, the recorder, age and sex.
    """

    events: str = "all"
    studies: tuple[Study, ...] = ()

    @property
    def dataset(self) -> StudyDataset:
        """What the study files say of the data set."""
        return only_dataset(study.dataset for study in self.studies)

    def study_of(self, night: Night) -> Study | None:
        """The study file of a night's person, if it is among them."""
        about = dict(night.about)
        return next(
            (
                s
                for s in self.studies
                if s.pseudonym == about.get("person") and s.study_id == about.get("study_id", "")
            ),
            None,
        )


PLAIN = BidsForm()


@dataclass(frozen=True)
class Place:
    """Where a night stands in a data set, and whose it is."""

    subject: str
    session: str
    person: str


def places_of(nights: Sequence[tuple[str, Night]]) -> list[Place]:
    """Subject and session of each night, unlike one another.

    Raises
    ------
    UsageError
        One person has two nights of one name.
    """
    pairs = [_who(name, night) for name, night in nights]
    twice = [pair for pair, n in Counter(pairs).items() if n > 1]
    if twice:
        raise UsageError(
            f"two nights would be night {twice[0][1]!r} of {twice[0][0]!r} in the BIDS data set; give the"
            " nights of one person different ids in the study file"
        )
    subjects = labels_of(person for person, _ in pairs)
    sessions = {person: labels_of(night for who, night in pairs if who == person) for person in subjects}
    return [Place(subjects[p], sessions[p][night], p) for p, night in pairs]


def check_bids(nights: Sequence[tuple[str, Night]], folder: Path, recordings: dict[str, Path]) -> bool:
    """Whether the data set is raw, that is holds a copy of each recording.

    Raises
    ------
    UsageError
        The folder holds something else, two nights would have one name, or recordings were named for
        some of the nights only.
    """
    places_of(nights)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is not empty; name a new folder for the BIDS data set")
    without = [name for name, night in nights if night.swept.digest not in recordings]
    if without and len(without) < len(nights):
        raise UsageError(
            f"`recordings` names the recordings of {len(nights) - len(without)} of {len(nights)} nights; not"
            f" that of {without[0]}: a BIDS data set holds the signals of all nights or of none, so name"
            " each, or none"
        )
    raw = bool(nights) and not without
    other = [name for name, night in nights if raw and night.swept.format[:3] not in ("EDF", "BDF")]
    if other:
        raise UsageError(f"{other[0]}: BIDS takes EMG as EDF or BDF only; leave out `recordings`")
    return raw


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder to write in; it has its name only when the block ends well.

    What a killed run leaves is called ``.NAME.….partial``, and cleared by the next.
    """
    clear_abandoned(folder.parent)
    temporary = temporary_name(folder)
    temporary.mkdir(parents=True)
    try:
        yield temporary
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise
    if folder.exists():
        folder.rmdir()
    temporary.rename(folder)
    flush_folder(folder.parent)


def write_bids(
    nights: Sequence[tuple[str, Night]],
    folder: Path,
    recordings: dict[str, Path] | None = None,
    *,
    labels: Sequence[dict[str, str]] = (),
    form: BidsForm = PLAIN,
) -> list[Path]:
    """Write a data set into an empty or new folder: all of it, or nothing under that name.

    Parameters
    ----------
    nights
        (name of the file, night), as they may be shown: see `export.sharing.to_share`.
    recordings
        Each night's recording (EDF or BDF) by its SHA-256. With one for every night the data set is raw
        and holds a copy of each in which nobody is named, else it is a derivative without signals.
    labels
        For each night the labels of its recording with what the night calls those channels.
    form
        Which events, and what the study files say.

    Returns
    -------
    The files written.

    Raises
    ------
    UsageError
        See `check_bids`.
    RecordingError
        Something of a header was found in the copy of a recording.
    """
    known = recordings or {}
    raw = check_bids(nights, folder, known)
    places = places_of(nights)
    with _whole(folder) as temporary:
        _about_the_set(places, [night for _, night in nights], temporary, form, raw=raw)
        for k, (place, (_, night)) in enumerate(zip(places, nights, strict=True)):
            names = labels[k] if labels else {f.channel.label: f.channel.label for f in night.swept.frames}
            _write_night(temporary, place, night, known.get(night.swept.digest) if raw else None, names, form)
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _write_night(
    folder: Path, place: Place, night: Night, recording: Path | None, labels: dict[str, str], form: BidsForm
) -> None:
    own = folder / f"sub-{place.subject}" / f"ses-{place.session}" / "emg"
    own.mkdir(parents=True, exist_ok=True)
    stem = f"sub-{place.subject}_ses-{place.session}_task-sleep"
    write_text(own / f"{stem}_events.tsv", events_tsv(night, form.events))
    _json(own / f"{stem}_events.json", events_json(night))
    if recording is not None:
        copy = own / f"{stem}_emg{'.bdf' if night.swept.format.startswith('BDF') else '.edf'}"
        nameless_copy(recording, copy, labels=labels)
        channels = _channels_tsv(copy)
        study = form.study_of(night)
        _json(
            own / f"{stem}_emg.json",
            _emg_json(night, channels, form, study.letter if study else StudyLetter()),
        )
        write_text(own / f"{stem}_channels.tsv", channels)


def _about_the_set(
    places: Sequence[Place], nights: Sequence[Night], folder: Path, form: BidsForm, *, raw: bool
) -> None:
    generator = {"Name": "sleepbrux", "Version": __version__, "Description": PURPOSE}
    said = form.dataset
    _json(
        folder / "dataset_description.json",
        {
            "Name": said.name or "Jaw-muscle EMG of nights",
            "BIDSVersion": VERSION,
            "HEDVersion": HED_VERSION,
            "DatasetType": "raw" if raw else "derivative",
            **_filled(
                License=said.license,
                Authors=said.authors,
                Acknowledgements=said.acknowledgements,
                HowToAcknowledge=said.how_to_acknowledge,
                Funding=said.funding,
                EthicsApprovals=said.ethics_approvals,
                ReferencesAndLinks=said.references_and_links,
                DatasetDOI=said.dataset_doi,
            ),
            "GeneratedBy": [generator],
        },
    )
    data = (
        "Headers of the recordings are written anew: no name, no date, annotations as words for their kind."
        if raw
        else "No signals."
    )
    write_text(folder / "README", README.format(version=__version__, data=data, purpose=PURPOSE))
    _persons(places, nights, folder, form)
    _sessions(places, nights, folder)


def _persons(places: Sequence[Place], nights: Sequence[Night], folder: Path, form: BidsForm) -> None:
    people = {p.subject: (p.person, form.study_of(night)) for p, night in zip(places, nights, strict=True)}
    rows = ["participant_id\tpseudonym\tage\tsex" if form.studies else "participant_id\tpseudonym"]
    for subject, (person, study) in sorted(people.items()):
        cells = [f"sub-{subject}", _text(person)]
        if form.studies:
            age = study.age_years if study else None
            cells.append("n/a" if age is None else "89+" if age >= OLDEST_AGE else f"{age:g}")
            cells.append(study.sex if study and study.sex else "n/a")
        rows.append("\t".join(cells))
    write_text(folder / "participants.tsv", "\n".join(rows) + "\n")
    columns = {
        "participant_id": {"Description": "Letters and digits of the pseudonym, made unique."},
        "pseudonym": {"Description": "Pseudonym of the study file, or what the night is called."},
    }
    if form.studies:
        columns |= {
            "age": {"Description": "Age as the study file has it; 89+ from 89.", "Units": "year"},
            "sex": {"Description": "Sex as the study file has it."},
        }
    _json(
        folder / "participants.json",
        {"Description": "One row a person, as the study files have it.", **columns},
    )


def _sessions(places: Sequence[Place], nights: Sequence[Night], folder: Path) -> None:
    """What was worn in each night, one table a person."""
    for subject in dict.fromkeys(place.subject for place in places):
        stem = folder / f"sub-{subject}" / f"sub-{subject}_sessions"
        stem.parent.mkdir(exist_ok=True)
        rows = [
            f"ses-{p.session}\t{_text(dict(night.about).get('night', ''))}\t"
            f"{_text(dict(night.about).get('condition', ''))}"
            for p, night in zip(places, nights, strict=True)
            if p.subject == subject
        ]
        write_text(stem.with_suffix(".tsv"), "\n".join(["session_id\tnight\tcondition", *rows]) + "\n")
        _json(
            stem.with_suffix(".json"),
            {
                "session_id": {"Description": "Letters and digits of the night's id, made unique."},
                "night": {"Description": "Id of the night in the study file."},
                "condition": {"Description": "What was worn in the night, as the study file calls it."},
            },
        )
