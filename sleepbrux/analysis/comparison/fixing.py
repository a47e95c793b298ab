"""What was fixed when, and how often it was looked: lines that are only ever added, beside the study file.

Layout of ``STUDY.fixed.jsonl``::

    {"seq":1,"at":"2026-03-02T07:41:09Z","kind":"fixed","settings":{...},"scored":0,"before":"",...}
    {"seq":2,"at":"...","kind":"look","nights":{"none":5,"splint":5},...,"before":"SHA-256 of line 1"}
    {"seq":3,"at":"...","kind":"changed","settings":{...},"scored":10,...}

Each line holds the digest of the one before, so that a line that was changed or taken out between others
shows. Lines cut off at the end do not: the file is a memory aid among honest people and no seal. The first line
is written by the plan where it is fixed there, else before the first night is scored.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import msgspec
from msgspec import Struct

from sleepbrux.analysis.comparison.model import Comparison
from sleepbrux.analysis.comparison.records import study_rules
from sleepbrux.analysis.comparison.rules import LOOKS_P, VERDICT_P
from sleepbrux.archive.manifest import LIST
from sleepbrux.core.errors import Note, StudyError
from sleepbrux.core.files import RESULTS, flush_folder, safe_stem
from sleepbrux.study.file import Order, Study

ENDING = ".fixed.jsonl"
_BEGINS = b'{"seq":'
# looks without a schedule, and in how many of 100 studies without an effect some look tells one: by
# simulation (python -m tests.compare_table), at even distances from 4 to 14 nights in each condition (21
# looks: to 24)
LOOKS_ERROR_PCT = ((1, 5), (2, 7), (3, 8), (4, 9), (6, 11), (11, 13), (21, 18))


class Settings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What must not depend on the nights."""

    primary_outcome: str
    criterion: str
    criterion_digest: str
    baseline: str
    conditions: tuple[str, ...]
    order: Order
    looks: tuple[int, ...]

    @property
    def digest(self) -> str:
        """SHA-256 over all of it."""
        return hashlib.sha256(msgspec.json.encode(self, order="sorted")).hexdigest()


class Entry(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """One line.

    Attributes
    ----------
    scored
        Nights of the study that had been scored by then.
    nights
        Of a look: compared nights by condition.
    before
        SHA-256 of the line before.
    """

    seq: int
    at: str
    kind: Literal["fixed", "changed", "look"]
    digest: str
    scored: int
    before: str
    settings: Settings | None = None
    nights: dict[str, int] = {}


@dataclass(frozen=True)
class Record:
    """All lines, and from which line on they do not follow from each other; None where all do.

    ``torn`` is what a write that never ended left behind the last line.
    """

    entries: tuple[Entry, ...] = ()
    broken_at: int | None = None
    last_line: bytes = b""
    torn: bytes = b""

    @property
    def settings(self) -> Settings | None:
        """What stands now."""
        return next((e.settings for e in reversed(self.entries) if e.settings is not None), None)


def settings_of(study: Study) -> Settings:
    """What a study file fixes."""
    rules = study_rules(study)
    return Settings(
        primary_outcome=study.primary_outcome,
        criterion=study.criterion,
        criterion_digest=rules.digest() if rules is not None else "",
        baseline=study.baseline,
        conditions=tuple(sorted({n.condition for n in study.night})),
        order=study.order,
        looks=study.looks,
    )


def record_path(study: Path) -> Path:
    """``STUDY.fixed.jsonl`` beside ``STUDY.toml`` or a table of nights."""
    return study.with_name(f"{study.stem}{ENDING}")


def load_record(path: Path) -> Record:
    """Read the lines; an empty record where there is no file.

    Raises
    ------
    StudyError
        A line that cannot be read.
    """
    try:
        whole, ended, torn = path.read_bytes().rpartition(b"\n")
    except FileNotFoundError:
        return Record()
    begun = torn.strip(b"\0")
    if torn and (_is_entry(torn) or not (begun.startswith(_BEGINS) or _BEGINS.startswith(begun))):
        # only its end of line is gone, or it is none of ours
        whole, ended, torn = whole + ended + torn, b"", b""
    lines = whole.splitlines()
    entries: list[Entry] = []
    before, broken = "", None
    for number, line in enumerate(lines, start=1):
        try:
            entry = msgspec.json.decode(line, type=Entry)
        except msgspec.MsgspecError as error:
            raise StudyError(
                f"{path.name}: line {number} cannot be read ({error}); restore the file from a copy, or move "
                "it away to begin a new one"
            ) from error
        digest = hashlib.sha256(line).hexdigest()
        if entries and _twin(entry, entries[-1]):
            before = digest
            continue
        if broken is None and (entry.before != before or entry.seq != len(entries) + 1):
            broken = number
        before = digest
        entries.append(entry)
    return Record(tuple(entries), broken, lines[-1] if lines else b"", torn)


def _is_entry(line: bytes) -> bool:
    try:
        msgspec.json.decode(line, type=Entry)
    except msgspec.MsgspecError:
        return False
    return True


def _twin(entry: Entry, last: Entry) -> bool:
    """Whether two runs that began side by side wrote one thing twice."""
    return msgspec.structs.replace(entry, at=last.at) == last


def fix(path: Path, study: Study, *, scored: int, now: datetime) -> Record:
    """Record what the study file fixes, where it is new or was changed.

    Parameters
    ----------
    scored
        Nights of the study that have been scored.
    now
        In UTC.
    """
    record, settings = load_record(path), settings_of(study)
    if record.settings == settings:
        return record
    kind: Literal["fixed", "changed"] = "changed" if record.settings else "fixed"
    return _append(path, record, now, kind=kind, settings=settings, scored=scored)


def fix_at_scoring(file: Path, study: Study, folder: Path, suffix: str) -> str:
    """`fix` before nights of a study are scored. Scoring goes on without it: what hindered it, else nothing.

    Parameters
    ----------
    file
        Study file.
    folder
        Of the results; nights that were scored into the one beside the study file count too.
    suffix
        Of an archive.
    """
    path = record_path(file)
    try:
        scored = max(scored_nights(f, study, suffix) for f in (folder, file.parent / RESULTS))
        fix(path, study, scored=scored, now=datetime.now(UTC))
    except (OSError, StudyError) as error:
        why = f"cannot be written ({error.strerror})" if isinstance(error, OSError) else str(error)
        said = why if why.startswith(path.name) else f"{path.name}: {why}"
        return f"{said}; the nights are scored, but when outcome and design were chosen is not recorded"
    return ""


def look(path: Path, study: Study, comparison: Comparison, *, scored: int, now: datetime) -> Record:
    """Record that the comparison was looked at, where its nights or its settings are new."""
    record = fix(path, study, scored=scored, now=now)
    nights = {c: sum(n.condition == c for n in comparison.nights) for c in comparison.conditions}
    settings = settings_of(study)
    last = next((e for e in reversed(record.entries) if e.kind == "look"), None)
    if last is not None and last.nights == nights and last.digest == settings.digest:
        return record
    return _append(
        path, record, now, kind="look", settings=None, scored=scored, nights=nights, digest=settings.digest
    )


def _append(
    path: Path,
    record: Record,
    now: datetime,
    *,
    kind: Literal["fixed", "changed", "look"],
    settings: Settings | None,
    scored: int,
    nights: dict[str, int] | None = None,
    digest: str = "",
) -> Record:
    entry = Entry(
        seq=len(record.entries) + 1,
        at=now.strftime("%Y-%m-%dT%H:%M:%SZ"),
        kind=kind,
        digest=settings.digest if settings else digest,
        scored=scored,
        before=hashlib.sha256(record.last_line).hexdigest() if record.last_line else "",
        settings=settings,
        nights=nights or {},
    )
    line = msgspec.json.encode(entry)
    with path.open("ab") as file:
        there = path.read_bytes()
        if record.torn and there.endswith(record.torn):  # else another run has mended it since
            file.truncate(len(there) - len(record.torn))
        elif there and there[-1:] != b"\n":
            line = b"\n" + line
        file.write(line + b"\n")
        file.flush()
        os.fsync(file.fileno())
    line = line.lstrip(b"\n")
    if record.last_line == b"":
        flush_folder(path.parent)
    return Record((*record.entries, entry), record.broken_at, line)


def looks_error_pct(looks: int) -> int:
    """About how many of 100 studies without an effect tell one at some of so many unplanned looks."""
    return next((pct for most, pct in LOOKS_ERROR_PCT if looks <= most), LOOKS_ERROR_PCT[-1][1])


def fixing_notes(record: Record | None, study: Study) -> tuple[Note, ...]:
    """What page and letter say of when things were fixed, what was changed, and how often it was looked."""
    if record is None or not record.entries:
        return (
            Note(
                "not-fixed",
                "warning",
                "Nothing shows when outcome, criterion, conditions and design were chosen: there is no "
                "record next to the study file.",
            ),
        )
    first = record.entries[0]
    day = first.at[:10]
    notes = []
    if record.broken_at is not None:
        notes.append(
            Note(
                "record-broken",
                "warning",
                f"The record next to the study file was changed by hand (line {record.broken_at} does not follow "
                "from the one before). What it says of when things were fixed cannot be relied on.",
            )
        )
    if first.scored == 0:
        notes.append(
            Note(
                "fixed-before",
                "note",
                f"Outcome, criterion, conditions and design were recorded on {day}, before the first night was "
                f"scored (digest {first.digest[:12]}).",
            )
        )
    else:
        notes.append(
            Note(
                "fixed-late",
                "warning",
                f"Outcome, criterion, conditions and design were first recorded on {day}, when "
                f"{_nights(first.scored)} had been scored. Nothing shows that they were chosen beforehand.",
            )
        )
    notes += _changes(record)
    return (*notes, *_looks(record, study))


def _nights(n: int) -> str:
    return "1 night" if n == 1 else f"{n} nights"


def _changes(record: Record) -> list[Note]:
    notes: list[Note] = []
    before = record.entries[0].settings
    for entry in record.entries[1:]:
        if entry.settings is None or before is None:
            continue
        what = [
            f"{name.replace('_', ' ')} from {_shown(getattr(before, name))} to "
            f"{_shown(getattr(entry.settings, name))}"
            for name in Settings.__struct_fields__
            if name != "criterion_digest" and getattr(before, name) != getattr(entry.settings, name)
        ] or ["the rules of the criterion"]
        after = (
            f"after {_nights(entry.scored)} had been scored"
            if entry.scored
            else "before the first night was scored"
        )
        notes.append(
            Note(
                "changed-late" if entry.scored else "changed-before",
                "warning" if entry.scored else "note",
                f"Changed on {entry.at[:10]}, {after}: {'; '.join(what)}."
                + (
                    " A choice made after seeing nights finds differences that are not there."
                    if entry.scored
                    else ""
                ),
            )
        )
        before = entry.settings
    return notes


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(str(v) for v in value) or "none"
    return repr(value) if isinstance(value, str) else str(value)


def _looks(record: Record, study: Study) -> list[Note]:
    # the same nights under other settings are a change and no further look
    seen = dict.fromkeys(tuple(sorted(e.nights.items())) for e in record.entries if e.kind == "look")
    looks = [min((n for _, n in nights), default=0) for nights in seen]
    if study.looks:
        others = sorted({n for n in looks if n >= study.looks[0] and n not in study.looks})
        planned = ", ".join(map(str, study.looks))
        notes = [
            Note(
                "looks-planned",
                "note",
                f"Looks were set at {planned} nights in each condition, each with the bound p {LOOKS_P.value:g}, "
                f"so that over all of them the error stays below {100 * VERDICT_P.value:g} %.",
            )
        ]
        if others:
            notes.append(
                Note(
                    "looks-unplanned",
                    "warning",
                    f"It was also looked at {', '.join(map(str, others))} nights, which the schedule does not "
                    "have. The bound does not allow for these looks.",
                )
            )
        return notes
    # below the least number of nights no look can tell anything
    telling = [n for n in looks if n >= 4]
    if len(telling) < 2:
        return []
    return [
        Note(
            "looks-taken",
            "warning",
            f"It was looked {len(telling)} times without a schedule set beforehand (looks in the study file). Of "
            f"studies without any effect about {looks_error_pct(len(telling))} % then tell one at some look, "
            f"instead of {100 * VERDICT_P.value:g} %.",
        )
    ]


def scored_nights(folder: Path, study: Study, suffix: str) -> int:
    """How many nights of the study have an archive, or a list of files, in a folder or the person's inside it."""
    own = folder / safe_stem(study.pseudonym)
    folder = own if own.is_dir() else folder
    stems = [{safe_stem(n.id), safe_stem(Path(n.recording).stem)} for n in study.night]
    endings = (suffix, LIST)
    return sum(any((folder / f"{s}{e}").is_file() for s in names for e in endings) for names in stems)
