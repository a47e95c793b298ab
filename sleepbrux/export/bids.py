"""Nights as BIDS: events for every night, and an EMG data set where the recordings are at hand.

From archives alone it is a derivative data set that holds events only; with the recordings it is a raw
one (BIDS 1.11, data type ``emg``) that holds a copy of each, with its header written anew
(`sleepbrux.recording.deidentify.nameless_copy`). What the recording does not say (placement, reference, filters of
the recorder, mains) is written as ``n/a`` or "not stated", never guessed.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import secrets
import shutil
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import flush_folder, write_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.columns import BIDS_EVENTS
from sleepbrux.export.events import EVENT_TYPES, Event, events
from sleepbrux.export.summary import report_id
from sleepbrux.export.tables import safe_text
from sleepbrux.recording.deidentify import nameless_copy
from sleepbrux.scoring.night import Night

VERSION = "1.11.0"
BIDS_UNITS = {"s": "s", "µV": "uV"}
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


def _cell(value: float, digits: int) -> str:
    return "n/a" if math.isnan(value) else f"{value:.{digits}f}"


def _text(value: str) -> str:
    return safe_text(re.sub(r"\s", " ", value)) or "n/a"


def _row(event: Event) -> str:
    cells = (
        f"{event.onset_s:.4f}",
        f"{event.duration_s:.4f}",
        event.type,
        _text(event.channel),
        str(event.episode or "n/a"),
        _cell(event.peak_pct_mvc, 2),
        _cell(event.mean_pct_mvc, 2),
        _cell(event.peak_uv, 3),
        _cell(event.mean_uv, 3),
    )
    return "\t".join(cells)


def events_tsv(night: Night) -> str:
    """Events of a night: tab-separated, ``n/a`` where there is no value."""
    return "\n".join(["\t".join(BIDS_EVENTS), *map(_row, events(night))]) + "\n"


def events_json(night: Night) -> dict[str, Any]:
    """What the columns of `events_tsv` and the types in it mean, and by which rules."""
    table: dict[str, Any] = {
        name: {
            "Description": column.meaning,
            **({"Units": BIDS_UNITS[column.unit]} if column.unit in BIDS_UNITS else {}),
        }
        for name, column in BIDS_EVENTS.items()
    }
    table["trial_type"]["Levels"] = EVENT_TYPES
    table["Description"] = f"Scored by sleepbrux: {night.criterion.title}. {PURPOSE}"
    table["SleepbruxRules"] = {
        "Description": f"Window: {night.window.basis}.",
        "Criterion": night.criterion.id,
        "CriterionSHA256": night.criterion.digest(),
        "InputSHA256": night.swept.digest,
        "ReportId": report_id(night),
    }
    return table


def _channels_tsv(night: Night) -> str:
    rows = ["name\ttype\tunits\tsampling_frequency\tlow_cutoff\thigh_cutoff\tdescription"]
    for frames in night.swept.frames:
        c = frames.channel
        unit = c.unit if c.unit == "uV" else "n/a"
        muscle = " ".join(w for w in (c.side, c.muscle) if w) or "muscle not named"
        rows.append(f"{_text(c.label)}\tEMG\t{unit}\t{float(c.rate):g}\tn/a\tn/a\t{muscle}")
    return "\n".join(rows) + "\n"


def _emg_json(night: Night) -> dict[str, Any]:
    swept = night.swept
    return {
        "TaskName": "sleep",
        "TaskDescription": "A night at home, recorded without attendance.",
        "SamplingFrequency": max(float(f.channel.rate) for f in swept.frames),
        "EMGPlacementScheme": "Other",
        "EMGPlacementSchemeDescription": NOT_STATED,
        "EMGReference": NOT_STATED,
        "EMGChannelCount": len(swept.frames),
        "PowerLineFrequency": "n/a",
        "RecordingType": "discontinuous" if swept.gaps else "continuous",
        "RecordingDuration": round(swept.duration_s, 3),
        "SoftwareFilters": "n/a",
        "HardwareFilters": "n/a",
    }


def _who(name: str, night: Night) -> tuple[str, str]:
    """Person and night as they are called."""
    about = dict(night.about)
    return about.get("person") or name, about.get("night") or "1"


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

    What a killed run leaves is called ``.NAME.….partial``.
    """
    temporary = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.partial")
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
        _about_the_set(places, temporary, raw=raw)
        for k, (place, (_, night)) in enumerate(zip(places, nights, strict=True)):
            names = labels[k] if labels else {f.channel.label: f.channel.label for f in night.swept.frames}
            _write_night(temporary, place, night, known.get(night.swept.digest) if raw else None, names)
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _write_night(
    folder: Path, place: Place, night: Night, recording: Path | None, labels: dict[str, str]
) -> None:
    own = folder / f"sub-{place.subject}" / f"ses-{place.session}" / "emg"
    own.mkdir(parents=True, exist_ok=True)
    stem = f"sub-{place.subject}_ses-{place.session}_task-sleep"
    write_text(own / f"{stem}_events.tsv", events_tsv(night))
    _json(own / f"{stem}_events.json", events_json(night))
    if recording is not None:
        ending = ".bdf" if night.swept.format.startswith("BDF") else ".edf"
        nameless_copy(recording, own / f"{stem}_emg{ending}", labels=labels)
        _json(own / f"{stem}_emg.json", _emg_json(night))
        write_text(own / f"{stem}_channels.tsv", _channels_tsv(night))


def _about_the_set(places: Sequence[Place], folder: Path, *, raw: bool) -> None:
    generator = {"Name": "sleepbrux", "Version": __version__, "Description": PURPOSE}
    _json(
        folder / "dataset_description.json",
        {
            "Name": "Jaw-muscle EMG of nights",
            "BIDSVersion": VERSION,
            "DatasetType": "raw" if raw else "derivative",
            "GeneratedBy": [generator],
        },
    )
    data = (
        "Headers of the recordings are written anew: no name, no date, annotations as words for their kind."
        if raw
        else "No signals."
    )
    write_text(folder / "README", README.format(version=__version__, data=data, purpose=PURPOSE))
    people = {place.subject: place.person for place in places}
    rows = [f"sub-{subject}\t{_text(person)}" for subject, person in sorted(people.items())]
    write_text(folder / "participants.tsv", "\n".join(["participant_id\tpseudonym", *rows]) + "\n")
    _json(
        folder / "participants.json",
        {
            "Description": "One row a person; nothing but the pseudonym is given.",
            "participant_id": {"Description": "Letters and digits of the pseudonym, made unique."},
            "pseudonym": {"Description": "Pseudonym of the study file, or what the night is called."},
        },
    )
