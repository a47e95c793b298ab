"""Scorings from files: archives, journals, EDF+ annotations, CSV, and BIDS events."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path

from sleepbrux.analysis.agreement.scorings import KNOWN, UNKNOWN, Level, Scoring, of_night, of_rows
from sleepbrux.archive.file import load_night
from sleepbrux.archive.identity import foreign, identity_of
from sleepbrux.archive.journal import journal_path, load_journal, reviewed
from sleepbrux.archive.journal.file import ARCHIVE, JOURNAL
from sleepbrux.archive.journal.witness import check_witness
from sleepbrux.core.errors import CriterionError, UsageError
from sleepbrux.core.files import read_cells
from sleepbrux.core.texts import file_name, visible
from sleepbrux.criteria import load_criterion
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night, rescore

DAY_S = 86400
CRITERION, REVIEWED = "criterion:", "reviewed"
STARTS = ("start_s", "onset", "onset_s", "start")
STOPS = ("end_s", "stop_s", "end", "stop")
LENGTHS = ("duration", "duration_s")
LABELS = ("kind", "trial_type", "label", "event", "description", "type")
TABLES = ("nights.csv", "study.csv")
ENDINGS = (
    ARCHIVE,
    JOURNAL,
    ".episodes.csv",
    ".bursts.csv",
    "_events.tsv",
    ".edf",
    ".bdf",
    ".csv",
    ".tsv",
)


@dataclass(frozen=True)
class Wanted:
    """How files are read.

    Attributes
    ----------
    labels
        Label in a person's file to what it stands for.
    scored
        Time that a person's file covers, as stated: spans in seconds, ``"all"`` for the whole
        recording, or None where the file says it itself.
    """

    level: Level = "episode"
    labels: Mapping[str, str] = field(default_factory=dict)
    scored: tuple[tuple[float, float], ...] | str | None = None


def check_labels(labels: Mapping[str, str], level: Level) -> None:
    """Refuse a mapping to something that is no kind."""
    words = EPISODE_KINDS if level == "episode" else BURST_KINDS[1:]
    allowed = (*words, KNOWN, UNKNOWN, "left out")
    for label, kind in labels.items():
        if kind not in allowed:
            raise UsageError(f"`labels` {label}={kind}: allowed are {', '.join(allowed)}")


def stem_of(path: Path) -> str:
    """Name by which a file is paired with another: without what is known of its ending."""
    return next((path.name[: -len(e)] for e in ENDINGS if path.name.lower().endswith(e)), path.stem)


def _check_criterion(name: str) -> None:
    try:
        load_criterion(name.removeprefix(CRITERION))
    except CriterionError as error:
        raise UsageError(str(error)) from error


def pairs(first: Path, second: str) -> list[tuple[Path, str]]:
    """Files of two scorings, night by night; folders are paired by the stems of their files.

    Raises
    ------
    UsageError
        A file is missing, one is a folder and the other is not, or no two stems are the same.
    """
    if not first.exists():
        raise UsageError(f"{first.name}: there is no such file or folder")
    if second.startswith(CRITERION):
        _check_criterion(second)
        files = sorted(first.glob(f"*{ARCHIVE}")) if first.is_dir() else [first]
        if not files:
            raise UsageError(f"{first.name}: no archive (*{ARCHIVE}) lies in this folder")
        return [(path, second) for path in files]
    if second == REVIEWED:
        files = sorted(first.glob(f"*{ARCHIVE}")) if first.is_dir() else [first]
        both = [(path, str(journal_path(path))) for path in files if journal_path(path).exists()]
        if not both:
            raise UsageError(f"{first.name}: no journal of a review is next to an archive here")
        return both
    other = Path(second)
    if not other.exists():
        raise UsageError(f"{other.name}: there is no such file or folder")
    if first.is_dir() != other.is_dir():
        raise UsageError(f"{first.name}, {other.name}: give two files or two folders")
    if not first.is_dir():
        return [(first, second)]
    here, there = _by_stem(first), _by_stem(other)
    shared = [stem for stem in here if stem in there]
    if not shared:
        raise UsageError(
            f"{first.name}, {other.name}: no two files have the same stem; there are "
            f"{', '.join([*here][:4]) or 'none'} and {', '.join([*there][:4]) or 'none'}"
        )
    return [(here[stem], str(there[stem])) for stem in shared]


def _by_stem(folder: Path) -> dict[str, Path]:
    """First file of each stem, in the order of preference of `ENDINGS`; no table made from an archive."""
    files = sorted(path for path in folder.iterdir() if path.is_file())
    archived = tuple(f"{stem_of(p)}." for p in files if p.name.lower().endswith(ARCHIVE))
    found: dict[str, Path] = {}
    for ending in ENDINGS:
        for path in files:
            made = path.name in TABLES or path.name.startswith(archived)
            if path.name.lower().endswith(ending) and (ending == ARCHIVE or not made):
                found.setdefault(stem_of(path), path)
    return dict(sorted(found.items()))


def load_pair(first: Path | Night, second: str | Night, wanted: Wanted) -> tuple[Scoring, Scoring]:
    """Two scorings of one night, from files or as they stand in memory.

    Raises
    ------
    UsageError
        They are of different recordings, or a file is none that is read.
    """
    nights = [night for path in (first, second) if (night := _night(path)) is not None]
    night = nights[0] if nights else None
    a = _load(first, wanted, night)
    b = _load(second, wanted, night)
    if a.input_sha256 and b.input_sha256 and a.input_sha256 != b.input_sha256:
        raise UsageError(
            f"{_called(first)}, {_called(second)}: these are scorings of two different recordings "
            "(their SHA-256 differ)"
        )
    if len(nights) == 2 and foreign(*(whose := [identity_of(night) for night in nights])):
        raise UsageError(
            f"{_called(first)}, {_called(second)}: these are scorings of {whose[0].words} and of "
            f"{whose[1].words}"
        )
    return a, b


def _called(side: Path | str | Night) -> str:
    return side.swept.name if isinstance(side, Night) else Path(side).name


def _night(path: Path | str | Night) -> Night | None:
    if isinstance(path, Night):
        return path
    name = str(path)
    if name.endswith(ARCHIVE):
        return load_night(name)
    if name.endswith(JOURNAL):
        return load_night(name.removesuffix(JOURNAL) + ARCHIVE)
    return None


def _load(path: Path | str | Night, wanted: Wanted, night: Night | None) -> Scoring:
    if isinstance(path, Night):
        return of_night(path, visible(path.swept.name), wanted.level)
    name = str(path)
    if name.startswith(CRITERION):
        if night is None:
            raise UsageError(f"{name}: another criterion is applied to an archive; give one")
        return of_night(rescore(night, name.removeprefix(CRITERION)), night.swept.name, wanted.level)
    file = Path(path)
    if name.endswith(ARCHIVE):
        return of_night(load_night(file), visible(stem_of(file)), wanted.level)
    if name.endswith(JOURNAL):
        archive = file.with_name(file.name.removesuffix(JOURNAL) + ARCHIVE)
        assert journal_path(archive) == file  # noqa: S101
        own, journal = load_night(archive), load_journal(file)
        check_witness(own, archive, journal)
        return of_night(reviewed(own, journal), visible(stem_of(file)), wanted.level)
    rows, shift = _rows(file, night)
    return of_rows(
        rows,
        night=visible(stem_of(file)),
        who=file_name(file),
        level=wanted.level,
        mapping=dict(wanted.labels),
        scored=_scored(file, wanted, night),
        shift_s=shift,
    )


def _scored(file: Path, wanted: Wanted, night: Night | None) -> list[tuple[float, float]] | None:
    if wanted.scored is None or not isinstance(wanted.scored, str):
        return None if wanted.scored is None else list(wanted.scored)
    if night is not None:
        return [(0.0, night.swept.duration_s)]
    raise UsageError(
        f"{file.name}: `scored` all means the whole recording, and neither side is an archive that knows "
        "how long it is; state `scored` from-to in seconds"
    )


def _rows(file: Path, night: Night | None) -> tuple[list[tuple[float, float, str]], float]:
    """Rows of a person's file, and what is added to its times to get those of the night."""
    if file.suffix.lower() in (".edf", ".bdf"):
        return _annotations(file, night)
    return _table(file), 0.0


def _annotations(file: Path, night: Night | None) -> tuple[list[tuple[float, float, str]], float]:
    from sleepbrux.recording.formats.edf import open_edf

    recording = open_edf(file, marks_only=True)
    rows = [(m.start_s, m.start_s + m.duration_s, m.text) for m in recording.marks]
    if night is None:
        return rows, 0.0
    own, other = night.swept, recording
    shift = 0.0
    if other.start is not None and own.start is not None:
        shift = (other.start - own.start).total_seconds()
    elif other.start_clock is not None and own.start_clock is not None:
        shift = _of_day(other.start_clock) - _of_day(own.start_clock)
        shift = (shift + DAY_S / 2) % DAY_S - DAY_S / 2
    if abs(shift) > own.duration_s:
        raise UsageError(
            f"{file.name}: it starts {shift / 3600:.1f} h away from the recording, which lasts "
            f"{own.duration_s / 3600:.1f} h; it is of another night, or its date was changed"
        )
    return rows, shift


def _of_day(moment: time) -> float:
    return moment.hour * 3600.0 + moment.minute * 60 + moment.second + moment.microsecond / 1_000_000


def _column(heads: Sequence[str], names: Sequence[str]) -> int | None:
    low = [h.strip().casefold() for h in heads]
    return next((low.index(n) for n in names if n in low), None)


def _table(file: Path) -> list[tuple[float, float, str]]:
    """Rows of a CSV or TSV file with a head: a start, an end or a duration, and a label."""
    lines = read_cells(file, UsageError, "\t;,")
    if not lines:
        raise UsageError(f"{file.name}: the file is empty")
    heads = lines[0]
    start, stop = _column(heads, STARTS), _column(heads, STOPS)
    length, label = _column(heads, LENGTHS), _column(heads, LABELS)
    if start is None or label is None or (stop is None and length is None):
        raise UsageError(
            f"{file.name}: its columns are {', '.join(h[:20] for h in heads[:8])}; needed are a start "
            f"({', '.join(STARTS)}), an end ({', '.join(STOPS)}) or a length ({', '.join(LENGTHS)}), and "
            f"a label ({', '.join(LABELS)})"
        )
    rows = []
    for number, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        try:
            a = _seconds(line[start])
            b = _seconds(line[stop]) if stop is not None else a + _seconds(line[length or 0])
            rows.append((a, b, line[label].strip()))
        except (ValueError, IndexError) as error:
            raise UsageError(
                f"{file.name}: line {number} is {', '.join(line)[:60]!r}, where numbers of seconds and "
                "a label are due"
            ) from error
    return rows


def _seconds(cell: str) -> float:
    value = float(cell.strip().replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(cell)
    return value
