"""Which files an export writes, and how they are called."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

from sleepbrux.archive.file import save_night
from sleepbrux.archive.file_sets import EXPORTED, listing
from sleepbrux.core.errors import Note, UsageError
from sleepbrux.core.files import replacing
from sleepbrux.core.json_text import json_text
from sleepbrux.export.bids import BidsForm, check_bids, write_bids
from sleepbrux.export.dictionary import dictionary_csv
from sleepbrux.export.edf_annotations import Identity, edf_annotations, identity_of
from sleepbrux.export.events import events_csv
from sleepbrux.export.fhir import DEFINITIONS, FhirForm, bundle, definitions_text
from sleepbrux.export.fhir.bundle import COLLECTION, check_form
from sleepbrux.export.frames import parquet
from sleepbrux.export.sharing import NOTHING_SHOWN, Shown, name_of, to_share
from sleepbrux.export.study_table import excluded_csv, measures_csv, study_table
from sleepbrux.export.summary import summary_text
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.recording.files import file_digest
from sleepbrux.scoring.night import Night, with_notes
from sleepbrux.study.dataset import only_dataset
from sleepbrux.study.file import Study

ARCHIVE = ".night.h5"
BIDS_FOLDER = "bids"
SCHEMA = "night-summary.schema.json"


@dataclass(frozen=True)
class ExportRequest:
    """What is to be written.

    Attributes
    ----------
    kinds
        Among ``csv``, ``json``, ``edf``, ``fhir``, ``bids``, ``study``, ``parquet``, ``archive``.
    recordings
        Files that were scored, found again by their SHA-256.
    identity
        Whether the EDF+ file has the patient line and the date of the recording.
    shown
        What else is given that may identify somebody.
    utf8_mark
        Whether CSV files begin with a byte order mark.
    sentences
        What the text of a FHIR report says of a night before the purpose: reading and cautions.
    events
        Which events EDF+, BIDS and ``events.csv`` hold: see `export.events.SELECTIONS`.
    fhir
        Type of the bundle and time of issue; the rest of the form is filled in here.
    letter
        The letter about a night as PDF, to be attached to its FHIR report.
    studies
        Study files of the nights: what BIDS says of data set, recorder and persons.
    """

    kinds: tuple[str, ...]
    recordings: tuple[Path, ...] = ()
    identity: bool = False
    shown: Shown = NOTHING_SHOWN
    utf8_mark: bool = False
    sentences: Callable[[Night], Sequence[str]] | None = None
    events: str = "all"
    fhir: FhirForm = COLLECTION
    letter: Callable[[str, Night], bytes] | None = None
    studies: tuple[Study, ...] = ()


REVIEW_LEFT_OUT = Note(
    "review-left-out",
    "warning",
    "this is a copy of the automatic scoring; a reader has reviewed the night, and those decisions are not in this "
    "archive",
)


def schema_text() -> str:
    """The JSON Schema of a night's summary, as published with the package."""
    return (resources.files("sleepbrux.export") / "schemas" / SCHEMA).read_text("utf-8")


def _by_digest(recordings: Sequence[Path], nights: Sequence[tuple[str, Night]]) -> dict[str, Path]:
    found = {file_digest(path): path for path in recordings}
    known = {night.swept.digest for _, night in nights}
    stray = [path.name for digest, path in found.items() if digest not in known]
    if stray:
        raise UsageError(
            f"{stray[0]} is not the recording of any of these archives (its SHA-256 is in none of "
            "them); leave it out"
        )
    return found


def _of_a_night(
    stem: str, night: Night, wish: ExportRequest, identity: Callable[[], Identity]
) -> dict[str, str | bytes]:
    mark = "\ufeff" if wish.utf8_mark else ""
    made: dict[str, str | bytes] = {}
    if "csv" in wish.kinds:
        made |= {
            f"{stem}.{name}.csv": mark + write(night)
            for name, write in (
                ("episodes", episodes_csv),
                ("bursts", bursts_csv),
                ("channel_bursts", channel_bursts_csv),
                ("measures", measures_csv),
                ("excluded", excluded_csv),
                ("events", lambda night: events_csv(night, wish.events)),
                ("dictionary", dictionary_csv),
            )
        }
    if "json" in wish.kinds:
        made |= {f"{stem}.summary.json": summary_text(night), SCHEMA: schema_text()}
    if "parquet" in wish.kinds:
        made |= {f"{stem}.{name}.parquet": data for name, data in parquet(night).items()}
    if "edf" in wish.kinds:
        made[f"{stem}.annotations.edf"] = edf_annotations(
            night, identity() if wish.identity else None, wish.events
        )
    if "fhir" in wish.kinds:
        form = replace(
            wish.fhir,
            dates=wish.shown.dates,
            sentences=tuple(wish.sentences(night)) if wish.sentences else (),
            letter=wish.letter(stem, night) if wish.letter else b"",
        )
        made |= {f"{stem}.fhir.json": json_text(bundle(night, form)), DEFINITIONS: definitions_text()}
    return made


def shared_names(nights: Sequence[tuple[str, Night]], shown: Shown) -> list[str]:
    """What the files of each night are called: as before, or by what `name_of` says, none twice."""
    if shown.names:
        return [stem for stem, _ in nights]
    names: list[str] = []
    for _, night in nights:
        name, number = name_of(night), 1
        while name.casefold() in (n.casefold() for n in names):
            number += 1
            name = f"{name_of(night)}-{number}"
        names.append(name)
    return names


def _check(wish: ExportRequest) -> None:
    """Refuse what no file can be made of, before any is written."""
    if "fhir" in wish.kinds:
        check_form(wish.fhir)
    only_dataset(study.dataset for study in wish.studies)


def write_files(
    nights: Sequence[tuple[str, Night]],
    folder: Path,
    wish: ExportRequest,
    automatic: Sequence[Night] = (),
) -> list[Path]:
    """Write what is wished for; returns the files.

    Parameters
    ----------
    nights
        (name that the night's files share, night), as they are archived.
    automatic
        For ``archive``: the same nights without a review.
    """
    _check(wish)
    places = _by_digest(wish.recordings, nights)
    stems = shared_names(nights, wish.shown)
    shared = [
        (name, to_share(night, wish.shown, aliases=[stem]))
        for name, (stem, night) in zip(stems, nights, strict=True)
    ]
    form = BidsForm(wish.events, wish.studies)
    if "bids" in wish.kinds:
        check_bids(shared, folder / BIDS_FOLDER, places)
    made: dict[str, str | bytes] = {}
    for (name, night), (_, original) in zip(shared, nights, strict=True):

        def identity(night: Night = original, name: str = name) -> Identity:
            if night.swept.digest not in places:
                raise UsageError(f"{name}: its recording is not among those named by `recordings`")
            return identity_of(night, places[night.swept.digest])

        made |= _of_a_night(name, night, wish, identity)
    if "study" in wish.kinds:
        made["study.csv"] = ("\ufeff" if wish.utf8_mark else "") + study_table(shared)
    folder.mkdir(parents=True, exist_ok=True)
    written = [folder / name for name in made]
    reviewed = {stem for stem, night in nights if night.review is not None}
    names = [*made, *(f"{name}{ARCHIVE}" for name, _ in zip(stems, automatic, strict=False))]
    bids = [BIDS_FOLDER] if "bids" in wish.kinds else []
    with listing(folder / EXPORTED, [*names, *bids]) as settle:
        for name, content in made.items():
            with replacing(folder / name, settle) as temporary:
                temporary.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        for (stem, _), name, night in zip(nights, stems, automatic, strict=False):
            written.append(folder / f"{name}{ARCHIVE}")
            copy = to_share(night, wish.shown, aliases=[stem])
            copy = with_notes(copy, REVIEW_LEFT_OUT) if stem in reviewed else copy
            save_night(copy, written[-1], settle=settle)
    if "bids" in wish.kinds:
        labels = [_labels(old, new) for (_, old), (_, new) in zip(nights, shared, strict=True)]
        written += write_bids(shared, folder / BIDS_FOLDER, places, labels=labels, form=form)
    return written


def _labels(night: Night, shared: Night) -> dict[str, str]:
    """Label of each scored channel with what stands for it."""
    pairs = zip(night.swept.frames, shared.swept.frames, strict=True)
    return {old.channel.label: new.channel.label for old, new in pairs}
