"""Which files an export writes, and how they are called."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import msgspec

from sleepbrux.errors import UsageError
from sleepbrux.export.dictionary import dictionary_csv
from sleepbrux.export.edf_annotations import edf_annotations, identity_of
from sleepbrux.export.fhir import bundle
from sleepbrux.export.study_table import excluded_csv, measures_csv, study_table
from sleepbrux.export.summary import summary_text
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.files import replacing, write_text
from sleepbrux.night import Night
from sleepbrux.recording.files import file_digest

SCHEMA = "night-summary.schema.json"


@dataclass(frozen=True)
class Wish:
    """What is to be written.

    Attributes
    ----------
    kinds
        Among ``csv``, ``json``, ``edf``, ``fhir``, ``bids``, ``study``.
    recordings
        Files that were scored, found again by their SHA-256.
    identity, with_dates
        Whether the patient line and the date, and the days of the night, are given.
    excel
        Whether CSV files begin with a byte order mark.
    sentences
        What the text of a FHIR report says of a night before the purpose: reading and cautions.
    """

    kinds: tuple[str, ...]
    recordings: tuple[Path, ...] = ()
    identity: bool = False
    with_dates: bool = False
    excel: bool = False
    sentences: Callable[[Night], Sequence[str]] | None = None


def schema_text() -> str:
    """The JSON Schema of a night's summary, as published with the package."""
    return (resources.files("sleepbrux.export") / "schemas" / SCHEMA).read_text("utf-8")


def json_text(value: object) -> str:
    """Indented JSON with a line feed at the end."""
    return msgspec.json.format(msgspec.json.encode(value), indent=2).decode() + "\n"


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
    stem: str, night: Night, recording: Path | None, wish: Wish
) -> dict[str, str | bytes]:
    mark = "\ufeff" if wish.excel else ""
    made: dict[str, str | bytes] = {}
    if "csv" in wish.kinds:
        made |= {
            f"{stem}.{name}.csv": mark + write(night)
            for name, write in (
                ("episodes", episodes_csv), ("bursts", bursts_csv),
                ("channel_bursts", channel_bursts_csv), ("measures", measures_csv),
                ("excluded", excluded_csv), ("dictionary", dictionary_csv),
            )
        }  # fmt: skip
    if "json" in wish.kinds:
        made |= {f"{stem}.summary.json": summary_text(night), SCHEMA: schema_text()}
    if "edf" in wish.kinds:
        who = None
        if wish.identity:
            if recording is None:
                raise UsageError(f"{stem}: its recording is not among those named by --recording")
            who = identity_of(night, recording)
        made[f"{stem}.annotations.edf"] = edf_annotations(night, who)
    if "fhir" in wish.kinds:
        words = tuple(wish.sentences(night)) if wish.sentences else ()
        made[f"{stem}.fhir.json"] = json_text(
            bundle(night, sentences=words, with_dates=wish.with_dates)
        )
    return made


def write_files(nights: Sequence[tuple[str, Night]], folder: Path, wish: Wish) -> list[Path]:
    """Write what is wished for; returns the files.

    Parameters
    ----------
    nights
        (name that the night's files share, night).
    """
    places = _by_digest(wish.recordings, nights)
    made: dict[str, str | bytes] = {}
    for stem, night in nights:
        made |= _of_a_night(stem, night, places.get(night.swept.digest), wish)
    if "study" in wish.kinds:
        made["study.csv"] = ("\ufeff" if wish.excel else "") + study_table(nights)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in made.items():
        if isinstance(content, str):
            write_text(folder / name, content)
        else:
            with replacing(folder / name) as temporary:
                temporary.write_bytes(content)
    written = [folder / name for name in made]
    if "bids" in wish.kinds:
        from sleepbrux.export.bids import write_bids

        written += write_bids(nights, folder / "bids", places)
    return written
