"""The nights of a study as a table: what the study file says, and what scoring and review have left beside it.

Read from the study file, the summaries and the journals alone, so that sixty nights are listed at once; no
archive and no recording is opened. What is written from the archives later checks them again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from sleepbrux.archive.made_of import archive_of, journal_of, night_mark, nights_mark, standing
from sleepbrux.archive.manifest import ARCHIVE, REVIEWED
from sleepbrux.core.files import CLENCHES, safe_stem
from sleepbrux.study.file import FILL_IN, OWN, Study, StudyNight, entry_digest, night_stems, result_folder

SUMMARY, CLENCH_JSON = ".summary.json", ".reference.json"
LEAST = "window.minimum_valid_hours"
ACCEPTED = ", accepted by "  # in the origin of a reference that a person accepted
PRINTED = 1e-5  # levels are printed to six digits


class _Value(Struct, frozen=True):
    value: float | None = None


class _Identity(Struct, frozen=True):
    study_sha256: str = ""


class _Rules(Struct, frozen=True):
    id: str = ""
    values: dict[str, dict[str, Any]] = {}
    instead_of: str | None = None


class _Level(Struct, frozen=True):
    channel: str
    mvc_uv: float | None = None
    level_uv: float | None = None


class _Reference(Struct, frozen=True):
    """Of a night's summary its levels, of the file about the clenches its channels."""

    confirmed: bool = True
    origin: str = ""
    levels: tuple[_Level, ...] = ()
    channels: tuple[_Level, ...] = ()


class _Summary(Struct, frozen=True):
    """What the table needs of a night's summary."""

    measures: dict[str, _Value]
    study: dict[str, str] | None = None
    criterion: _Rules = _Rules()
    identity: _Identity = _Identity()
    reference: _Reference | None = None


@dataclass(frozen=True)
class NightRow:
    """One night of the table.

    Attributes
    ----------
    there
        Whether its recording lies next to the study file; False for a planned night too.
    hours, rate
        Valid hours, and episodes an hour of these; None before it is scored.
    least_hours
        Valid hours that the rules ask for.
    stale
        Why its numbers may be others when it is scored anew; empty where they are not.
    label
        What its report says otherwise than the study file, which changes no number; empty for nothing.
    decisions
        Lines of the reader's journal.
    written
        Whether the reviewed report is as new as the last decision.
    mark
        A word for the night as it is scored and decided on.
    changed_s
        When it was scored, or decided on after that, in seconds of the system's clock.
    """

    number: int
    id: str
    date: date | None
    condition: str
    recording: str
    there: bool
    archive: Path
    scored: bool = False
    hours: float | None = None
    rate: float | None = None
    least_hours: float = 0.0
    stale: str = ""
    label: str = ""
    decisions: int = 0
    written: bool = True
    mark: str = ""
    changed_s: float = 0.0

    @property
    def named(self) -> bool:
        """Whether it is said what was worn."""
        return self.condition != FILL_IN

    @property
    def outdated(self) -> str:
        """Why it has to be scored anew; empty where it has not."""
        return "; ".join(filter(None, (self.stale, self.label)))


def night_rows(study: Study, home: Path, results: Path) -> list[NightRow]:
    """The nights in the order of the study file."""
    folder = result_folder(study, results)
    return [_row(k, study, night, home, folder) for k, night in enumerate(study.night)]


def _row(k: int, study: Study, night: StudyNight, home: Path, folder: Path) -> NightRow:
    recording = home / night.recording
    there = bool(night.recording) and recording.is_file()
    archive = archive_of(night, folder)
    first = folder / f"{night_stems(night)[0]}{ARCHIVE}"
    row = NightRow(k, night.id, night.date, night.condition, night.recording, there, archive or first)
    if archive is None:
        return row
    decisions, last = standing(archive)
    mark = night_mark(archive, decisions)
    summary = _summary(archive)
    if summary is None:
        return replace(row, mark=mark)
    values = summary.measures
    return replace(
        row,
        scored=True,
        hours=values.get("valid_hours", _Value()).value,
        rate=values.get("episodes_per_hour", _Value()).value,
        least_hours=float(summary.criterion.values.get(LEAST, {}).get("value") or 0.0),
        stale="; ".join(_changes(study, night, summary, archive, home)),
        label=_other_label(night, summary),
        decisions=len(decisions),
        written=not last or _written(archive),
        mark=mark,
        changed_s=max(archive.stat().st_mtime, _time(last)),
    )


def _summary(archive: Path) -> _Summary | None:
    path = archive.with_name(archive.name.removesuffix(ARCHIVE) + SUMMARY)
    try:
        return msgspec.json.decode(path.read_bytes(), type=_Summary)
    except (OSError, msgspec.MsgspecError):
        return None


def _changes(study: Study, night: StudyNight, summary: _Summary, archive: Path, home: Path) -> Iterator[str]:
    """What is no longer as it was when the night was scored."""
    said = summary.identity.study_sha256
    if said and said != entry_digest(study, night):
        yield "the study file says something else of this night (recording, reference, times or how it is read)"
    if study.criterion not in (summary.criterion.id, summary.criterion.instead_of):
        yield f"the rules are {study.criterion}, it was scored by {summary.criterion.id}"
    used = next((r.recording for r in study.reference if r.id == night.reference), "")
    clenches = home / (night.recording if night.reference == OWN else used)
    beside = clenches.with_name(clenches.name + CLENCHES)
    if _newer(beside, archive) and _other_levels(
        summary, archive.parent / f"{safe_stem(clenches.name)}{CLENCH_JSON}"
    ):
        yield "the reference clenches were chosen anew after it was scored"
    elif summary.reference and ACCEPTED in summary.reference.origin and not beside.is_file():
        yield "the reference clenches that it was scored by are not accepted any more"


def _other_label(night: StudyNight, summary: _Summary) -> str:
    """What a report says was worn, where the study file says something else now."""
    said = (summary.study or {}).get("condition", "")
    if not said or said == night.condition:
        return ""
    return f"its report says that {said!r} was worn, the study file {night.condition!r}"


def _other_levels(summary: _Summary, path: Path) -> bool:
    """Whether the levels of a reference are others than those that a night was scored by."""
    try:
        now = msgspec.json.decode(path.read_bytes(), type=_Reference)
    except (OSError, msgspec.MsgspecError):
        return True
    levels = {c.channel: c.level_uv for c in now.channels}
    before = summary.reference
    if before is None or before.confirmed != now.confirmed or now.origin not in before.origin:
        return True
    return any(
        abs((levels.get(one.channel) or 0.0) - (one.mvc_uv or 0.0)) > PRINTED * (one.mvc_uv or 1.0)
        for one in before.levels
    )


def stamp(*paths: Path) -> tuple[tuple[int, int] | None, ...]:
    """The state of files, as far as size and time tell it."""
    found: list[tuple[int, int] | None] = []
    for path in paths:
        try:
            about = path.stat()
            found.append((about.st_size, about.st_mtime_ns))
        except OSError:
            found.append(None)
    return tuple(found)


def _newer(one: Path, other: Path) -> bool:
    try:
        return one.stat().st_mtime_ns > other.stat().st_mtime_ns
    except OSError:
        return False


def _time(text: str) -> float:
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return 0.0


def _written(archive: Path) -> bool:
    """Whether the reviewed report is as new as the journal."""
    report = archive.with_name(archive.name.removesuffix(ARCHIVE) + REVIEWED + SUMMARY)
    return report.is_file() and not _newer(journal_of(archive), report)


def mark_of(rows: Sequence[NightRow]) -> str:
    """A word for the nights that are scored, as outputs of several nights have it in them."""
    return nights_mark((row.id, row.mark) for row in rows if row.mark)
