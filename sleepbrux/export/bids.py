"""Nights as BIDS: events for every night, and an EMG data set where the recordings are at hand.

From archives alone it is a derivative data set that holds events only; with the recordings it is a raw
one (BIDS 1.11, data type ``emg``) that holds a copy of each, with the names and dates in its header
blanked. What the recording does not say (placement, reference, filters of the recorder, mains)
is written as ``n/a`` or "not stated", never guessed.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sleepbrux import __version__
from sleepbrux.errors import UsageError
from sleepbrux.export.blanked import write_blanked
from sleepbrux.export.columns import BIDS_EVENTS
from sleepbrux.export.events import EVENT_TYPES, Event, events
from sleepbrux.export.summary import report_id
from sleepbrux.files import write_text
from sleepbrux.night import Night
from sleepbrux.purpose import PURPOSE

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
    """Letters and digits of a text, as BIDS asks for in a name.

    Examples
    --------
    >>> label("P-01"), label("night_2"), label("?")
    ('P01', 'night2', 'x')
    """
    return re.sub(r"[^A-Za-z0-9]", "", text) or "x"


def _cell(value: float, digits: int) -> str:
    return "n/a" if math.isnan(value) else f"{value:.{digits}f}"


def _text(value: str) -> str:
    return re.sub(r"\s", " ", value) or "n/a"


def _row(event: Event) -> str:
    cells = (
        f"{event.onset_s:.4f}", f"{event.duration_s:.4f}", event.type, _text(event.channel),
        str(event.episode or "n/a"), _cell(event.peak_pct_mvc, 2), _cell(event.mean_pct_mvc, 2),
        _cell(event.peak_uv, 3), _cell(event.mean_uv, 3),
    )  # fmt: skip
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


def _stems(nights: Sequence[tuple[str, Night]]) -> list[tuple[str, str]]:
    """(subject, session) of each night, unlike one another."""
    found: list[tuple[str, str]] = []
    for name, night in nights:
        about = dict(night.about)
        pair = (label(about.get("pseudonym", name)), label(about.get("night", "1")))
        if pair in found:
            raise UsageError(
                f"two nights would be sub-{pair[0]} ses-{pair[1]} in the BIDS data set; give the nights "
                "of one person different ids in the study file"
            )
        found.append(pair)
    return found


def write_bids(
    nights: Sequence[tuple[str, Night]], folder: Path, recordings: dict[str, Path] | None = None
) -> list[Path]:
    """Write a data set into an empty or new folder.

    Parameters
    ----------
    nights
        (name of the file, night).
    recordings
        Each night's recording (EDF or BDF) by its SHA-256. With one for every night the data set is raw
        and holds a copy of each in which nobody is named, else it is a derivative without signals.

    Returns
    -------
    The files written.

    Raises
    ------
    UsageError
        The folder holds something else, or two nights would have one name.
    """
    stems = _stems(nights)
    known = recordings or {}
    raw = bool(nights) and all(night.swept.digest in known for _, night in nights)
    other = [name for name, night in nights if raw and night.swept.format[:3] not in ("EDF", "BDF")]
    if other:
        raise UsageError(f"{other[0]}: BIDS takes EMG as EDF or BDF only; leave out --recording")
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty; name a new folder for the BIDS data set")
    folder.mkdir(parents=True, exist_ok=True)
    written = _about_the_set(stems, folder, raw=raw)
    for (subject, session), (_, night) in zip(stems, nights, strict=True):
        place = folder / f"sub-{subject}" / f"ses-{session}" / "emg"
        place.mkdir(parents=True, exist_ok=True)
        stem = f"sub-{subject}_ses-{session}_task-sleep"
        write_text(place / f"{stem}_events.tsv", events_tsv(night))
        _json(place / f"{stem}_events.json", events_json(night))
        if raw:
            source = known[night.swept.digest]
            ending = ".bdf" if night.swept.format.startswith("BDF") else ".edf"
            write_blanked(source, place / f"{stem}_emg{ending}")
            _json(place / f"{stem}_emg.json", _emg_json(night))
            write_text(place / f"{stem}_channels.tsv", _channels_tsv(night))
        written += sorted(place.iterdir())
    return written


def _about_the_set(stems: Sequence[tuple[str, str]], folder: Path, *, raw: bool) -> list[Path]:
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
    data = "Header names and dates of the recordings are blanked." if raw else "No signals."
    write_text(folder / "README", README.format(version=__version__, data=data, purpose=PURPOSE))
    people = "\n".join(["participant_id", *sorted({f"sub-{s}" for s, _ in stems})]) + "\n"
    write_text(folder / "participants.tsv", people)
    meaning = {
        "participant_id": {"Description": "Pseudonym of the study file, or name of the file."}
    }
    _json(
        folder / "participants.json",
        {"Description": "One row a person; nothing but the pseudonym is given.", **meaning},
    )
    names = ("dataset_description.json", "README", "participants.tsv", "participants.json")
    return [folder / name for name in names]
